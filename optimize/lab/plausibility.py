"""Readings that cannot be right: given twice, far from their replicates, or far from theory."""

from collections.abc import Iterator

import numpy as np

from layers.ball import Ball
from layers.estimation import estimate
from layers.figures import QUANTITIES, FigureName, parse_figure
from layers.files.other_units import unit_hint
from optimize.lab.readings import Measurements, Reading
from optimize.lab.uncertainty import lab_data

# A reading further than this from the median of its replicates is a slip, not scatter.
_MOST_RATIO = 1.5


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
