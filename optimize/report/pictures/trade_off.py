"""The trade-off plot of a run: every evaluated build, the front, the short list with its errors."""

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas
from matplotlib.patheffects import withStroke
from matplotlib.transforms import Bbox

from layers.arrays import FloatArray
from optimize.report.pictures.section import FAINT, INK, new_figure, plain
from optimize.report.pictures.units import factor_of, use_on
from optimize.report.units import chosen, heading_in_chosen_units, stated_in_trade
from optimize.report.words import better_words, heading_of, unit_of
from optimize.scenario.goals import Bound, Goal
from optimize.search.result import Member, Run

# Blue and orange differ for every kind of colour vision; shape and fill say the same again.
FRONT, CHOSEN, OUTSIDE = "#1f6f9f", "#d9822b", "#f1e7e2"
_BROKEN: dict[str, Any] = {"s": 14, "marker": "x", "color": "#b9bfc3", "linewidth": 0.8}
_FRONT: dict[str, Any] = {"s": 22, "color": FRONT, "linewidth": 0}
_LIMIT = "#8c4a32"
_LIMIT_TEXT: dict[str, Any] = {"fontsize": 7.5, "color": _LIMIT, "va": "bottom"}
_KEPT: dict[str, Any] = {"s": 15, "color": "#9db8c9", "linewidth": 0}


def draw_tradeoff(run: Run) -> Canvas:
    """Plot the first goal against each other one, or a single goal over the evaluations.

    Parameters
    ----------
    run : Run
        A finished search.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `optimize.report.pictures.section.save`.
    """
    goals = run.scenario.goal
    others = range(1, len(goals)) if len(goals) > 1 else [0]
    figure = new_figure(1.2 + 6.6 * len(others), 6.4)
    axes = figure.subplots(1, len(others), squeeze=False)[0]
    for panel, j in zip(axes, others, strict=True):
        if len(goals) > 1:
            _pair(panel, run, 0, j)
        else:
            _course(panel, run)
    title = plain(run.scenario.name, 70)
    figure.suptitle(title, x=0.02, ha="left", fontsize=13, weight="bold", color=INK)
    words = f"{run.evaluated} builds evaluated, {run.feasible} meet all constraints"
    figure.text(0.02, 0.94, words, fontsize=9, color=INK, va="top")
    figure.tight_layout(rect=(0.0, 0.0, 1.0, 0.95))
    for panel in axes:
        _label_members(panel, run.short_list)
    return figure


def _values(members: Sequence[Member], goal: Goal) -> tuple[FloatArray, FloatArray]:
    """Return values and half widths of the difference error of a goal, (n,) each."""
    figures = [member.estimate[goal.figure] for member in members]
    values = np.array([f.value for f in figures])
    return values, np.array([f.difference_error for f in figures])


def _pair(axes: Axes, run: Run, i: int, j: int) -> None:
    goals = run.scenario.goal
    x, y = goals[i], goals[j]
    good = run.cloud_feasible
    bad, kept = run.cloud[~good], run.cloud[good]
    if len(bad):
        axes.scatter(bad[:, i], bad[:, j], **_BROKEN, label="violates a constraint")
    if len(kept):
        axes.scatter(kept[:, i], kept[:, j], **_KEPT, label="meets all constraints")
    front = np.array([values for _, values in run.front]).reshape(-1, len(goals))
    if len(goals) == 2 and "target" not in (x.aim, y.aim):
        # The staircase bounds what the front's builds beat, so it turns on that side of them.
        stairs = front[np.argsort(front[:, i])]
        turn: Literal["pre", "post"] = "pre" if x.aim == "maximize" else "post"
        axes.step(stairs[:, i], stairs[:, j], where=turn, color=FRONT, linewidth=1.0, alpha=0.7)
    if len(front):
        axes.scatter(front[:, i], front[:, j], **_FRONT, label="Pareto front")
    (mx, ex), (my, ey) = _values(run.short_list, x), _values(run.short_list, y)
    axes.errorbar(
        mx,
        my,
        xerr=ex,
        yerr=ey,
        fmt="o",
        markersize=8,
        color=CHOSEN,
        markeredgecolor=INK,
        ecolor=CHOSEN,
        elinewidth=1.1,
        capsize=2.5,
        label=f"{'short list' if run.feasible else 'closest infeasible builds'}, ± between builds",
        zorder=5,
    )
    _frame(axes, run, i, (mx, ex), "x")
    _frame(axes, run, j, (my, ey), "y")
    _dress(axes, x, y)


def _frame(axes: Axes, run: Run, i: int, chosen: tuple[FloatArray, FloatArray], which: str) -> None:
    """Fit the axis to what matters, and draw the limits and targets that fall into it."""
    goal = run.scenario.goal[i]
    values, errors = chosen
    seen = [run.cloud[run.cloud_feasible][:, i], values - errors, values + errors]
    if not run.feasible:
        seen.append(run.cloud[:, i])
    span = np.concatenate(seen)
    low, high = float(span.min()), float(span.max())
    room = 0.06 * (high - low) or 0.01 * abs(high) or 1.0
    bounds = [b for b in run.scenario.bounds() if b.figure == goal.figure]
    near = [b.value for b in bounds if low - 4 * room < b.value < high + 4 * room]
    low, high = min([low, *near]) - room, max([high, *near]) + room
    (axes.set_xlim if which == "x" else axes.set_ylim)(low, high)
    fill, line = (axes.axvspan, axes.axvline) if which == "x" else (axes.axhspan, axes.axhline)
    for bound in bounds:
        _limit(axes, bound, low, high, which)
    if goal.target is not None:
        fill(goal.target - goal.band, goal.target + goal.band, color="#dfe9d8", zorder=0)
        line(goal.target, color="#5f7f4f", linewidth=0.9, linestyle=":")


def _limit(axes: Axes, bound: Bound, low: float, high: float, which: str) -> None:
    fill, line = (axes.axvspan, axes.axvline) if which == "x" else (axes.axhspan, axes.axhline)
    edge = bound.value
    ends = (low, edge) if bound.side == "at least" else (edge, high)
    if ends[0] < ends[1] and low < edge < high:
        fill(*ends, color=OUTSIDE, zorder=0)
        line(edge, color=_LIMIT, linewidth=1.0, linestyle="--")
        words = f"limit: {bound.side} {_edge_words(bound)}"
        if which == "x":
            place: dict[str, Any] = {"x": edge, "y": 0.015, "rotation": 90, "ha": "right"}
            axes.text(**place, s=words, transform=axes.get_xaxis_transform(), **_LIMIT_TEXT)
        else:
            place = {"x": 0.01, "y": edge}
            axes.text(**place, s=words, transform=axes.get_yaxis_transform(), **_LIMIT_TEXT)


def _edge_words(bound: Bound) -> str:
    """Write a limit in the chosen units; a rule's as the rule states it."""
    unit, figure = unit_of(bound.figure), bound.figure
    stated = stated_in_trade(bound.value, unit, figure) if chosen() == "trade" else ""
    return stated or f"{bound.value * factor_of(unit, figure):.6g}"


def axis_words(goal: Goal) -> str:
    """Say what an axis shows and which way is better."""
    way = "dotted: target" if goal.aim == "target" else better_words(goal)
    return f"{heading_in_chosen_units(heading_of(goal.figure))}  ({way})"


def _dress(axes: Axes, x: Goal, y: Goal) -> None:
    axes.set_xlabel(axis_words(x), color=INK)
    axes.set_ylabel(axis_words(y), color=INK)
    _plain(axes)
    use_on(axes.xaxis, unit_of(x.figure), figure=x.figure)
    use_on(axes.yaxis, unit_of(y.figure), figure=y.figure)
    axes.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -0.11),
        ncols=4,
        fontsize=8,
        frameon=False,
        handletextpad=0.3,
        columnspacing=1.2,
    )


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=INK, labelsize=8.5)
    axes.grid(color="#e6e9eb", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.ticklabel_format(useOffset=False)


def _course(axes: Axes, run: Run) -> None:
    """Plot a single goal over the evaluations, with the best so far."""
    goal = run.scenario.goal[0]
    count = np.arange(1, len(run.cloud) + 1)
    good = run.cloud_feasible
    values = run.cloud[:, 0]
    axes.scatter(count[~good], values[~good], **_BROKEN)
    axes.scatter(count[good], values[good], **_KEPT)
    losses = np.array([goal.loss(v) if ok else np.inf for v, ok in zip(values, good, strict=True)])
    best = np.array([values[np.argmin(losses[: k + 1])] for k in range(len(losses))])
    known = np.isfinite(np.minimum.accumulate(losses))
    axes.step(count[known], best[known], where="post", color=FRONT, linewidth=1.3)
    _frame(axes, run, 0, _values(run.short_list, goal), "y")
    axes.set_xlabel("builds evaluated", color=INK)
    axes.set_ylabel(axis_words(goal), color=INK)
    _plain(axes)
    use_on(axes.yaxis, unit_of(goal.figure), figure=goal.figure)


_AROUND = [
    (r * np.cos(a), r * np.sin(a)) for r in (13, 22, 32) for a in np.radians(range(45, 405, 45))
]


def _label_members(axes: Axes, members: Sequence[Member]) -> None:
    """Write each member's letter where it covers no other letter and no other marker."""
    if not axes.containers:
        return
    points = axes.transData.transform(np.column_stack(_plotted(axes)))
    scale = axes.figure.dpi / 72.0
    taken = [Bbox.from_extents(*(p - 5 * scale), *(p + 5 * scale)) for p in points]
    for member, point, at in zip(members, points, np.column_stack(_plotted(axes)), strict=True):
        for offset in _AROUND:
            centre = point + np.array(offset) * scale
            box = Bbox.from_extents(*(centre - 6 * scale), *(centre + 6 * scale))
            if not any(box.overlaps(other) for other in taken):
                break
        taken.append(box)
        axes.annotate(
            member.label,
            (float(at[0]), float(at[1])),
            offset,
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=10,
            weight="bold",
            color=INK,
            zorder=6,
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
            arrowprops={"arrowstyle": "-", "color": FAINT, "linewidth": 0.5, "shrinkB": 4},
        )


def _plotted(axes: Axes) -> tuple[FloatArray, FloatArray]:
    line = axes.containers[0][0]
    return np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
