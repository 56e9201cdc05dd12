"""Picture of figures over the whole space, from computed builds."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from optimize.report.maps import marks, space_map, unit_of_variable
from optimize.report.pictures.section import INK, new_figure, plain
from optimize.report.shares import variable_name
from optimize.report.words import label_of, unit_of
from optimize.scenario.space import Gene
from optimize.sensitivity.result import Direct, FigureShares, Shares

# Inches of a panel, and of what is around the panels; the least width.
_WIDE, _TALL, _TOP, _BOTTOM, _LEAST = 4.2, 3.5, 0.45, 0.5, 6.2
_ACROSS = 3


def draw_maps(shares: Shares) -> Figure:
    """Draw each figure over the two design variables with the largest total indices.

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
    width, height = max(_WIDE * across + 0.2, _LEAST), _TOP + _TALL * down + _BOTTOM
    figure = new_figure(width, height)
    title = plain(f"Over the whole space: {shares.scenario.name}", 32 * across + 26)
    figure.text(0.02, 1.0 - 0.3 / height, title, fontsize=13, weight="bold", color=INK)
    for place, one in enumerate(shares.figures):
        left = _WIDE * (place % across) + 0.95
        bottom = height - _TOP - _TALL * (place // across + 1) + 0.6
        box = (left / width, bottom / height, (_WIDE - 1.5) / width, (_TALL - 1.2) / height)
        _panel(figure, figure.add_axes(box), shares, direct, one)
    words = (
        f"Cells: mean over {direct.distinct:,} computed builds, uniform over what can be made;\n"
        f"{direct.precision} precision on {direct.device}."
    )
    figure.text(0.02, 0.15 / height, words, fontsize=8, color=INK)
    return figure


def _panel(figure: Figure, axes: Axes, shares: Shares, direct: Direct, one: FigureShares) -> None:
    found = space_map(shares, direct, one)
    shown = axes.pcolormesh(np.ma.masked_invalid(found.mean.T), cmap="cividis")
    bar = figure.colorbar(shown, ax=axes, fraction=0.06, pad=0.03)
    bar.ax.tick_params(labelsize=7.5, colors=INK)
    name, unit = label_of(one.figure), unit_of(one.figure)
    words = plain(f"{name}, {unit}" if unit else name, 44)
    axes.text(0.0, 1.10, words, fontsize=9.5, weight="bold", color=INK, transform=axes.transAxes)
    told = f"these two: {100.0 * found.share:.0f} % of the variance"
    axes.text(0.0, 1.03, told, fontsize=7.5, color=INK, transform=axes.transAxes)
    sides = zip((axes.xaxis, axes.yaxis), found.variables, found.mean.shape, strict=False)
    for axis, i, cells in sides:
        _side(axis, shares, shares.genes[i], cells)
    if len(found.variables) == 1:
        axes.yaxis.set_ticks([])
    axes.tick_params(labelsize=7.5, colors=INK, length=0)


def _side(axis: Any, shares: Shares, gene: Gene, cells: int) -> None:
    """Name a variable and some of its cells along a side."""
    places, values = zip(*marks(gene, cells), strict=True)
    words = [v if isinstance(v, str) else f"{v:.4g}" for v in values]
    axis.set_ticks(np.array(places) + 0.5, [plain(word, 14) for word in words])
    unit = unit_of_variable(gene)
    name = variable_name(shares, gene)
    axis.set_label_text(f"{name}, {unit}" if unit else name, fontsize=8, color=INK)
