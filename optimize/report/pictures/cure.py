"""A cure as two plots: temperatures over time, hardness and conversion along the radius."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from layers.cure.hardening import HardnessProfile
from layers.cure.history import History
from optimize.report.pictures.section import FAINT, INK, SHADES, new_figure, plain

_PLACES = (("centre", 0.0), ("half radius", 0.5), ("surface", 1.0))
_MARKS = ("-", "--", "-.")


def draw_cure(history: History, profile: HardnessProfile) -> Figure:
    """Plot a cure.

    Parameters
    ----------
    history : History
        The cure.
    profile : HardnessProfile
        Expected hardness.

    Returns
    -------
    matplotlib.figure.Figure
        For `optimize.report.pictures.section.save`.
    """
    figure = new_figure(9.4, 4.6)
    left, right = figure.subplots(1, 2)
    _course(left, history)
    _along(right, history, profile)
    title = plain(f"{history.stock.name}, {history.cycle.name}", 90)
    figure.text(0.02, 0.965, title, va="top", color=INK, fontsize=12)
    figure.text(
        0.02,
        0.90,
        plain(f"Hardness map: {profile.source}", 130),
        va="top",
        color=INK,
        fontsize=8.5,
    )
    figure.tight_layout(rect=(0.0, 0.0, 1.0, 0.87))
    return figure


def _course(axes: Axes, history: History) -> None:
    for (name, share), mark, shade in zip(_PLACES, _MARKS, SHADES[2:], strict=True):
        place = np.array([share * history.outer_mm])
        celsius = [float(history.at(place, row)[0]) for row in history.temperature_c]
        axes.plot(history.minutes, celsius, mark, color=shade, linewidth=1.6, label=name)
    axes.plot(
        history.minutes, history.outside_c, color=FAINT, linewidth=0.9, label="platen, then air"
    )
    axes.axvline(history.cycle.minutes, color=INK, linewidth=0.7, linestyle=":")
    axes.set_xlabel("minutes in and after the press; dotted: demoulded", fontsize=8, color=INK)
    axes.set_ylabel("temperature, C", fontsize=8, color=INK)
    _finish(axes)
    axes.legend(fontsize=8, frameon=False, labelcolor=INK)


def _along(axes: Axes, history: History, profile: HardnessProfile) -> None:
    at = profile.position_mm
    axes.fill_between(
        at,
        *profile.interval,
        color=SHADES[1],
        alpha=0.6,
        linewidth=0.0,
        label="95 % interval of a new core",
    )
    axes.plot(at, profile.shore_c, color=SHADES[4], linewidth=1.6, label="Shore C")
    conversion = 100.0 * history.at(at, history.conversion[-1])
    axes.plot(at, conversion, "--", color=SHADES[3], linewidth=1.2, label="conversion, %")
    axes.set_xlabel("mm from the centre", fontsize=8, color=INK)
    axes.set_ylabel("Shore C; %", fontsize=8, color=INK)
    axes.set_xlim(0.0, history.outer_mm)
    axes.set_ylim(0.0, 105.0)
    _finish(axes)
    axes.legend(fontsize=8, frameon=False, labelcolor=INK, loc="lower right")


def _finish(axes: Axes) -> None:
    axes.tick_params(labelsize=7.5, colors=INK, length=2.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)
