"""Maps of figures over the whole space, from computed builds: mean by cell of two variables."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from optimize.scenario.space import Gene
from optimize.sensitivity.result import Direct, FigureShares, Shares

# Most cells along a side, and builds for each.
_CELLS, _IN_A_CELL = 24, 6


@dataclass(frozen=True)
class SpaceMap:
    """A figure over two design variables, or over the only one.

    Attributes
    ----------
    variables : tuple of int
        Their places among the design variables.
    mean : (cells, cells) array
        Over all builds in a cell, whatever their other variables; NaN where there is none.
    share : float
        Share of the figure's variance between cells.
    """

    variables: tuple[int, ...]
    mean: FloatArray
    share: float


def space_map(shares: Shares, direct: Direct, one: FigureShares) -> SpaceMap:
    """Map a figure over the two variables with the largest total indices.

    Parameters
    ----------
    shares : Shares
        Of the scenario.
    direct : Direct
        Its computed builds.
    one : FigureShares
        The figure.
    """
    order = sorted(range(len(shares.genes)), key=lambda i: (-one.total[i].value, i))
    chosen = tuple(sorted(order[:2]))
    sizes = [len(shares.genes[i].values) for i in chosen]
    return SpaceMap(chosen, *mapped(direct, one.figure, chosen, sizes))


def mapped(
    direct: Direct, name: str, variables: Sequence[int], sizes: Sequence[int]
) -> tuple[FloatArray, float]:
    """Return the mean of a figure by cell of one or two variables, and what it explains.

    Parameters
    ----------
    direct : Direct
        The computed builds.
    name : str
        The figure.
    variables : sequence of int
        One or two.
    sizes : sequence of int
        Number of values of each; neighbours share a cell where they are too many.

    Returns
    -------
    (array, float)
        As of `SpaceMap`.
    """
    known = np.isfinite(direct.values[name])
    y = direct.values[name][known]
    most = min(_CELLS, max(2, int(np.sqrt(y.size / _IN_A_CELL))))
    cells = [min(size, most) for size in sizes] + [1]
    flat = np.zeros(y.size, dtype=np.int64)
    for i, size, count in zip(variables, sizes, cells, strict=False):
        flat = flat * count + direct.sample.rows[:, :, i][known] * count // size
    shape = (cells[0], cells[1])
    counts = np.bincount(flat, minlength=shape[0] * shape[1])
    sums = np.bincount(flat, y, minlength=shape[0] * shape[1])
    with np.errstate(invalid="ignore"):
        mean = sums / counts
    inside = np.sum((y - mean[flat]) ** 2) / (y.size - np.count_nonzero(counts))
    return mean.reshape(shape), float(1.0 - inside / np.var(y, ddof=1))


def marks(gene: Gene, cells: int) -> list[tuple[int, float | str]]:
    """Return some cells of a variable and what to call them: the middle of their values, or names.

    Parameters
    ----------
    gene : Gene
        The variable.
    cells : int
        Along its side.
    """
    size = len(gene.values)
    found: list[tuple[int, float | str]] = []
    for place in range(0, cells, max(1, -(-cells // 5)) if gene.ordered else 1):
        first, end = (-(-(k * size) // cells) for k in (place, place + 1))
        ends = gene.values[first], gene.values[end - 1]
        found.append((place, (ends[0] + ends[1]) / 2 if gene.ordered else _name(gene, ends[0])))
    return found


def _name(gene: Gene, value: object) -> str:
    return ("absent", "present")[bool(value)] if gene.what == "present" else str(value)


def unit_of_variable(gene: Gene) -> str:
    """Return the unit of a variable's values; empty for a ratio or a choice."""
    units = {"thickness_mm": "mm", "youngs_modulus_mpa": "MPa", "density_g_cm3": "g/cm3"}
    return units.get(gene.what, "")
