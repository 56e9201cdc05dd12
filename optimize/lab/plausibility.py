"""Readings that cannot be right: given twice, far from their replicates, or far from theory."""

import math
from collections.abc import Iterator

import numpy as np

from layers.ball import Ball
from layers.estimation import estimate
from layers.figures import QUANTITIES, FigureName, parse_figure
from optimize.lab.readings import Measurements, Reading
from optimize.lab.uncertainty import lab_data

# Other units in which a figure may have been noted: factor to the expected unit.
OTHER_UNITS = {
    "mm": {"in": 25.4, "cm": 10.0, "1/1000 in": 0.0254, "um": 1e-3},
    "g": {"oz": 28.349523, "kg": 1000.0, "lb": 453.59237, "mg": 1e-3},
    "g cm2": {"kg m2": 1e7, "g mm2": 0.01, "oz in2": 182.9},
    "m/s": {"ft/s": 0.3048, "mph": 0.44704, "km/h": 1.0 / 3.6},
    "us": {"ms": 1e3, "s": 1e6},
    "Hz": {"kHz": 1e3},
    "N": {"kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216},
    "rpm": {"rad/s": 30.0 / math.pi, "1/s": 60.0},
    "m": {"yd": 0.9144, "ft": 0.3048},
    "deg": {"rad": 180.0 / math.pi},
    "1": {"%": 0.01},
    "g/cm3": {"kg/m3": 1e-3},
    "s": {},
}


# A reading further than this from the median of its replicates is a slip, not scatter.
_MOST_RATIO = 1.5


def unit_hint(value: float, unit: str, low: float, high: float) -> str:
    """Suggest the unit in which a value would be plausible; empty if there is none.

    Parameters
    ----------
    value : float
        As noted.
    unit : str
        The expected unit.
    low, high : float
        Plausible range, in that unit.
    """
    for other, factor in OTHER_UNITS[unit].items():
        if low <= value * factor <= high:
            return f" (noted in {other}?)"
    return ""


def duplicates(found: Measurements) -> Iterator[str]:
    """Find readings that are given twice."""
    seen: dict[tuple[str, FigureName, str], str] = {}
    for r in found.reading:
        key = (r.build, parse_figure(r.figure), r.replicate)
        if key in seen:
            which = f", replicate {r.replicate}" if r.replicate else ""
            hint = "" if r.replicate else "; number replicates in a column 'replicate'"
            yield f"{r.place}: {r.figure} of {r.build}{which} is also in {seen[key]}{hint}"
        seen.setdefault(key, r.place)


def far_from_replicates(found: Measurements) -> Iterator[str]:
    """Find readings so far from their replicates that digits or unit must be wrong."""
    for group in found.groups():
        middle = float(np.median(group.values))
        unit = QUANTITIES[parse_figure(group.figure).quantity].unit
        for r in group.reading if len(group.reading) > 2 else ():
            if not middle / _MOST_RATIO <= r.value <= middle * _MOST_RATIO:
                hint = unit_hint(r.value, unit, middle / _MOST_RATIO, middle * _MOST_RATIO)
                yield (
                    f"{r.place} is {r.value:g} {unit}, but the other replicates of "
                    f"{group.figure} of {group.build} are near {middle:.4g}{hint}"
                )


def off_theory(found: Measurements, balls: dict[str, Ball]) -> Iterator[str]:
    """Find closed-form figures too far from what the build's sizes and densities give."""
    limits: dict[Reading, tuple[float, float, float]] = {}
    theory: dict[tuple[str, str], float] = {}
    for r in found.reading:
        near = lab_data().figure[parse_figure(r.figure).quantity].near_percent
        if near is not None:
            which = (r.build, r.figure)
            if which not in theory:
                theory[which] = estimate(balls[r.build], [r.figure])[r.figure].value
            value = theory[which]
            away = value * near / 100.0
            limits[r] = (value, value - away, value + away)
    for r, (value, low, high) in limits.items():
        if low <= r.value <= high:
            continue
        unit = QUANTITIES[parse_figure(r.figure).quantity].unit
        hint = unit_hint(r.value, unit, low, high)
        for other, (_, other_low, other_high) in limits.items():
            same = other.build == r.build and other.replicate == r.replicate and other is not r
            if same and low <= other.value <= high and other_low <= r.value <= other_high:
                hint = f" (swapped with {other.place}?)"
        yield (
            f"{r.place} is {r.value:g}, but {r.figure} of {r.build} must be within "
            f"{100.0 * (high / value - 1.0):.0f} % of {value:.4g} {unit} that its sizes and "
            f"densities give{hint}"
        )
