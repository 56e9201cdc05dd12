"""How far the difference of two builds is known: what their errors share cancels.

A difference has independent parts, each a 95 % half width in the figure's unit:

- ``mesh``: discretisation. Builds near each other share most of it; those of other layer counts
  share none.
- ``contact law``: the stiffness of the contact between ball and club face, as the mesh.
- ``materials``: numbers of cards that only one of the two builds has, each by its grade. What cards
  of one family take from the family is common to both.
- ``shared law``: cards, club, friction and aerodynamics that both builds have move both figures
  together: the difference is in error as the figure is, relative to itself.
- ``drag and lift``: what measured rows leave open of two dimple patterns, where the builds have
  different ones; one pattern's cancels.
- ``prediction``: the emulator's own error, where a figure is predicted; the calibration's, where it
  is calibrated.

`resolution.toml` has the fitted numbers; docs/accuracy.md says how far they hold.
"""

import math
from collections.abc import Sequence
from functools import cache
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.estimates import Difference, Estimate, Figure
from layers.figures import QUANTITIES, parse_figure
from layers.files.cards import shipped_toml
from layers.resolution.materials import material_deviation
from layers.resolution.nearness import distance_squared, nearness

NINETY_FIVE = 1.96


def difference(reference: Estimate, other: Estimate, name: str) -> Difference:
    """Subtract a figure of a reference ball from that of another.

    Parameters
    ----------
    reference, other : Estimate
        The reference, and the ball compared with it.
    name : str
        The figure; both must have it.

    Returns
    -------
    Difference
        With its error by parts.

    Raises
    ------
    InputError
        If a figure is not there.
    """
    first, second = reference[name], other[name]
    change = second.value - first.value
    parts = _parts(first, second, reference.ball, other.ball)
    error = math.sqrt(sum(part**2 for part in parts.values()))
    return Difference(first.name, change, first.unit, error, parts)


def differences(reference: Estimate, other: Estimate) -> dict[str, Difference]:
    """Subtract the figures of a reference ball from those of another.

    Parameters
    ----------
    reference, other : Estimate
        The reference, and the ball compared with it.

    Returns
    -------
    dict of str to Difference
        By name, of the figures that both have.
    """
    return {
        name: difference(reference, other, name)
        for name in other.figures
        if name in reference.figures
    }


def half_widths(estimates: Sequence[Estimate], name: str) -> FloatArray:
    """Return the error of the difference of every two of some builds.

    Parameters
    ----------
    estimates : sequence of Estimate
        n builds that have the figure.
    name : str
        The figure.

    Returns
    -------
    (n, n) array
        95 % half widths in the figure's unit; 0 on the diagonal.
    """
    found = np.zeros((len(estimates), len(estimates)))
    for i, j in combinations(range(len(estimates)), 2):
        found[i, j] = found[j, i] = difference(estimates[i], estimates[j], name).error
    return found


def _parts(first: Figure, second: Figure, one: Ball, two: Ball) -> dict[str, float]:
    parsed = parse_figure(first.name)
    known = QUANTITIES[parsed.quantity]
    if parsed.stage:
        one, two = one.stage(parsed.stage), two.stage(parsed.stage)
    level = 0.5 * (abs(first.value) + abs(second.value))
    model = model_of(parsed.quantity)
    square = distance_squared(one, two, model.weight)
    left = nearness(square, model.floor, model.power)
    own = [min(f.difference_error, known.difference_error(f.value)) for f in (first, second)]
    rest = [
        math.sqrt(f.difference_error**2 - e**2) for f, e in zip((first, second), own, strict=True)
    ]
    if "calibrated" in (first.basis, second.basis):
        rest.append(math.hypot(first.absolute_error, second.absolute_error))
    parts = {
        "mesh": model.far * math.hypot(*own) * left,
        "contact law": level * model.contact_percent / 100.0 * left,
        "materials": NINETY_FIVE * level * material_deviation(one, two, model.sensitivity),
        "shared law": abs(second.value - first.value) * known.absolute_percent / 100.0,
        "drag and lift": _of_patterns(first, second, one, two),
        "prediction": math.hypot(*rest),
    }
    return {name: part for name, part in parts.items() if part > 0.0}


def _of_patterns(first: Figure, second: Figure, one: Ball, two: Ball) -> float:
    """Return what two patterns' tables leave open, as the figures' own errors have it."""
    if one.dimple_pattern == two.dimple_pattern:
        return 0.0
    if {first.basis, second.basis} != {"finite element"}:
        return 0.0
    percent = QUANTITIES[parse_figure(first.name).quantity].absolute_percent
    squares = [f.absolute_error**2 - (abs(f.value) * percent / 100.0) ** 2 for f in (first, second)]
    # Errors that are the judged ones alone leave the rounding of their squares.
    kept = [
        square if square > 1e-9 * f.absolute_error**2 else 0.0
        for square, f in zip(squares, (first, second), strict=True)
    ]
    return math.sqrt(sum(kept))


class Model(NamedTuple):
    """The numbers of one figure.

    `far` is the error of a difference of builds far apart over the root sum of squares of their
    own; `floor` what is left of it for the nearest builds, `power` how fast it grows.
    """

    far: float
    floor: float
    power: float
    weight: dict[str, float]
    contact_percent: float
    sensitivity: dict[str, dict[str, float]]


@cache
def model_of(quantity: str) -> Model:
    """Return the numbers of a figure; one that was not fitted keeps the error of far builds."""
    table = shipped_toml("layers.resolution", "resolution.toml")
    found: dict[str, Any] = {"far": 1.0, "floor": 1.0, "power": 1.0, "weight": {}}
    found |= {"contact_percent": 0.0, "sensitivity": {}} | table.get(quantity, {})
    unknown = set(found) - set(Model._fields)
    if unknown:
        raise InputError(f"resolution.toml: {quantity} has no {min(unknown)}.")
    return Model(**found)
