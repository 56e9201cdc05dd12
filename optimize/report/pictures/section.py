"""Drawings: the cross-section of a ball, true to scale, and several of them in a row.

Layers are shaded by stiffness on one fixed scale, so that drawings can be laid side by side. The
shades run evenly from light to dark and so survive colour blindness and a black-and-white printer.
"""

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap, LinearSegmentedColormap, LogNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle, Wedge

from layers.ball import Ball
from layers.errors import InputError
from layers.files.paths import StrPath
from optimize.report.ball import layer_masses_g, thicknesses_mm
from optimize.report.pictures.units import factor_of
from optimize.report.units import heading_in_chosen_units, text_in_chosen_units

INK, FAINT = "#22303a", "#8b969c"
SHADES = ("#f8efdb", "#e5c48b", "#8fb0a0", "#3f7c8a", "#1d3d5c")
# Young's modulus at the ends of the shading, MPa: softer than any core, stiffer than any cover.
SOFTEST, STIFFEST = 15.0, 500.0
_RESOLUTION = 160
# Balls in a row, and inches between the lines of their lists.
_ACROSS, _LINE = 4, 0.34
# Shells by which a graded layer is shaded.
_STEPS = 24


def _shading() -> tuple[Colormap, LogNorm]:
    shades = LinearSegmentedColormap.from_list("stiffness", SHADES)
    return shades, LogNorm(SOFTEST, STIFFEST, clip=True)


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty figure that no global state knows of."""
    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def save(figure: Figure, path: StrPath) -> None:
    """Write a drawing as SVG or PNG, by the file's ending.

    Raises
    ------
    InputError
        If the ending is another, or the file cannot be written.
    """
    path = Path(path)
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("svg", "png"):
        raise InputError(f"drawing {path} must end in .svg or .png.")
    # Without salt and date two runs would write different bytes of the same drawing.
    metadata: dict[str, Any] = {"Date": None} if kind == "svg" else {"Software": None}
    try:
        with matplotlib.rc_context({"svg.hashsalt": "orbwright"}), warnings.catch_warnings():
            # A name in a script that the font lacks is drawn as boxes; no need to say so each time.
            warnings.simplefilter("ignore", UserWarning)
            figure.savefig(path, format=kind, dpi=_RESOLUTION, metadata=metadata)
    except OSError as error:
        raise InputError(f"drawing {path} cannot be written: {error.strerror}.") from error


def plain(text: str, most: int) -> str:
    """Cut a name from a file to a length, and keep its dollar signs from being read as formulas."""
    short = text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
    return "".join(c if c.isprintable() else " " for c in short).replace("$", r"\$")


def _quarter(axes: Axes, ball: Ball) -> None:
    """Fill the quarter cut of a ball, centre at the origin, in mm."""
    shades, norm = _shading()
    for number, thick in enumerate(thicknesses_mm(ball), start=1):
        radius = ball.diameter_of(number) / 2.0
        first, *further = steps_of(ball, number)
        shade = shades(norm(first[1]))
        axes.add_patch(
            Wedge((0, 0), radius, 0, 90, width=thick, facecolor=shade, edgecolor=INK, linewidth=0.7)
        )
        for outer, modulus in further:
            shade, depth = shades(norm(modulus)), outer - (radius - thick)
            axes.add_patch(Wedge((0, 0), outer, 0, 90, width=depth, facecolor=shade, linewidth=0))
    axes.set_aspect("equal")
    axes.axis("off")


def steps_of(ball: Ball, number: int) -> list[tuple[float, float]]:
    """Return outer radius, mm, and modulus, MPa, of the shells that a layer is shaded by.

    Parameters
    ----------
    ball : Ball
        The build.
    number : int
        The layer, 1 for the innermost.

    Returns
    -------
    list of (float, float)
        From outside in, so that each is drawn over the one before; one shell where it is even.
    """
    inner, outer = (0.5 * ball.diameter_of(n) for n in (number - 1, number))
    mean, curve = (
        ball.layer[number - 1].material.youngs_modulus_mpa.value,
        ball.modulus_curve(number),
    )
    if curve is None:
        return [(outer, mean)]
    edges = np.linspace(inner, outer, _STEPS + 1)
    moduli = mean * curve.at(0.5e-3 * (edges[1:] + edges[:-1]))
    return [(float(r), float(e)) for r, e in zip(edges[:0:-1], moduli[::-1], strict=True)]


def _ruler(axes: Axes, radius: float) -> None:
    """Draw a scale of the distance from the centre, mm or tenths of an inch, under the cut."""
    axes.plot([0, radius], [-1.0, -1.0], color=INK, linewidth=0.7)
    factor = factor_of("mm")
    step, words = (1.0, "{:.0f}") if factor == 1.0 else (0.05 / factor, "{:.2f}")
    for number in range(int(radius / step) + 1):
        long, tick = number % 5 == 0, number * step
        axes.plot([tick] * 2, [-1.0, -1.7 if long else -1.35], color=INK, linewidth=0.7)
        if long:
            text = words.format(tick * factor)
            axes.text(tick, -2.0, text, ha="center", va="top", fontsize=7.5, color=INK)
    unit = "mm" if factor == 1.0 else "in"
    axes.text(radius + 0.8, -1.2, f"{unit} from the centre", va="center", fontsize=7.5, color=INK)


def _stiffness_key(figure: Figure, place: tuple[float, float, float, float]) -> None:
    shades, norm = _shading()
    bar = figure.colorbar(
        ScalarMappable(norm, shades), cax=figure.add_axes(place), orientation="horizontal"
    )
    factor = factor_of("MPa")
    ticks = (20, 50, 100, 200, 500) if factor == 1.0 else (3, 5, 10, 20, 50)
    bar.set_ticks([t / factor for t in ticks], labels=[str(t) for t in ticks])
    bar.ax.minorticks_off()
    bar.ax.tick_params(labelsize=7.5, colors=INK, length=2.5)
    bar.set_label(heading_in_chosen_units("Young's modulus, MPa"), fontsize=8, color=INK)
    bar.outline.set_linewidth(0.5)


def _layer_words(ball: Ball, number: int, thick: float, grams: float) -> tuple[str, str]:
    layer = ball.layer[number - 1]
    card = layer.material
    size = f"outer dia. {layer.outer_diameter_mm:.2f} mm"
    if number > 1:
        size = f"thickness {thick:.2f} mm, {size}"
    stuff = f"{_modulus_words(ball, number)}, {card.density_g_cm3.value:.4g} g/cm³"
    first, second = f"{layer.role}: {plain(card.label, 40)}", f"{size}; {stuff}; {grams:.2f} g"
    return first, text_in_chosen_units(second)


def _modulus_words(ball: Ball, number: int) -> str:
    """Write a layer's modulus, of a graded one from inside to outside."""
    inside, outside = ball.ends_mpa(number)
    if ball.layer[number - 1].profile:
        return f"{inside:.3g} to {outside:.3g} MPa"
    return f"{inside:g} MPa"


def graded_words(ball: Ball) -> str:
    """Write which layers are graded, from inside to outside; empty where none is."""
    numbers = [n for n, layer in enumerate(ball.layer, start=1) if layer.profile]
    told = [f"{ball.layer[n - 1].role} {_modulus_words(ball, n)}" for n in numbers]
    return f"graded from inside to outside: {', '.join(told)}" if told else ""


def draw_ball(ball: Ball) -> Figure:
    """Draw the quarter cut of one ball with a label for every layer.

    Parameters
    ----------
    ball : Ball
        The build.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `save`.
    """
    radius = ball.diameter_mm / 2.0
    count = len(ball.layer)
    figure = new_figure(9.0, 4.9)
    axes = figure.add_axes((0.03, 0.08, 0.94, 0.80))
    _quarter(axes, ball)
    _ruler(axes, radius)
    thick, grams = thicknesses_mm(ball), layer_masses_g(ball)
    heights = [radius * (0.12 + 0.82 * i / max(1, count - 1)) for i in range(count)]
    if count == 1:
        heights = [radius * 0.5]
    for i, layer in enumerate(ball.layer):
        middle = layer.outer_diameter_mm / 2.0 - thick[i] / 2.0
        y = min(heights[i], 0.8 * middle)
        x = (middle**2 - y**2) ** 0.5
        elbow = radius + 0.9
        axes.plot([x, elbow, elbow + 1.2], [y, heights[i], heights[i]], color=INK, linewidth=0.7)
        axes.plot([x], [y], "o", markersize=3.2, markerfacecolor="white", markeredgecolor=INK)
        first, second = _layer_words(ball, i + 1, thick[i], grams[i])
        at = (elbow + 1.7, heights[i])
        axes.text(*at, first, va="bottom", fontsize=9.5, color=INK, weight="bold")
        axes.text(*at, second, va="top", fontsize=8.5, color=INK)
    axes.set_xlim(-0.5, radius * 2.62)
    axes.set_ylim(-3.6, radius + 0.6)
    figure.text(0.03, 0.945, plain(ball.name, 70), fontsize=13, weight="bold", color=INK)
    summary = f"diameter {ball.diameter_mm:.2f} mm, {sum(grams):.2f} g; quarter cut, true to scale"
    figure.text(0.03, 0.90, text_in_chosen_units(summary), fontsize=9, color=INK)
    _stiffness_key(figure, (0.66, 0.115, 0.28, 0.022))
    return figure


def draw_balls(balls: Sequence[Ball], titles: Sequence[str]) -> Figure:
    """Draw several balls in a row, all to one scale, with a short list of layers under each.

    Parameters
    ----------
    balls : sequence of Ball
        The builds.
    titles : sequence of str
        A heading for each.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `save`.
    """
    most = max(len(ball.layer) for ball in balls)
    across = min(_ACROSS, len(balls))
    down = -(-len(balls) // across)
    cell, tall = 2.9, 3.4 + _LINE * most
    width, height = cell * across + 0.3, tall * down + 0.75
    figure = new_figure(width, height)
    largest = max(ball.diameter_mm for ball in balls) / 2.0
    for i, (ball, title) in enumerate(zip(balls, titles, strict=True)):
        left, top = 0.2 + cell * (i % across), height - tall * (i // across)
        axes = figure.add_axes((left / width, (top - 3.15) / height, 2.55 / width, 2.55 / height))
        _quarter(axes, ball)
        axes.set_xlim(-0.3, largest + 0.3)
        axes.set_ylim(-0.3, largest + 0.3)
        place = (left / width, (top - 0.32) / height)
        figure.text(*place, plain(title, 32), fontsize=10, weight="bold", color=INK)
        _layer_list(figure, ball, left, top - 3.38)
    key_width = min(0.9, 2.6 / width)
    _stiffness_key(figure, (0.2 / width, 0.48 / height, key_width, 0.10 / height))
    return figure


def _layer_list(figure: Figure, ball: Ball, left: float, top: float) -> None:
    """Write the layers outside in: a swatch of the shade, the size and the material; inches."""
    shades, norm = _shading()
    width, height = figure.get_size_inches()
    for row, layer in enumerate(reversed(ball.layer)):
        y = top - _LINE * row
        number = len(ball.layer) - row
        swatch = Rectangle(
            (left / width, (y - 0.10) / height),
            0.14 / width,
            0.16 / height,
            transform=figure.transFigure,
            facecolor=shades(norm(layer.material.youngs_modulus_mpa.value)),
            edgecolor=INK,
            linewidth=0.5,
        )
        figure.add_artist(swatch)
        x = (left + 0.24) / width
        card = layer.material
        size = text_in_chosen_units(f"{layer.outer_diameter_mm:.2f} mm")
        stiff = text_in_chosen_units(_modulus_words(ball, number))
        words, stuff = f"{layer.role} {size}", f"{plain(card.label, 26)}, {stiff}"
        figure.text(x, y / height, words, fontsize=8, color=INK, va="center", weight="bold")
        figure.text(x, (y - 0.145) / height, stuff, fontsize=7.5, color=INK, va="center")
