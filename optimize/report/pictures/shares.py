"""Picture of global sensitivities: a panel for each figure, a bar for each design variable.

Dark within light: the first-order index within the total one. Light and dark survive every colour
blindness and a black-and-white printer; the whiskers differ in height.
"""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from optimize.report.pictures.section import FAINT, INK, new_figure, plain
from optimize.report.shares import error_text, variable_name
from optimize.report.units import text_in_chosen_units
from optimize.report.words import label_of, unit_of
from optimize.sensitivity.result import FigureShares, Shares
from optimize.sensitivity.sobol import Index

_FIRST, _TOTAL = "#1f6f9f", "#b9d3e2"
# Inches: a variable's row, a panel, names at the left, title, what is below the panels.
_ROW, _WIDE, _LEFT, _TOP, _BOTTOM = 0.36, 2.9, 1.9, 1.2, 1.05
_ACROSS = 4
_LETTERS = 9.0  # of a title to an inch


def draw_shares(shares: Shares) -> Figure:
    """Draw the indices of every figure over the design variables, centre outward.

    Parameters
    ----------
    shares : Shares
        From `optimize.sensitivity.shares.shares`.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `optimize.report.pictures.section.save`.
    """
    count = max(1, len(shares.figures))
    across = min(_ACROSS, count)
    down = -(-count // across)
    tall = _ROW * len(shares.genes) + 0.5
    width, height = _LEFT + _WIDE * across + 0.2, _TOP + (tall + 0.75) * down + _BOTTOM - 0.75
    figure = new_figure(max(width, 6.2), height)
    size = figure.get_size_inches()
    title = plain(f"Global sensitivities: {shares.scenario.name}", int(_LETTERS * size[0]))
    figure.text(0.02, 1.0 - 0.3 / height, title, fontsize=13, weight="bold", color=INK)
    for place, one in enumerate(shares.figures):
        left = _LEFT + _WIDE * (place % across)
        top = height - _TOP - (tall + 0.75) * (place // across)
        box = (left / size[0], (top - tall) / size[1], (_WIDE - 0.45) / size[0], tall / size[1])
        axes = figure.add_axes(box)
        _panel(axes, shares, one)
        axes.set_yticks(range(len(shares.genes)), [])
        if place % across == 0:
            names = [variable_name(shares, gene) for gene in shares.genes]
            axes.set_yticks(range(len(names)), names, fontsize=8.5, color=INK)
    _key(figure, shares)
    return figure


def _panel(axes: Axes, shares: Shares, one: FigureShares) -> None:
    places = np.arange(len(shares.genes))
    _bars(axes, places, one.total, 0.66, {"color": _TOTAL}, 0.18)
    _bars(axes, places, one.first, 0.30, {"color": _FIRST}, -0.02)
    for i in range(1, len(shares.genes)):
        if shares.genes[i].layer != shares.genes[i - 1].layer:
            axes.axhline(i - 0.5, color=FAINT, linewidth=0.5)
    axes.set_ylim(len(places) - 0.5, -0.5)
    axes.set_xlim(0.0, 100.0)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(axis="x", labelsize=8, colors=INK)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x", color="#e6e9eb", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel("% of the variance", fontsize=8, color=INK)
    unit = unit_of(one.figure)
    title = plain(label_of(one.figure), 34)
    axes.text(
        0.0, 1.135, title, fontsize=9.5, weight="bold", color=INK, transform=axes.transAxes,
    )  # fmt: skip
    ends = f"{one.low:.4g} to {one.high:.4g} {unit}".rstrip()
    words = f"95 % of builds {text_in_chosen_units(ends)}"
    axes.text(0.0, 1.075, words, fontsize=7.5, color=INK, transform=axes.transAxes)
    error = "all computed" if shares.direct else f"emulator error {error_text(one.error or 0.0)}"
    warning = " (unreliable)" if one.unreliable else ""
    axes.text(0.0, 1.02, error + warning, fontsize=7.5, color=INK, transform=axes.transAxes)


def _bars(
    axes: Axes, places: Any, of: tuple[Index, ...], thick: float, paint: dict[str, Any], off: float
) -> None:
    values = 100.0 * np.array([index.value for index in of])
    ends = 100.0 * np.array([[index.low for index in of], [index.high for index in of]])
    axes.barh(places, values, thick, **paint)
    axes.errorbar(
        values,
        places + off,
        xerr=np.abs(ends - values),
        fmt="none",
        ecolor=INK,
        elinewidth=0.9,
        capsize=2.0,
    )


def _key(figure: Figure, shares: Shares) -> None:
    of = shares.direct
    whiskers = (
        f"sample of builds, {of.precision} on {of.device}"
        if of
        else "emulator and sample of builds"
    )
    figure.legend(
        handles=[
            Patch(color=_FIRST, label="first-order index S_i"),
            Patch(color=_TOTAL, label="total index S_Ti"),
        ],
        loc="lower left",
        bbox_to_anchor=(0.02, 0.01),
        ncols=2,
        fontsize=8,
        frameon=False,
        title=f"whiskers: 95 % ({whiskers})",
        title_fontsize=8,
        alignment="left",
    )
