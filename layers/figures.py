"""Figures: what can be asked of a ball, by name, and what an answer says of itself.

A name is ``quantity`` or ``quantity@condition``, before which a stage or a swing may stand:
``mass_g``, ``cor@38.1``, ``deflection_mm@98-1275``, ``stage1.deflection_mm``,
``driver fast.spin_rpm``. A figure over the profiles of a club names the club:
``driver.carry_range_m``.
"""

import re
from dataclasses import asdict, dataclass, field
from difflib import get_close_matches
from typing import Any, Literal

from layers.ball import Ball
from layers.errors import InputError, SolverError

Basis = Literal["closed form", "finite element", "emulator", "calibrated"]


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
        Empty, or a sentence that says why the figure should not be relied on: the computation went
        wrong.
    caution : str
        Empty, or a sentence that says where the computation, sound in itself, leaves what its
        models were measured for: levels are doubtful there, rankings less so.
    """

    name: str
    value: float
    unit: str
    basis: Basis
    difference_error: float
    absolute_error: float
    flag: str = ""
    caution: str = ""


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
    materials carried through the model. `of` says what it belongs to: a body (ball or stage), a
    swing, or a club over its profiles.
    """

    unit: str
    help: str
    basis: Basis
    difference_percent: float
    absolute_percent: float
    of: Literal["body", "swing", "club"] = "body"
    condition: Literal["none", "speed", "loads", "speeds"] = "none"
    default: tuple[float, ...] = ()


# Test speeds: 125 ft/s, and the 143.8 ft/s striker of the initial-velocity test. Loads: 10 and
# 130 kgf.
_BALL_TEST, _STRIKER, _LOADS = (38.1,), (43.83,), (98.0665, 1274.8645)

_CLOSED: Basis = "closed form"
_FINITE: Basis = "finite element"

QUANTITIES: dict[str, Quantity] = {
    "mass_g": Quantity("g", "mass", _CLOSED, 0.0, 0.5),
    "diameter_mm": Quantity("mm", "outer diameter", _CLOSED, 0.0, 0.1),
    "moi_g_cm2": Quantity("g cm2", "moment of inertia about a diameter", _CLOSED, 0.1, 0.7),
    "moi_ratio": Quantity(
        "1",
        "moment of inertia over mass and radius squared; 0.4 for an even sphere",
        _CLOSED,
        0.1,
        0.3,
    ),
    "mean_density_g_cm3": Quantity("g/cm3", "mass over the sphere's volume", _CLOSED, 0.0, 0.5),
    "deflection_mm": Quantity(
        "mm",
        "deflection between flat plates from the first load to the second, N",
        _FINITE,
        0.35,
        15.0,
        condition="loads",
        default=_LOADS,
    ),
    "frequency_hz": Quantity("Hz", "frequency of the first spheroidal mode", _FINITE, 0.1, 10.0),
    "cor": Quantity(
        "1",
        "rebound speed over inbound speed (m/s) on a rigid barrier",
        _FINITE,
        0.12,
        3.0,
        condition="speed",
        default=_BALL_TEST,
    ),
    "cor_slope": Quantity(
        "s/m",
        "change of the speed ratio per m/s between two inbound speeds",
        _FINITE,
        10.0,
        40.0,
        condition="speeds",
        default=(*_BALL_TEST, *_STRIKER),
    ),
    "contact_time_us": Quantity(
        "us",
        "time on a rigid barrier at this inbound speed (m/s)",
        _FINITE,
        1.1,
        8.0,
        condition="speed",
        default=_STRIKER,
    ),
    "peak_force_n": Quantity(
        "N",
        "greatest force on a rigid barrier at this inbound speed (m/s)",
        _FINITE,
        1.1,
        10.0,
        condition="speed",
        default=_STRIKER,
    ),
    "peak_deformation_mm": Quantity(
        "mm",
        "greatest approach of the centre of mass to a rigid barrier at this inbound speed (m/s)",
        _FINITE,
        0.35,
        10.0,
        condition="speed",
        default=_STRIKER,
    ),
    "initial_velocity_m_s": Quantity(
        "m/s",
        "speed off a heavy rigid striker of this speed (m/s)",
        _FINITE,
        0.06,
        1.5,
        condition="speed",
        default=_STRIKER,
    ),
    "ball_speed_m_s": Quantity("m/s", "speed off the club", _FINITE, 0.5, 2.5, of="swing"),
    "launch_angle_deg": Quantity("deg", "launch angle off the club", _FINITE, 1.5, 8.0, of="swing"),
    "spin_rpm": Quantity("rpm", "backspin off the club", _FINITE, 3.0, 25.0, of="swing"),
    "smash_factor": Quantity("1", "ball speed over club speed", _FINITE, 0.5, 2.5, of="swing"),
    "strike_time_us": Quantity("us", "time on the club's face", _FINITE, 1.5, 8.0, of="swing"),
    "carry_m": Quantity("m", "carry, to the height of launch", _FINITE, 1.0, 11.0, of="swing"),
    "apex_m": Quantity("m", "greatest height of the flight", _FINITE, 3.0, 20.0, of="swing"),
    "descent_angle_deg": Quantity("deg", "angle of landing", _FINITE, 2.0, 12.0, of="swing"),
    "flight_time_s": Quantity("s", "time of flight", _FINITE, 1.5, 8.0, of="swing"),
    "landing_spin_rpm": Quantity("rpm", "backspin at landing", _FINITE, 3.0, 26.0, of="swing"),
    "total_m": Quantity(
        "m", "carry with a rough bounce-and-roll estimate", _FINITE, 2.0, 15.0, of="swing"
    ),
    "carry_range_m": Quantity(
        "m", "greatest less least carry over a club's profiles", _FINITE, 3.0, 20.0, of="club"
    ),
}

BALL_FIGURES = tuple(name for name, known in QUANTITIES.items() if known.of == "body")

_NAME = re.compile(
    r"(?:(?P<owner>[a-z0-9]+(?: [a-z0-9]+)*)\.)?"
    r"(?P<quantity>[a-z0-9_]+)"
    r"(?:@(?P<condition>[0-9.]+(?:-[0-9.]+)?))?"
)
_STAGE = re.compile(r"stage([0-9]+)")


@dataclass(frozen=True)
class FigureName:
    """A parsed name: `stage` of a figure of a stage, `swing` of a launch or flight (or a club)."""

    quantity: str
    condition: tuple[float, ...]
    stage: int | None = None
    swing: str | None = None


def parse_figure(name: str) -> FigureName:
    """Parse a figure's name.

    Raises
    ------
    InputError
        If the quantity is unknown or what stands before or after it does not fit; the nearest name
        is offered. Whether a swing exists is for `estimate` to say.
    """
    match = _NAME.fullmatch(name)
    quantity = match["quantity"] if match else name.rpartition(".")[2]
    if match is None or quantity not in QUANTITIES:
        near = get_close_matches(quantity, QUANTITIES, n=1, cutoff=0.4)
        hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(QUANTITIES)}."
        raise InputError(f"figure {name!r} is not known; {hint}")
    known = QUANTITIES[quantity]
    condition = known.default
    if match["condition"]:
        condition = _condition(name, match["condition"], known)
    owner = match["owner"]
    stage = _STAGE.fullmatch(owner) if owner else None
    if known.of == "body":
        if owner and not stage:
            raise InputError(
                f"figure {name!r}: {quantity} is of the ball or a stage, such as "
                f"{quantity} or stage1.{quantity}."
            )
        return FigureName(quantity, condition, stage=int(stage[1]) if stage else None)
    if not owner or stage:
        what, example = {
            "swing": ("a swing", "driver fast"),
            "club": ("a club over its profiles", "driver"),
        }[known.of]
        raise InputError(f"figure {name!r}: {quantity} is of {what}, such as {example}.{quantity}.")
    return FigureName(quantity, condition, swing=owner)


_CONDITION_RANGE = {
    "speed": (0.5, 80.0, "a speed in m/s"),
    "speeds": (0.5, 80.0, "two speeds in m/s"),
    "loads": (0.5, 5000.0, "two loads in N"),
}


def _condition(name: str, text: str, known: Quantity) -> tuple[float, ...]:
    if known.condition == "none":
        raise InputError(f"figure {name!r} takes no condition after @.")
    low, high, what = _CONDITION_RANGE[known.condition]
    try:
        values = tuple(float(part) for part in text.split("-"))
    except ValueError:
        values = ()
    if len(values) != len(known.default) or not all(low <= v <= high for v in values):
        each = ", each" if len(known.default) == 2 else ""
        joined = ", joined by -" if len(known.default) == 2 else ""
        raise InputError(
            f"figure {name!r}: after @ stands {text!r}, but must be {what}{each} from {low:g} to "
            f"{high:g}{joined}."
        )
    if len(values) == 2 and values[0] >= values[1]:
        raise InputError(f"figure {name!r}: the first value after @ must be below the second.")
    return values
