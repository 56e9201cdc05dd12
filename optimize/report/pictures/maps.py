"""Maps of figures over the whole space, from computed builds: mean by cell of two variables."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from layers.arrays import FloatArray, IntArray
from optimize.report.pictures.section import INK, new_figure, plain
from optimize.report.shares import variable_name
from optimize.report.words import label_of, unit_of
from optimize.scenario.space import Gene
from optimize.sensitivity.result import Direct, FigureShares, Shares

# Most cells along a side, and builds for each; inches of a panel, and of what is around them.
_CELLS, _IN_A_CELL = 24, 6
_WIDE, _TALL, _TOP, _BOTTOM = 4.2, 3.5, 0.45, 0.35
_ACROSS = 3


def draw_maps(shares: Shares) -> Figure:
    """Draw each figure over the two design variables with the largest total indices.

    A cell's colour is the mean over all computed builds in it, whatever their other variables.

    Parameters
    ----------
    shares : Shares
        From `optimize.sensitivity.direct.direct_shares`.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `optimize.report.pictures.section.save`.
    """
    direct = shares.direct
    assert direct is not None  # by the caller
    count = max(1, len(shares.figures))
    across = min(_ACROSS, count)
    down = -(-count // across)
    width, height = _WIDE * across + 0.2, _TOP + _TALL * down + _BOTTOM
    figure = new_figure(width, height)
    title = f"Over the whole space: {shares.scenario.name}"
    figure.text(0.02, 1.0 - 0.3 / height, plain(title, 90), fontsize=13, weight="bold", color=INK)
    for place, one in enumerate(shares.figures):
        left = _WIDE * (place % across) + 0.95
        bottom = height - _TOP - _TALL * (place // across + 1) + 0.6
        box = (left / width, bottom / height, (_WIDE - 1.5) / width, (_TALL - 1.2) / height)
        _panel(figure, figure.add_axes(box), shares, direct, one)
    words = (
        f"Cells: mean over {direct.distinct:,} computed builds, {direct.precision} precision on "
        f"{direct.device}; builds are uniform over all that can be made."
    )
    figure.text(0.02, 0.15 / height, words, fontsize=8, color=INK)
    return figure


def _panel(figure: Figure, axes: Axes, shares: Shares, direct: Direct, one: FigureShares) -> None:
    order = sorted(range(len(shares.genes)), key=lambda i: (-one.total[i].value, i))
    chosen = sorted(order[:2])
    mean, share = mapped(direct, one.figure, chosen, [len(shares.genes[i].values) for i in chosen])
    shown = axes.pcolormesh(np.ma.masked_invalid(mean.T), cmap="cividis")
    bar = figure.colorbar(shown, ax=axes, fraction=0.06, pad=0.03)
    bar.ax.tick_params(labelsize=7.5, colors=INK)
    name, unit = label_of(one.figure), unit_of(one.figure)
    words = plain(f"{name}, {unit}" if unit else name, 44)
    axes.text(0.0, 1.10, words, fontsize=9.5, weight="bold", color=INK, transform=axes.transAxes)
    told = f"these two: {100.0 * share:.0f} % of the variance"
    axes.text(0.0, 1.03, told, fontsize=7.5, color=INK, transform=axes.transAxes)
    sides = zip((axes.xaxis, axes.yaxis), chosen, mean.shape, strict=False)
    for axis, i, cells in sides:
        _ticks(axis, shares.genes[i], cells)
        axis.set_label_text(_axis_label(shares, shares.genes[i]), fontsize=8, color=INK)
    axes.tick_params(labelsize=7.5, colors=INK, length=0)


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
        Means, NaN without a build, (cells, cells); share of the variance between cells.
    """
    y = direct.values[name]
    known = np.isfinite(y)
    most = min(_CELLS, max(2, int(np.sqrt(np.count_nonzero(known) / _IN_A_CELL))))
    cells = [min(size, most) for size in sizes] + [1]
    steps: list[IntArray] = [
        direct.sample.rows[:, :, i][known] * count // size
        for i, size, count in zip(variables, sizes, cells, strict=False)
    ]
    steps.append(np.zeros_like(steps[0]))
    flat, y = steps[0] * cells[1] + steps[1], y[known]
    shape = (cells[0], cells[1])
    counts = np.bincount(flat, minlength=shape[0] * shape[1])
    sums = np.bincount(flat, y, minlength=shape[0] * shape[1])
    with np.errstate(invalid="ignore"):
        mean = sums / counts
    inside = np.sum((y - mean[flat]) ** 2) / (y.size - np.count_nonzero(counts))
    return mean.reshape(shape), float(1.0 - inside / np.var(y, ddof=1))


def _axis_label(shares: Shares, gene: Gene) -> str:
    unit = {"thickness_mm": "mm", "youngs_modulus_mpa": "MPa", "density_g_cm3": "g/cm3"}
    name = variable_name(shares, gene)
    return f"{name}, {unit[gene.what]}" if gene.what in unit else name


def _ticks(axis: Any, gene: Gene, cells: int) -> None:
    """Name cells by the middle of their values; of many only some."""
    size = len(gene.values)
    step = max(1, -(-cells // 5)) if gene.ordered else 1
    places = np.arange(0, cells, step)
    first = -(-(places * size) // cells)  # the least value of each cell
    last = -(-((places + 1) * size) // cells) - 1
    words = [
        f"{(gene.values[a] + gene.values[b]) / 2:.4g}"
        if gene.ordered
        else plain(str(gene.values[a]), 14)
        for a, b in zip(first, last, strict=True)
    ]
    axis.set_ticks(places + 0.5, words)
