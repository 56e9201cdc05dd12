"""Drag and lift of a range's surface with their 95 % bands, and the rows."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas

from layers.range.surface import Surface
from optimize.report.pictures.section import FAINT, INK, new_figure, plain

_SPIN_RATIOS = (0.03, 0.1, 0.2, 0.3)
_NEAR = 0.05  # of spin ratio: rows that are drawn on a panel's line
_OVER = np.linspace(0.45e5, 2.3e5, 120)
_WIDE, _HIGH = 9.5, 6.0
_COLOURS = ("#0072b2", "#c45100", "#008763", "#b0568a")
_NINETY_FIVE = 1.96


def draw_surface(surface: Surface, title: str) -> Canvas:
    """Plot both coefficients over Reynolds number, a line a spin ratio.

    A line is dashed where no row surrounds the condition. Dots are rows, moved along the surface
    to the spin ratio of the nearest line.

    Parameters
    ----------
    surface : Surface
        From `layers.range.surface.fit_surface`.
    title : str
        What was shot.

    Returns
    -------
    matplotlib.figure.Figure
        For `optimize.report.pictures.section.save`.
    """
    figure = new_figure(_WIDE, _HIGH)
    panels = figure.subplots(1, 2)
    for which, (panel, name) in enumerate(zip(panels, ("CD", "CL"), strict=True)):
        _panel(panel, surface, which)
        panel.set_title(f"{name} over Reynolds number, 1e5", fontsize=10, color=INK, loc="left")
    panels[0].legend(frameon=False, fontsize=8, labelcolor=INK, title="spin ratio")
    figure.text(0.02, 0.97, plain(title, 80), va="top", color=INK, fontsize=12)
    figure.tight_layout(rect=(0.0, 0.0, 1.0, 0.93))
    return figure


def _panel(panel: Axes, surface: Surface, which: int) -> None:
    rows = surface.rows
    measured = (rows.drag, rows.lift)[which]
    errors = (rows.drag_error, rows.lift_error)[which]
    off = measured - surface.coefficients(rows.reynolds, rows.spin_ratio)[which]
    nearest = np.argmin(np.abs(np.subtract.outer(rows.spin_ratio, _SPIN_RATIOS)), axis=1)
    for k, (ratio, colour) in enumerate(zip(_SPIN_RATIOS, _COLOURS, strict=True)):
        s = np.full(_OVER.shape, ratio)
        line = surface.coefficients(_OVER, s)[which]
        half = _NINETY_FIVE * surface.standard_errors(_OVER, s)[which]
        inside = surface.outside(_OVER, s) == 0.0
        panel.fill_between(_OVER / 1e5, line - half, line + half, color=colour, alpha=0.15, lw=0)
        panel.plot(_OVER / 1e5, line, "--", color=colour, lw=0.9)
        panel.plot(
            _OVER / 1e5, np.where(inside, line, np.nan), color=colour, lw=1.8, label=f"{ratio:g}"
        )
        own = (nearest == k) & (np.abs(rows.spin_ratio - ratio) < _NEAR)
        at = surface.coefficients(rows.reynolds[own], np.full(int(own.sum()), ratio))[which]
        panel.errorbar(
            rows.reynolds[own] / 1e5,
            at + off[own],
            _NINETY_FIVE * errors[own],
            fmt="o",
            markersize=3.5,
            color=colour,
            elinewidth=0.8,
        )
    if measured.min() < 0.02:
        panel.axhline(0.0, color=FAINT, lw=0.8)
    panel.tick_params(colors=INK, labelsize=8)
    for side in ("top", "right"):
        panel.spines[side].set_visible(False)
