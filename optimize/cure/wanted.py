"""A wanted hardness profile, and what may be changed to reach it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.cure.hardening import shore_c
from layers.errors import InputError
from layers.files.csv import MOST_CSV_BYTES, Column, checked_rows
from layers.files.paths import StrPath
from layers.files.text import read_text

# Columns of a file of a wanted profile; `place` names each row.
COLUMNS: dict[str, Column | str] = {
    "place": "a name for the row, once",
    "position_mm": Column("mm", "from the centre", 0.0, 25.0),
    "shore_c": Column("Shore C", "wanted there", 30.0, 95.0),
}
# Places of a profile that is given by its ends.
_PLACES = 7

# What a press and a mill can do, and the ranges that are searched where none are given; common
# practice, from memory.
RANGES: dict[str, Column] = {
    "platen_celsius": Column("deg C", "platen temperature", 145.0, 185.0),
    "minutes": Column("min", "time in the press", 8.0, 30.0),
    "coagent_phr": Column("phr", "co-agent", 15.0, 40.0),
    "peroxide_phr": Column("phr", "peroxide, active parts", 0.3, 1.5),
}
# Widest that a range may be set to.
_WIDEST = {
    "platen_celsius": (60.0, 240.0),
    "minutes": (1.0, 240.0),
    "coagent_phr": (0.0, 80.0),
    "peroxide_phr": (0.01, 10.0),
}


@dataclass(frozen=True)
class Wanted:
    """A hardness profile to reach: positions from the centre, mm, and Shore C there, (k,)."""

    position_mm: FloatArray
    shore_c: FloatArray


def between_ends(
    centre_shore_c: float, surface_shore_c: float, shape: float, diameter_mm: float
) -> Wanted:
    """Return S(r) = centre + (surface - centre) (r / R)^shape.

    Parameters
    ----------
    centre_shore_c, surface_shore_c : float
        At the ends, 30 to 95.
    shape : float
        1 is straight; more keeps the change near the surface.
    diameter_mm : float
        Of the core as moulded.

    Raises
    ------
    InputError
        If a number is out of range.
    """
    for name, value in (("centre", centre_shore_c), ("surface", surface_shore_c)):
        if not 30.0 <= value <= 95.0:
            raise InputError(f"the wanted {name} is {value:g} Shore C, but must be from 30 to 95.")
    if not 0.1 <= shape <= 20.0:
        raise InputError(f"shape is {shape:g}, but must be from 0.1 to 20.")
    share = np.linspace(0.0, 1.0, _PLACES)
    rise = surface_shore_c - centre_shore_c
    return Wanted(0.5 * diameter_mm * share, centre_shore_c + rise * share**shape)


def of_ball(ball: Ball) -> Wanted:
    """Return the hardness profile of a ball's innermost layer, by its moduli.

    Raises
    ------
    InputError
        If a modulus is beyond what can be read in Shore C, 30 to 95.
    """
    radius = 0.5 * ball.diameter_of(1)
    at = np.linspace(0.0, radius, _PLACES)
    curve = ball.modulus_curve(1)
    mean = ball.layer[0].material.youngs_modulus_mpa.value
    modulus = mean * (curve.at(1e-3 * at) if curve else np.ones(len(at)))
    points = shore_c(modulus)
    if points.min() < 30.0 or points.max() > 95.0:
        raise InputError(
            f"the core of {ball.name} is {points.min():.0f} to {points.max():.0f} Shore C by its "
            "moduli, but must be from 30 to 95 to be read."
        )
    return Wanted(at, points)


def read_wanted(path: StrPath, diameter_mm: float) -> Wanted:
    """Read a wanted profile from a CSV file with columns ``place, position_mm, shore_c``.

    Raises
    ------
    InputError
        If the file is at fault, has fewer than two rows, or reaches beyond the core.
    """
    path = Path(path)
    numbers = {k: c for k, c in COLUMNS.items() if isinstance(c, Column)}
    rows = checked_rows(read_text(path, MOST_CSV_BYTES), "place", numbers, (), path.name)
    found = sorted((row.number["position_mm"], row.number["shore_c"], row.line) for row in rows)
    position = np.array([r for r, _, _ in found])
    if len(found) < 2 or np.any(np.diff(position) <= 0.0):
        raise InputError(f"{path.name} must have two rows or more, each at a place of its own.")
    if position[-1] > 0.5 * diameter_mm:
        raise InputError(
            f"{path.name}: row {found[-1][2]}, position_mm is {position[-1]:g}, but the core of "
            f"{diameter_mm:g} mm ends at {0.5 * diameter_mm:g}."
        )
    return Wanted(position, np.array([s for _, s, _ in found]))


def ranges_from(given: Sequence[str]) -> dict[str, Column]:
    """Return the ranges to search, some of them replaced by ``NAME=LOW,HIGH``.

    Raises
    ------
    InputError
        If one is not of this form, of another name, or out of range.
    """
    ranges = dict(RANGES)
    for text in given:
        name, _, ends = text.partition("=")
        try:
            low, high = (float(part) for part in ends.split(","))
        except ValueError:
            low, high = np.nan, np.nan
        if name not in ranges or not low < high:
            raise InputError(
                f"range {text!r} must be NAME=LOW,HIGH with one of {', '.join(ranges)}."
            )
        least, most = _WIDEST[name]
        if not least <= low <= high <= most:
            raise InputError(
                f"range {text!r} must be within {least:g} to {most:g} {ranges[name].unit}."
            )
        ranges[name] = replace(ranges[name], low=low, high=high)
    return ranges
