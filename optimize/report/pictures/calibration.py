"""Predicted against measured, with nominal and with calibrated cards."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas

from optimize.calibration.result import WIDTH, Calibration, Observation
from optimize.report.pictures.section import FAINT, INK, new_figure, plain
from optimize.report.pictures.trade_off import CHOSEN
from optimize.report.pictures.units import use_on
from optimize.report.units import heading_in_chosen_units
from optimize.report.words import line_of, unit_of

_ACROSS = 3
_HIGH, _WIDE, _TOP = 3.9, 3.7, 1.0
# Margin around the points, as a share of their range.
_MARGIN = 0.12


def draw_calibration(calibration: Calibration) -> Canvas:
    """Plot predicted against measured, one panel for each calibrated figure.

    Hollow marks are predictions with nominal cards; filled ones are from the other builds alone,
    with intervals of 95 %. On the line prediction and measurement agree.

    Parameters
    ----------
    calibration : Calibration
        From `optimize.calibration.calibrate.calibrate`.

    Returns
    -------
    matplotlib.figure.Figure
        For `optimize.report.pictures.section.save`.
    """
    by_figure = calibration.by_figure()
    across = min(_ACROSS, len(by_figure))
    down = -(-len(by_figure) // across)
    high = _HIGH * down + _TOP
    figure = new_figure(max(_WIDE * across, 5.0), high)
    panels = figure.subplots(down, across, squeeze=False).ravel()
    for panel, (key, observations) in zip(panels, by_figure.items(), strict=False):
        _panel(panel, key, observations)
    for panel in panels[len(by_figure) :]:
        panel.axis("off")
    figure.text(
        0.02, 1 - 0.12 / high, "Predicted against measured", va="top", color=INK, fontsize=13
    )
    title = plain(calibration.title, 40 * across)
    figure.text(0.02, 1 - 0.42 / high, title, va="top", color=INK, fontsize=8.5)
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(
        handles,
        labels,
        loc="upper left",
        bbox_to_anchor=(0.01, 1 - 0.58 / high),
        ncols=3,
        frameon=False,
        fontsize=8,
        labelcolor=INK,
        handletextpad=0.2,
    )
    figure.tight_layout(rect=(0.0, 0.0, 1.0, 1 - (_TOP - 0.1) / high))
    return figure


def _panel(axes: Axes, key: str, observations: list[Observation]) -> None:
    measured = np.array([o.measured for o in observations])
    before = np.array([o.before for o in observations])
    left_out = np.array([o.left_out for o in observations])
    half = np.array([WIDTH * o.left_out_sd * o.left_out for o in observations])
    axes.plot(
        measured,
        before,
        "o",
        markersize=5,
        color="none",
        markeredgecolor=FAINT,
        label="nominal cards",
    )
    axes.errorbar(
        measured,
        left_out,
        yerr=half,
        fmt="o",
        markersize=5,
        color=CHOSEN,
        markeredgecolor=INK,
        markeredgewidth=0.6,
        elinewidth=1.0,
        capsize=2.0,
        label="from the other builds, 95 % interval",
        zorder=3,
    )
    seen = np.concatenate([measured, before, left_out - half, left_out + half])
    margin = _MARGIN * np.ptp(seen)
    ends = [float(seen.min() - margin), float(seen.max() + margin)]
    axes.plot(ends, ends, color=INK, linewidth=0.7, label="agreement", zorder=1)
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)
    axes.set_box_aspect(1)
    words = plain(heading_in_chosen_units(line_of(key)), 44)
    axes.set_title(words, fontsize=9, color=INK, loc="left")
    axes.set_xlabel("measured", fontsize=8, color=INK)
    axes.set_ylabel("predicted", fontsize=8, color=INK)
    axes.locator_params(nbins=4)
    for axis in (axes.xaxis, axes.yaxis):
        use_on(axis, unit_of(key), most_ticks=4, figure=key)
    axes.tick_params(labelsize=7.5, colors=INK, length=2.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)
