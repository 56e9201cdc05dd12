"""Which rows of a space are builds that can be made, for many rows at once.

A row can be made when the outer layers leave the innermost a diameter in its range and, where a
layer is filled to a mass, filler reaches the density needed.
`optimize.scenario.space.Space.decode` decides the same for one row, a thousand times slower; fences
that need no finite elements are tried one by one on the rows that are left.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layers.arrays import BoolArray, FloatArray, IntArray
from layers.ball import Ball
from layers.estimation import estimate
from optimize.scenario.fences import Fence, clearance_percent
from optimize.scenario.goals import Bound
from optimize.scenario.space import Row, Space, What
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY


@dataclass(frozen=True)
class _Numbers:
    """Layers of n builds, centre outward, (n, layers) each; `thickness` of the centre unused."""

    present: BoolArray
    thickness: FloatArray
    density: FloatArray


def can_be_made(space: Space, rows: Sequence[Row] | IntArray) -> BoolArray:
    """Return which rows are within the ranges of centre diameter and filler density, and no fence.

    Fences that need finite elements and limits on other figures, such as deflection, are not
    applied.

    Parameters
    ----------
    space : Space
        The builds.
    rows : (n, d) array of int
        One number a gene, from 0; those of an absent layer do not matter.

    Returns
    -------
    (n,) bool array
    """
    bounds, made = space.scenario.bounds(), np.ones(len(rows), dtype=bool)
    for figure, values in deciding_values(space, rows).items():
        made &= within([bound for bound in bounds if bound.figure == figure], values)
    if fences := [fence for fence in space.scenario.fence if fence.is_closed_form]:
        for i in np.flatnonzero(made).tolist():
            ball = space.decode(tuple(int(k) for k in rows[i])).ball
            made[i] = ball is not None and _outside(fences, ball, space)
    return made


def _outside(fences: Sequence[Fence], ball: Ball, space: Space) -> bool:
    names = tuple(dict.fromkeys(name for fence in fences for name in fence.figures))
    conditions = space.scenario.estimate_conditions()
    found = estimate(ball, names, conditions).figures if names else {}
    values = {name: figure.value for name, figure in found.items()}
    return all(
        fence.bound().excess(clearance_percent(fence, ball, values)) == 0.0 for fence in fences
    )


def deciding_values(space: Space, rows: Sequence[Row] | IntArray) -> dict[str, FloatArray]:
    """Return what decides whether rows can be made, by the names that bounds have for it.

    Parameters
    ----------
    space : Space
        The builds.
    rows : (n, d) array of int
        As `can_be_made` takes them.

    Returns
    -------
    dict of str to (n,) array
        Centre diameter, mm, and, where a layer is filled to a mass, the density that its filler
        must reach, g/cm3; that of a row without a centre is meaningless.
    """
    shape = (len(rows), len(space.genes))
    numbers = _numbers(space, np.asarray(rows, dtype=np.int64).reshape(shape))
    diameters = _diameters(space, numbers)
    values = {CENTRE_DIAMETER: diameters[:, 0]}
    if space.scenario.fill is not None:
        with np.errstate(divide="ignore", invalid="ignore"):  # of rows without a centre
            values[FILL_DENSITY] = _fill_density(space, numbers, diameters)
    return values


def _numbers(space: Space, rows: IntArray) -> _Numbers:
    layers = space.scenario.layer
    cards = {card.name: card.density_g_cm3.value for card in space.scenario.material}
    shape = (len(rows), len(layers))
    fixed = [layer.density_g_cm3[0] if layer.density_g_cm3 else None for layer in layers]
    own = [
        cards[layer.material[0]] if d is None else d for layer, d in zip(layers, fixed, strict=True)
    ]
    thin = [layer.thickness_mm[0] if layer.thickness_mm else 0.0 for layer in layers]
    present = np.ones(shape, dtype=bool)
    thickness, density = np.tile(thin, (len(rows), 1)), np.tile(own, (len(rows), 1))
    places: dict[What, npt.NDArray[np.generic]] = {
        "present": present,
        "thickness_mm": thickness,
        "density_g_cm3": density,
    }
    for gene, steps in zip(space.genes, rows.T, strict=True):
        if gene.what in places:
            places[gene.what][:, gene.layer] = np.array(gene.values)[steps]
        elif gene.what == "material" and fixed[gene.layer] is None:
            density[:, gene.layer] = np.array([cards[name] for name in gene.values])[steps]
    return _Numbers(present, thickness, density)


def _diameters(space: Space, numbers: _Numbers) -> FloatArray:
    """Return outer diameters, mm, (n, layers); an absent layer has no thickness."""
    walls = 2.0 * np.where(numbers.present, numbers.thickness, 0.0)[:, 1:]
    outside = np.cumsum(walls[:, ::-1], axis=1)[:, ::-1]
    outer = space.scenario.ball.outer_diameter_mm
    inner = np.round(outer - outside, 6)
    return np.column_stack([inner, np.full(len(inner), outer)])


def _fill_density(space: Space, numbers: _Numbers, diameters: FloatArray) -> FloatArray:
    """Return the density of the filled layer that gives the ball its mass, g/cm3, (n,)."""
    fill = space.scenario.fill
    assert fill is not None
    cubes = np.column_stack([np.zeros(len(diameters)), diameters**3])
    weights = np.pi / 6.0 * np.diff(cubes, axis=1) * 1e-3  # cm3
    # The dimples lighten the outermost layer that there is.
    last = numbers.present.shape[1] - 1 - np.argmax(numbers.present[:, ::-1], axis=1)
    dimples = space.scenario.ball.dimple_volume_percent / 100.0
    weights[np.arange(len(weights)), last] -= dimples * np.pi / 6.0 * diameters[:, -1] ** 3 * 1e-3
    filled = fill.layer - 1
    others = weights * numbers.density
    others[:, filled] = 0.0
    return np.asarray((fill.mass_g - others.sum(axis=1)) / weights[:, filled])


def within(bounds: Sequence[Bound], values: FloatArray) -> BoolArray:
    """Return which values keep every bound.

    Parameters
    ----------
    bounds : sequence of Bound
        Bounds of one figure.
    values : (n,) array
        Values of it, in its unit.
    """
    made = np.ones(len(values), dtype=bool)
    for bound in bounds:
        inward = bound.value - values if bound.side == "at least" else values - bound.value
        made &= inward + bound.margin <= 1e-9 * max(1.0, abs(bound.value))
    return made
