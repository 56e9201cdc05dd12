"""Estimates of many builds: here, in processes, or with their impacts on a graphics card."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from layers.arrays import Level
from layers.ball import Ball, Body
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate
from layers.estimation import Tests, estimate, tests_of
from layers.figures import BALL_FIGURES
from layers.gpu.batch import Batch, Device, Wanted

Request = tuple[Ball, tuple[str, ...]]
Place = Literal["cpu", "gpu", "gpu-or-cpu"]
PLACES: tuple[Place, ...] = ("cpu", "gpu", "gpu-or-cpu")
# Builds whose impacts are on the card at once: enough to fill it, few enough to hold.
CHUNK = 1024


def device_for(place: str, tell: Callable[[str], None] | None = None) -> Device | None:
    """Return the graphics card, or None for the CPU.

    Parameters
    ----------
    place : {"cpu", "gpu", "gpu-or-cpu"}
        The last takes the CPU where there is no card, and says so.
    tell : callable, optional
        Called with that sentence.

    Raises
    ------
    InputError
        If the place is not known, or "gpu" has no card.
    """
    if place not in PLACES:
        raise InputError(f"device is {place!r}, but must be one of: {', '.join(PLACES)}.")
    if place == "cpu":
        return None
    from layers.gpu.card import find_card

    try:
        return find_card()
    except InputError as error:
        if place == "gpu":
            raise
        if tell:
            tell(f"The CPU computes: {error}")
        return None


@dataclass(frozen=True)
class _Chunk:
    """Requests whose impacts are under way: the keys of each, in the batch's order."""

    first: int
    keys: list[tuple[int, list[tuple[int, str]]]]
    batch: Batch


def impacts_on(
    device: Device,
    requests: Sequence[Request],
    conditions: Conditions,
    precision: str,
    level: Level = "default",
) -> Iterator[tuple[int, Tests]]:
    """Compute the impacts that figures rest on, chunk by chunk.

    While the card marches one chunk the next is packed.

    Parameters
    ----------
    device : Device
    requests : sequence of (Ball, tuple of str)
        Builds and the names of the figures wanted of each.
    conditions : Conditions
        Where swings are found.
    precision : {"single", "double"}
        On the card.
    level : {"default", "fine"}
        Mesh.

    Yields
    ------
    (int, Tests)
        A request's place, and its impacts.
    """
    before: _Chunk | None = None
    for first in range(0, len(requests), CHUNK):
        part = requests[first : first + CHUNK]
        chunk = _started(device, first, part, conditions, precision, level)
        if before:
            yield from _finished(before, len(requests))
        before = chunk
    if before:
        yield from _finished(before, len(requests))


def _started(
    device: Device,
    first: int,
    requests: Sequence[Request],
    conditions: Conditions,
    precision: str,
    level: Level,
) -> _Chunk:
    keys, wanted = [], []
    for i, (ball, names) in enumerate(requests):
        stages: dict[int, list[tuple[int, str]]] = {}
        for key in tests_of(ball, names, conditions).launches:
            stages.setdefault(key[0], []).append(key)
        for count, own in stages.items():
            body: Body = ball.stage(count).body()
            strikes = tuple(conditions.swings.find(swing).strike() for _, swing in own)
            keys.append((i, own))
            wanted.append(Wanted(body, strikes))
    return _Chunk(first, keys, Batch(device, wanted, precision, level))


def _finished(chunk: _Chunk, total: int) -> Iterator[tuple[int, Tests]]:
    launches: dict[int, dict[tuple[int, str], Any]] = {
        i: {} for i in range(min(CHUNK, total - chunk.first))
    }
    for (i, own), outcomes in zip(chunk.keys, chunk.batch.outcomes(), strict=True):
        launches[i] |= dict(zip(own, outcomes, strict=True))
    for i, found in launches.items():
        yield chunk.first + i, Tests(found)


def estimate_many(
    balls: Iterable[Ball],
    figures: str | Sequence[str] = BALL_FIGURES,
    mapper: Callable[..., Iterable[Any]] = map,
    device: Place = "cpu",
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
    device : {"cpu", "gpu", "gpu-or-cpu"}
        Where impacts on a club are computed; the last takes the CPU where there is no card.
    conditions : Conditions, optional
        Swings, aerodynamics, air and precision; the shipped ones otherwise.

    Raises
    ------
    InputError
        If there is no card where one is asked for.
    """
    balls = list(balls)
    asked = (figures,) if isinstance(figures, str) else tuple(figures)
    card = device_for(device)
    conditions = conditions or Conditions()
    count = len(balls)
    if card is None:
        return list(mapper(estimate, balls, [asked] * count, [conditions] * count))
    requests = [(ball.checked(), asked) for ball in balls]
    found = dict(impacts_on(card, requests, conditions, precision_of(conditions)))
    tests = [found[i] for i in range(count)]
    levels = ["default"] * count
    return list(mapper(estimate, balls, [asked] * count, [conditions] * count, levels, tests))


def precision_of(conditions: Conditions) -> str:
    """Return the precision of impacts under these conditions."""
    return str(getattr(conditions, "precision", "double"))
