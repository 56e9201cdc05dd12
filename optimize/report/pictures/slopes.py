"""Picture of local sensitivities: a matrix of figures by design variables.

Each row is shaded by the share of its own strongest change, blue where the figure falls and orange
where it rises: two hues that differ under every common colour blindness; the number in the cell
says the same without colour.
"""

import math
from dataclasses import astuple
from itertools import groupby

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, Normalize, to_hex
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch, Wedge

from optimize.report.ball import digits_of
from optimize.report.pictures.section import FAINT, INK, new_figure, plain
from optimize.report.slopes import (
    change_text,
    figure_groups,
    layer_name,
    plain_name,
    row_of,
    strongest,
)
from optimize.report.tables import number
from optimize.report.trade_columns import head_in_chosen_units
from optimize.report.units import text_in_chosen_units
from optimize.sensitivity.perturbation import PERTURBATIONS, DesignVariable, Kind
from optimize.sensitivity.slopes import Slope, Slopes

_FALLS_RISES = LinearSegmentedColormap.from_list(
    "falls, rises", ("#17456b", "#6f9dbd", "#f4f1ea", "#e0a063", "#9c4a12")
)
_SHARE = Normalize(-1.0, 1.0)

# Inches: a cell, the gap between groups, the space for names and values, for heads and the key.
_WIDE, _TALL, _GAP, _LEFT, _TOP, _BOTTOM = 0.72, 0.34, 0.36, 2.75, 1.95, 1.05
_TITLE_ROW = 0.30


def draw_slopes(result: Slopes) -> Figure:
    """Draw the matrix of changes by practical steps.

    Parameters
    ----------
    result : Slopes
        Slopes of one build.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `optimize.report.pictures.section.save`.
    """
    across = _columns(result)
    groups = figure_groups(result.estimate.figures)
    right = max(across.values()) + _WIDE + 0.15
    down = sum(_TITLE_ROW + _TALL * len(names) for _, names in groups)
    width, height = max(right, _LEFT + 4.6), _TOP + down + _BOTTOM
    figure = new_figure(width, height)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(height, 0.0)
    axes.axis("off")
    title = f"Local sensitivities: {plain(result.estimate.ball.name, 68)}"
    axes.text(0.2, 0.34, title, fontsize=13, weight="bold", color=INK)
    axes.text(_LEFT - 0.12, 1.68, "value", ha="right", va="top", fontsize=7.5, color=INK)
    _heads(axes, result, across)
    y = _TOP
    for owner, names in groups:
        axes.text(0.2, y + 0.2, owner, fontsize=8.5, weight="bold", color=INK)
        axes.plot([0.2, right - 0.15], [y + 0.265] * 2, color=FAINT, linewidth=0.5)
        y += _TITLE_ROW
        for name in names:
            _row(axes, result, name, across, y)
            y += _TALL
    _key(figure, axes, y + 0.3)
    return figure


def _columns(result: Slopes) -> dict[DesignVariable, float]:
    """Left edge of each column, inches."""
    places, x = {}, _LEFT
    for _, variables in groupby(result.variables, key=lambda variable: variable.kind):
        for variable in variables:
            places[variable] = x
            x += _WIDE
        x += _GAP
    return places


def _heads(axes: Axes, result: Slopes, across: dict[DesignVariable, float]) -> None:
    """Name the kinds of variable, and draw under each the layer that is changed."""
    for kind, group in groupby(result.variables, key=lambda variable: variable.kind):
        edges = [across[variable] for variable in group]
        middle = (edges[0] + edges[-1] + _WIDE) / 2.0
        axes.text(
            middle,
            0.72,
            PERTURBATIONS[kind].label,
            ha="center",
            fontsize=9,
            weight="bold",
            color=INK,
        )
        words = text_in_chosen_units(PERTURBATIONS[kind].practical_text)
        axes.text(middle, 0.90, words, ha="center", fontsize=8.5, color=INK)
        axes.plot([edges[0] + 0.04, edges[-1] + _WIDE - 0.04], [0.99] * 2, color=INK, linewidth=0.8)
    for variable, x in across.items():
        _layer_mark(axes, result, variable, x + _WIDE / 2.0)
        words = layer_name(result, variable).replace(" ", "\n", 1)
        axes.text(
            x + _WIDE / 2.0, 1.60, words, ha="center", va="top", fontsize=7.5, color=INK,
            linespacing=1.05,
        )  # fmt: skip


def _layer_mark(axes: Axes, result: Slopes, variable: DesignVariable, x: float) -> None:
    """Draw a small quarter cut; the layer, or the surface, that is changed stands out."""
    size, base = 0.40, 1.50
    layers = result.estimate.ball.layer
    outer = np.array([layer.outer_diameter_mm for layer in layers])
    radii = size * outer / outer[-1]
    inner = np.concatenate([[0.0], radii[:-1]])
    centre = (x - size / 2.0, base)
    for layer, (r, a) in enumerate(zip(radii, inner, strict=True)):
        chosen = layer == variable.layer and variable.kind not in _SURFACES
        axes.add_patch(
            Wedge(centre, r, 270, 360, width=r - a, linewidth=0.4, edgecolor=FAINT,
                  facecolor=INK if chosen else "#f6f4ef")
        )  # fmt: skip
    if variable.kind in _SURFACES:
        angles = np.radians(np.linspace(0.0, 90.0, 40))
        r = radii[variable.layer]
        axes.plot(
            centre[0] + r * np.cos(angles), base - r * np.sin(angles), color=INK, linewidth=2.0,
            solid_capstyle="butt",
        )  # fmt: skip


_SURFACES: tuple[Kind, ...] = ("outer_diameter_mm", "friction")


def _row(
    axes: Axes, result: Slopes, name: str, across: dict[DesignVariable, float], y: float
) -> None:
    figure = result.estimate.figures[name]
    middle = y + _TALL / 2.0
    shown, factor = head_in_chosen_units(plain_name(name))
    row = {v: _times(slope, factor) for v, slope in row_of(result, name).items()}
    largest = strongest(row)
    scale = _scale(largest)
    words = shown if scale == 1.0 else f"{shown}   in {scale:g}"
    axes.text(0.2, middle, words, va="center", fontsize=8.5, color=INK)
    value = number(factor * figure.value, factor * digits_of(figure))
    axes.text(_LEFT - 0.12, middle, value, ha="right", va="center", fontsize=8.5, color=INK)
    for variable, x in across.items():
        slope = row.get(variable)
        if slope is not None:
            _cell(axes, slope, largest, scale, x, y)


def _times(slope: Slope, factor: float) -> Slope:
    """Return a slope in a unit of which the figure's has so many."""
    return Slope(*(factor * number for number in astuple(slope)))


def _scale(largest: float) -> float:
    """Choose the unit of a row's numbers, a thousandth and so on, so that they fit their cells."""
    return 10.0 ** min(0, 3 * math.ceil((math.log10(largest) - 1.0) / 3)) if largest else 1.0


def _cell(axes: Axes, slope: Slope, largest: float, scale: float, x: float, y: float) -> None:
    text = change_text(slope, largest, scale)
    fill, ink, edge = "white", FAINT, 0.0 if text == "0" else 0.6
    if slope.resolved and text != "0":
        red, green, blue, _ = _FALLS_RISES(_SHARE(slope.change / largest))
        fill = to_hex((red, green, blue))
        ink, edge = "white" if 0.30 * red + 0.59 * green + 0.11 * blue < 0.55 else INK, 0.0
    axes.add_patch(
        FancyBboxPatch(
            (x + 0.045, y + 0.045), _WIDE - 0.09, _TALL - 0.09,
            boxstyle="round,pad=0.02,rounding_size=0.05", facecolor=fill,
            edgecolor=FAINT, linestyle=(0, (2, 2)) if edge else "none", linewidth=edge,
        )
    )  # fmt: skip
    strong = slope.resolved and abs(slope.change) == largest
    axes.text(
        x + _WIDE / 2.0, y + _TALL / 2.0, text.replace("-", "\N{MINUS SIGN}"),
        ha="center", va="center", fontsize=8, color=ink, weight="bold" if strong else "normal",
    )  # fmt: skip


def _key(figure: Figure, axes: Axes, y: float) -> None:
    width, height = figure.get_size_inches()
    place = (_LEFT / width, 1.0 - (y + 0.13) / height, 2.6 / width, 0.13 / height)
    bar = figure.colorbar(
        ScalarMappable(_SHARE, _FALLS_RISES),
        cax=figure.add_axes(place),
        orientation="horizontal",
    )
    bar.set_ticks([-1.0, 0.0, 1.0], labels=["falls most", "no change", "rises most"])
    bar.ax.tick_params(labelsize=7.5, colors=INK, length=2.5)
    bar.outline.set_linewidth(0.5)
    axes.text(0.2, y + 0.12, "shade: share of the row's largest", fontsize=7.5, color=INK)
    words = "dashed: smaller than its own error; number: change of the figure in its unit"
    axes.text(0.2, y + 0.52, words, fontsize=7.5, color=INK)
