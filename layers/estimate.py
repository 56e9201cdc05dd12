"""The one door: every figure of a ball or of a stage of it, with its basis and its error.

A figure is asked for by name: ``quantity``, ``quantity@condition``, ``stage2.quantity``; for example
``mass_g``, ``speed_ratio@38.1``, ``deflection_mm@98-1275``, ``stage1.deflection_mm``.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field
from difflib import get_close_matches
from functools import cached_property
from typing import Any, Literal

from layers import inertia
from layers.ball import Ball, Body
from layers.errors import InputError, SolverError

Basis = Literal["closed form", "finite element", "emulator", "calibrated"]

# Changes whenever a figure's value can change: part of the ledger's content hash.
MODEL_VERSION = "1"


@dataclass(frozen=True)
class Figure:
    """One estimated number.

    Attributes
    ----------
    name, value, unit : str, float, str
        What it is; the value is in the unit.
    basis : str
        What it rests on: closed form, finite element, emulator or calibrated.
    difference_error : float
        Half width, in the unit, within which the difference of this figure between two builds of
        the same materials is trusted: the numerical error of the model.
    absolute_error : float
        Half width within which the number itself is trusted: it adds what is not known of the
        materials, and only calibration on the lab's own measurements narrows it.
    flag : str
        Empty, or a sentence that says why the figure should not be relied on.
    """

    name: str
    value: float
    unit: str
    basis: Basis
    difference_error: float
    absolute_error: float
    flag: str = ""


@dataclass(frozen=True)
class Estimate:
    """The figures of one ball; a figure that could not be computed stands in `failed` with why."""

    ball: Ball
    figures: dict[str, Figure]
    failed: dict[str, str] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Figure:
        """Return a figure by the name it was asked for."""
        if name in self.failed:
            raise SolverError(f"{name} of {self.ball.name} was not computed: {self.failed[name]}")
        return self.figures[name]

    def as_record(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "ball": self.ball.model_dump(mode="json"),
            "figures": {name: asdict(figure) for name, figure in self.figures.items()},
            "failed": dict(self.failed),
        }


@dataclass(frozen=True)
class Quantity:
    """What can be asked for.

    `difference_percent` is measured: the largest disagreement between default and fine meshes over
    random builds (docs/accuracy.md). `absolute_percent` is a judgement: the scatter of uncalibrated
    materials carried through the model.
    """

    unit: str
    help: str
    basis: Basis
    condition: Literal["none", "speed", "loads"]
    default: tuple[float, ...]
    difference_percent: float
    absolute_percent: float
    compute: Callable[["_Bench", tuple[float, ...]], tuple[float, str]]


class _Bench:
    """One body on the test bench: each test is run once, whatever the number of figures it gives."""

    def __init__(self, body: Body) -> None:
        self.body = body
        self._impacts: dict[float, Any] = {}

    @cached_property
    def curve(self) -> Any:
        from layers.compression import compress

        return compress(self.body)

    @cached_property
    def mode(self) -> Any:
        from layers.vibration import first_spheroidal_mode

        return first_spheroidal_mode(self.body)

    def impact(self, speed: float) -> Any:
        from layers.impact import barrier_impact

        if speed not in self._impacts:
            self._impacts[speed] = barrier_impact(self.body, speed)
        return self._impacts[speed]


def _exact(function: Callable[[Body], float], scale: float) -> Callable[..., tuple[float, str]]:
    return lambda bench, _: (function(bench.body) * scale, "")


def _diameter(bench: _Bench, _: tuple[float, ...]) -> tuple[float, str]:
    return 2e3 * float(bench.body.outer_radius[-1]), ""


def _deflection(bench: _Bench, loads: tuple[float, ...]) -> tuple[float, str]:
    low, high = loads
    curve = bench.curve
    return 1e3 * (curve.deflection_at(high) - curve.deflection_at(low)), curve.flag


def _mode(bench: _Bench, _: tuple[float, ...]) -> tuple[float, str]:
    return bench.mode.frequency, ""


def _of_impact(attribute: str, scale: float) -> Callable[..., tuple[float, str]]:
    def compute(bench: _Bench, condition: tuple[float, ...]) -> tuple[float, str]:
        impact = bench.impact(condition[0])
        return getattr(impact, attribute) * scale, impact.flag

    return compute


def _slope(bench: _Bench, condition: tuple[float, ...]) -> tuple[float, str]:
    slow, fast = bench.impact(condition[0]), bench.impact(condition[1])
    slope = (fast.speed_ratio - slow.speed_ratio) / (condition[1] - condition[0])
    return slope, slow.flag or fast.flag


def _initial_velocity(bench: _Bench, condition: tuple[float, ...]) -> tuple[float, str]:
    from layers.impact import initial_velocity

    impact = bench.impact(condition[0])
    return initial_velocity(impact.speed_ratio, condition[0]), impact.flag


# Test speeds: 125 ft/s, and the 143.8 ft/s striker of the initial-velocity test.
_BALL_TEST, _STRIKER = (38.1,), (43.83,)

QUANTITIES: dict[str, Quantity] = {
    "mass_g": Quantity("g", "mass", "closed form", "none", (), 0.0, 0.5, _exact(inertia.mass, 1e3)),
    "diameter_mm": Quantity("mm", "outer diameter", "closed form", "none", (), 0.0, 0.1, _diameter),
    "inertia_g_cm2": Quantity(
        "g cm2",
        "moment of inertia about a diameter",
        "closed form",
        "none",
        (),
        0.1,
        0.7,
        _exact(inertia.moment_of_inertia, 1e7),
    ),
    "inertia_ratio": Quantity(
        "1",
        "moment of inertia over mass and radius squared; 0.4 for an even sphere",
        "closed form",
        "none",
        (),
        0.1,
        0.3,
        _exact(inertia.inertia_ratio, 1.0),
    ),
    "mean_density_g_cm3": Quantity(
        "g/cm3",
        "mass over the sphere's volume",
        "closed form",
        "none",
        (),
        0.0,
        0.5,
        _exact(inertia.mean_density, 1e-3),
    ),
    "deflection_mm": Quantity(
        "mm",
        "deflection between flat plates from the first load to the second, N",
        "finite element",
        "loads",
        (98.0665, 1274.8645),
        0.5,
        15.0,
        _deflection,
    ),
    "mode_hz": Quantity(
        "Hz",
        "frequency of the first spheroidal mode",
        "finite element",
        "none",
        (),
        0.5,
        10.0,
        _mode,
    ),
    "speed_ratio": Quantity(
        "1",
        "rebound speed over inbound speed (m/s) on a rigid barrier",
        "finite element",
        "speed",
        _BALL_TEST,
        0.3,
        3.0,
        _of_impact("speed_ratio", 1.0),
    ),
    "speed_ratio_slope": Quantity(
        "s/m",
        "change of the speed ratio per m/s between two inbound speeds",
        "finite element",
        "loads",
        (38.1, 43.83),
        10.0,
        40.0,
        _slope,
    ),
    "contact_time_us": Quantity(
        "us",
        "time on a rigid barrier at this inbound speed (m/s)",
        "finite element",
        "speed",
        _STRIKER,
        0.5,
        8.0,
        _of_impact("contact_time", 1e6),
    ),
    "peak_force_n": Quantity(
        "N",
        "greatest force on a rigid barrier at this inbound speed (m/s)",
        "finite element",
        "speed",
        _STRIKER,
        1.0,
        10.0,
        _of_impact("peak_force", 1.0),
    ),
    "shortening_mm": Quantity(
        "mm",
        "greatest shortening on a rigid barrier at this inbound speed (m/s)",
        "finite element",
        "speed",
        _STRIKER,
        0.5,
        10.0,
        _of_impact("greatest_shortening", 1e3),
    ),
    "initial_velocity_m_s": Quantity(
        "m/s",
        "speed off a heavy rigid striker of this speed (m/s)",
        "finite element",
        "speed",
        _STRIKER,
        0.15,
        1.5,
        _initial_velocity,
    ),
}

DEFAULT_FIGURES = tuple(QUANTITIES)

_NAME = re.compile(
    r"(?:stage(?P<stage>[1-6])\.)?(?P<quantity>[a-z0-9_]+)(?:@(?P<condition>[0-9.]+(?:-[0-9.]+)?))?"
)


@dataclass(frozen=True)
class FigureName:
    """A parsed figure name; `stage` is None for the whole ball."""

    stage: int | None
    quantity: str
    condition: tuple[float, ...]


def parse_figure(name: str) -> FigureName:
    """Parse a figure's name.

    Raises
    ------
    InputError
        If the quantity is unknown or the condition does not fit it; the nearest name is offered.
    """
    match = _NAME.fullmatch(name)
    quantity = match["quantity"] if match else name
    if match is None or quantity not in QUANTITIES:
        near = get_close_matches(quantity, QUANTITIES, n=1, cutoff=0.4)
        hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(QUANTITIES)}."
        raise InputError(f"figure {name!r} is not known; {hint}")
    known = QUANTITIES[quantity]
    condition = known.default
    if match["condition"]:
        condition = _condition(name, match["condition"], known)
    return FigureName(int(match["stage"]) if match["stage"] else None, quantity, condition)


_CONDITION_RANGE = {"speed": (0.5, 80.0, "a speed in m/s"), "loads": (0.5, 5000.0, "two values")}


def _condition(name: str, text: str, known: Quantity) -> tuple[float, ...]:
    if known.condition == "none":
        raise InputError(f"figure {name!r} takes no condition after @.")
    low, high, what = _CONDITION_RANGE[known.condition]
    try:
        values = tuple(float(part) for part in text.split("-"))
    except ValueError:
        values = ()
    if len(values) != len(known.default) or not all(low <= v <= high for v in values):
        raise InputError(
            f"figure {name!r}: after @ stands {text!r}, but must be {what}, each from {low:g} to "
            f"{high:g}{', joined by -' if len(known.default) == 2 else ''}."
        )
    if len(values) == 2 and values[0] >= values[1]:
        raise InputError(f"figure {name!r}: the first value after @ must be below the second.")
    return values


def estimate(ball: Ball, figures: Sequence[str] = DEFAULT_FIGURES) -> Estimate:
    """Compute figures of a ball; each physical test is run at most once.

    Parameters
    ----------
    ball : Ball
        The build.
    figures : sequence of str
        Names of the figures wanted.

    Returns
    -------
    Estimate
        A figure whose computation broke down stands in `failed`, never as a number.

    Raises
    ------
    InputError
        If a figure's name is unknown or names a stage that the ball does not have.
    """
    benches: dict[int, _Bench] = {}
    done: dict[str, Figure] = {}
    failed: dict[str, str] = {}
    for name in figures:
        parsed = parse_figure(name)
        count = parsed.stage or len(ball.layer)
        if count not in benches:
            benches[count] = _Bench(ball.stage(count).body())
        known = QUANTITIES[parsed.quantity]
        try:
            value, flag = known.compute(benches[count], parsed.condition)
        except (SolverError, InputError) as error:
            failed[name] = str(error)
            continue
        done[name] = Figure(
            name=name,
            value=float(value),
            unit=known.unit,
            basis=known.basis,
            difference_error=abs(value) * known.difference_percent / 100.0,
            absolute_error=abs(value) * known.absolute_percent / 100.0,
            flag=flag,
        )
    return Estimate(ball, done, failed)


def estimate_many(
    balls: Iterable[Ball],
    figures: Sequence[str] = DEFAULT_FIGURES,
    mapper: Callable[..., Iterable[Estimate]] = map,
) -> list[Estimate]:
    """Estimate a batch, in order.

    Parameters
    ----------
    balls : iterable of Ball
        The builds.
    figures : sequence of str
        Names of the figures wanted of each.
    mapper : callable
        ``map`` or an executor's ``map``: figures do not depend on it, to the last bit.
    """
    balls = list(balls)
    return list(mapper(estimate, balls, [tuple(figures)] * len(balls)))
