"""Estimates of many builds: here, in processes, or with their impacts on graphics cards."""

import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from layers.arrays import Level
from layers.ball import Ball, Body
from layers.bench.bench import Impacts
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate
from layers.estimation import OF_LAUNCH, estimate
from layers.figures import BALL_FIGURES, QUANTITIES, parse_figure
from layers.gpu.batch import Batch, Device, Throws, Wanted
from layers.mass.inertia import mass
from layers.strike.launch import Launch

if TYPE_CHECKING:
    from layers.flight.trajectory import Flight
    from layers.gpu.card import Card

Request = tuple[Ball, tuple[str, ...]]
PLACES = ("cpu", "gpu", "gpu-or-cpu", "gpu:N", "gpu:N,M")
_NUMBERED = re.compile(r"gpu:(\d+(?:,\d+)*)")
# Builds whose impacts are on the card at once: enough to fill it, few enough to hold.
CHUNK = 1024


def devices_for(place: str, tell: Callable[[str], None] | None = None) -> "tuple[Card, ...] | None":
    """Return the graphics cards, or None for the CPU.

    Parameters
    ----------
    place : str
        "cpu"; "gpu" for all cards that this process sees; "gpu:1" or "gpu:0,1" for those of these
        numbers; "gpu-or-cpu" for all, or the CPU where there is none, and says so.
    tell : callable, optional
        Called with that sentence.

    Raises
    ------
    InputError
        If the place is not known, its cards are not there, or are of several kinds.
    """
    numbered = _NUMBERED.fullmatch(place)
    if place not in PLACES[:3] and not numbered:
        raise InputError(f"device is {place!r}, but must be one of: {', '.join(PLACES)}.")
    if place == "cpu":
        return None
    from layers.gpu.card import find_card, find_cards

    try:
        if not numbered:
            find_card()
    except InputError as error:
        if place == "gpu":
            raise
        if tell:
            tell(f"The CPU computes: {error}")
        return None
    return find_cards(tuple(dict.fromkeys(map(int, numbered[1].split(",")))) if numbered else ())


class _Own(NamedTuple):
    """One body of a request: its place, the keys of its launches, flights and barrier impacts."""

    place: int
    pattern: str
    body: Body
    keys: list[tuple[int, str]]
    flown: frozenset[tuple[int, str]]
    thrown: list[tuple[int, float]]


class _Flown(NamedTuple):
    """A launch that flies."""

    place: int
    key: tuple[int, str]
    pattern: str
    body: Body
    launch: Launch


@dataclass(frozen=True)
class _Chunk:
    """Requests whose impacts are under way."""

    first: int
    count: int
    owners: list[_Own]
    batch: Batch
    throws: Throws


def impacts_on(
    devices: Sequence[Device],
    requests: Sequence[Request],
    conditions: Conditions,
    level: Level = "default",
) -> Iterator[tuple[int, Impacts]]:
    """Compute the impacts that figures rest on, and their flights, chunk by chunk.

    While a card marches one chunk the next is packed.

    Parameters
    ----------
    devices : sequence of Device
        Of one kind; they take chunks in turn.
    requests : sequence of (Ball, tuple of str)
        Builds and the names of the figures wanted of each.
    conditions : Conditions
        Swings, aerodynamics, air and precision.
    level : {"default", "fine"}
        Mesh.

    Yields
    ------
    (int, Impacts)
        A request's place, and its impacts.
    """
    step = min(CHUNK, max(1, -(-len(requests) // len(devices))))
    firsts = range(0, len(requests), step)
    with ThreadPoolExecutor(len(devices)) as ahead:  # packs while this thread uses what is done

        def start(turn: int) -> Future[_Chunk]:
            part = requests[firsts[turn] : firsts[turn] + step]
            device = devices[turn % len(devices)]
            return ahead.submit(_started, device, firsts[turn], part, conditions, level)

        waiting = deque(map(start, range(min(len(devices), len(firsts)))))
        for turn in range(len(firsts)):
            chunk = waiting.popleft().result()
            if turn + len(devices) < len(firsts):
                waiting.append(start(turn + len(devices)))
            yield from _finished(chunk, conditions)


def _started(
    device: Device,
    first: int,
    part: Sequence[Request],
    conditions: Conditions,
    level: Level,
) -> _Chunk:
    owners, wanted = [], []
    for i, (ball, names) in enumerate(part):
        behind = impacts_behind(names, len(ball.layer), conditions)
        for count in sorted({count for count, _ in (*behind.launches, *behind.barrier)}):
            keys = [key for key in behind.launches if key[0] == count]
            thrown = [key for key in behind.barrier if key[0] == count]
            body = ball.stage(count).body()
            owners.append(
                _Own(i, ball.dimple_pattern, body, keys, frozenset(behind.flights), thrown)
            )
            strikes = tuple(conditions.swings.find(swing).strike() for _, swing in keys)
            wanted.append(Wanted(body, strikes))
    batch = Batch(device, wanted, conditions.precision, level)
    speeds = [(own.body, tuple(speed for _, speed in own.thrown)) for own in owners]
    return _Chunk(first, len(part), owners, batch, Throws(device, speeds, level))


def _finished(chunk: _Chunk, conditions: Conditions) -> Iterator[tuple[int, Impacts]]:
    launches: list[dict[tuple[int, str], Any]] = [{} for _ in range(chunk.count)]
    flights: list[dict[tuple[int, str], Any]] = [{} for _ in range(chunk.count)]
    barrier: list[dict[tuple[int, float], Any]] = [{} for _ in range(chunk.count)]
    flown: list[_Flown] = []
    for own, found in zip(chunk.owners, chunk.batch.outcomes(), strict=True):
        for key, outcome in zip(own.keys, found, strict=True):
            launches[own.place][key] = outcome
            if key in own.flown and isinstance(outcome, Launch):
                flown.append(_Flown(own.place, key, own.pattern, own.body, outcome))
    for own, thrown in zip(chunk.owners, chunk.throws.outcomes(), strict=True):
        barrier[own.place] |= dict(zip(own.thrown, thrown, strict=True))
    for i, flight in _flights(flown, conditions).items():
        flights[flown[i].place][flown[i].key] = flight
    for i in range(chunk.count):
        yield chunk.first + i, Impacts(launches[i], flights[i], barrier[i])


def _flights(flown: Sequence[_Flown], conditions: Conditions) -> "dict[int, Flight]":
    """Fly all launches under one law and weather at once.

    A launch that cannot fly is left to its bench, which says why: no other fails with it.
    """
    groups: dict[tuple[str, str], list[int]] = {}
    for i, one in enumerate(flown):
        groups.setdefault((one.pattern, one.key[1]), []).append(i)
    found: dict[int, Flight] = {}
    waiting = list(groups.items())
    for (pattern, swing), members in waiting:
        try:
            together = _flown_by(pattern, swing, [flown[i] for i in members], conditions)
        except InputError:
            if len(members) > 1:
                waiting += [((pattern, swing), [i]) for i in members]
            continue
        columns = {field.name: getattr(together, field.name) for field in fields(together)}
        for k, i in enumerate(members):
            own = {name: column[..., k : k + 1] for name, column in columns.items()}
            found[i] = type(together)(**own)
    return found


def _flown_by(
    pattern: str, swing: str, flown: Sequence[_Flown], conditions: Conditions
) -> "Flight":
    from layers.flight.trajectory import fly

    weather = conditions.weather(swing)
    return fly(
        np.array([one.launch.ball_speed for one in flown]),
        np.array([one.launch.launch_angle for one in flown]),
        np.array([max(one.launch.spin, 0.0) for one in flown]),
        mass=np.array([mass(one.body) for one in flown]),
        diameter=np.array([2.0 * float(one.body.outer_radius[-1]) for one in flown]),
        air=weather.air,
        wind=weather.wind,
        law=conditions.law_of(pattern),
    )


def impacts_behind(names: Sequence[str], layers: int, conditions: Conditions) -> Impacts:
    """List the impacts that figures rest on, as keys of `Impacts` without values.

    Parameters
    ----------
    names : sequence of str
        Of the figures.
    layers : int
        Of the ball.
    conditions : Conditions
        Where swings are found.
    """
    launches: dict[tuple[int, str], Any] = {}
    flights: dict[tuple[int, str], Any] = {}
    barrier: dict[tuple[int, float], Any] = {}
    for name in map(parse_figure, names):
        count, quantity = name.stage or layers, QUANTITIES[name.quantity]
        if count > layers:
            continue
        if quantity.of == "club":
            flights |= dict.fromkeys((count, s) for s in conditions.swings.of_club(str(name.swing)))
        elif quantity.of == "swing":
            rest = launches if name.quantity in OF_LAUNCH else flights
            rest[count, str(name.swing)] = None
        elif quantity.condition in ("speed", "speeds"):
            barrier |= dict.fromkeys((count, speed) for speed in name.condition)
    return Impacts(launches | flights, flights, barrier)


def estimate_many(
    balls: Iterable[Ball],
    figures: str | Sequence[str] = BALL_FIGURES,
    mapper: Callable[..., Iterable[Any]] = map,
    device: str = "cpu",
    conditions: Conditions | None = None,
) -> list[Estimate]:
    """Estimate a batch, in order.

    Parameters
    ----------
    balls : iterable of Ball
        The builds.
    figures : str or sequence of str
        Names of the figures wanted of each.
    mapper : callable
        ``map`` or an executor's ``map``: figures do not depend on it, to the last bit.
    device : str
        Where impacts are computed: "cpu", "gpu", "gpu:1" or "gpu-or-cpu", see `devices_for`.
    conditions : Conditions, optional
        Swings, aerodynamics, air and precision; the shipped ones otherwise.

    Raises
    ------
    InputError
        If there is no card where one is asked for.
    """
    balls = list(balls)
    asked = (figures,) if isinstance(figures, str) else tuple(figures)
    cards = devices_for(device)
    conditions = conditions or Conditions()
    count = len(balls)
    if cards is None:
        return list(mapper(estimate, balls, [asked] * count, [conditions] * count))
    requests = [(ball.checked(), asked) for ball in balls]
    found = dict(impacts_on(cards, requests, conditions))
    impacts = [found[i] for i in range(count)]
    levels = ["default"] * count
    return list(mapper(estimate, balls, [asked] * count, [conditions] * count, levels, impacts))
