"""Goals: is anything decided, and what is traded for what."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from optimize.scenario.goals import Goal
from optimize.search.result import Run
from optimize.verdicts.rivals import Rival, by_loss, resolution, resolved, rivals
from optimize.verdicts.words import amount, amount_with_error, counted, in_unit, listed


@dataclass(frozen=True)
class GoalVerdict:
    """Whether the model decides between builds in one goal.

    Attributes
    ----------
    figure : str
        Figure of the goal.
    best, worst : float
        Its value at the best and the worst build of the front, in the figure's unit.
    resolution : float
        Error of the difference of the two, in the figure's unit.
    decided : bool
        Whether they differ by more.
    leaders : tuple of str
        Labels of the members that no build beats by more than the resolution.
    unlisted_leaders : int
        How many other builds of the front are as good, within the resolution.
    sentence : str
        The same as text.
    """

    figure: str
    best: float
    worst: float
    resolution: float
    decided: bool
    leaders: tuple[str, ...]
    unlisted_leaders: int
    sentence: str


@dataclass(frozen=True)
class Trade:
    """What the best build in one goal gives up in another against the best build there.

    Attributes
    ----------
    goal, other : str
        Figures of the two goals.
    better, worse : str
        Labels of the best member in `goal`, and of the best in `other`.
    gain, gain_error : float
        What `better` is ahead in `goal`, and the error of that difference, in the figure's unit.
    cost, cost_error : float
        What it is behind in `other`, likewise.
    decided : bool
        Whether both exceed their errors, so that the goals are traded.
    sentence : str
        The same as text.
    """

    goal: str
    other: str
    better: str
    worse: str
    gain: float
    gain_error: float
    cost: float
    cost_error: float
    decided: bool
    sentence: str


def goal_verdicts(run: Run) -> tuple[GoalVerdict, ...]:
    """Say for each goal whether the spread of the front exceeds the model's resolution."""
    found = rivals(run)
    return tuple(_goal_verdict(goal, found) for goal in run.scenario.goal if found)


def _goal_verdict(goal: Goal, some: Sequence[Rival]) -> GoalVerdict:
    ordered = by_loss(goal, some)
    first, last = ordered[0].estimate, ordered[-1].estimate
    best, worst = first[goal.figure], last[goal.figure]
    error = resolution(first, last, goal.figure)
    decided = resolved(goal, first, last)
    leaders = [rival for rival in ordered if not resolved(goal, first, rival.estimate)]
    labels = tuple(sorted(rival.label for rival in leaders if rival.label))
    unlisted = sum(not rival.label for rival in leaders)
    spread = abs(goal.loss(worst.value) - goal.loss(best.value))
    said = amount(spread, error, best.unit)
    if spread == 0.0:
        told = f"the same in all builds compared, {amount(best.value, 0.0, best.unit)}"
    elif not decided:
        told = (
            f"not decided, the builds span {said}, within the model's resolution of "
            f"{amount(error, error, best.unit)}; {_told_apart(goal, ordered)}none is {_top(goal)}"
        )
    else:
        share = ", exact"
        if error > 0.0:
            least = amount(error, error, best.unit)
            share = f", {_times(spread / error)} the {least} that the model can tell"
        told = (
            f"decided, the builds span {said}{share}; {_leading(goal, labels, unlisted)}, "
            f"{amount(best.value, error, best.unit)}"
        )
    return GoalVerdict(
        goal.figure,
        best.value,
        worst.value,
        error,
        decided,
        labels,
        unlisted,
        f"{goal.figure}: {told}.",
    )


def _told_apart(goal: Goal, ordered: Sequence[Rival]) -> str:
    """Name the members farthest apart that are told apart, such as two of one cover."""
    members = [rival for rival in ordered if rival.label]
    pairs = [
        (goal.loss(b.estimate[goal.figure].value) - goal.loss(a.estimate[goal.figure].value), a, b)
        for a, b in itertools.combinations(members, 2)
        if resolved(goal, a.estimate, b.estimate)
    ]
    if not pairs:
        return ""
    step, a, b = max(pairs, key=lambda pair: pair[0])
    error = resolution(a.estimate, b.estimate, goal.figure)
    unit = a.estimate[goal.figure].unit
    return f"{a.label} is ahead of {b.label} by {amount_with_error(step, error, unit)}, but "


def _times(ratio: float) -> str:
    return f"{ratio:.1f} times" if ratio < 9.95 else f"{ratio:.0f} times"


def _top(goal: Goal) -> str:
    return {"maximize": "highest", "minimize": "lowest", "target": "nearest to the target"}[
        goal.aim
    ]


def _leading(goal: Goal, labels: Sequence[str], unlisted: int) -> str:
    who = list(labels)
    if unlisted:
        who.append(f"{counted(unlisted)} unlisted build{'s' * (unlisted > 1)}")
    if len(labels) + unlisted == 1:
        return f"{listed(who)} is {_top(goal)}"
    return f"{listed(who)} are {_top(goal)}, the same to the model"


def trades(run: Run) -> tuple[Trade, ...]:
    """Say for each pair of goals what the best in one gives up in the other."""
    label = {m.label: Rival(m.label, m.estimate) for m in run.short_list}
    if not run.feasible:
        return ()
    found = []
    for goal, other in itertools.combinations(run.scenario.goal, 2):
        better, worse = (by_loss(g, list(label.values()))[0] for g in (goal, other))
        found.append(_trade(goal, other, better, worse))
    return tuple(found)


def _trade(goal: Goal, other: Goal, better: Rival, worse: Rival) -> Trade:
    a, b = better.estimate, worse.estimate
    gain = goal.loss(b[goal.figure].value) - goal.loss(a[goal.figure].value)
    cost = other.loss(a[other.figure].value) - other.loss(b[other.figure].value)
    errors = (resolution(a, b, goal.figure), resolution(a, b, other.figure))
    decided = gain > errors[0] and cost > errors[1]
    units = (a[goal.figure].unit, a[other.figure].unit)
    if better is worse:
        said = f"{goal.figure} and {other.figure} are not traded: {better.label} is best in both."
    else:
        step = (
            f"{goal.figure} better by {amount_with_error(gain, errors[0], units[0])}, "
            f"{other.figure} worse by {amount_with_error(cost, errors[1], units[1])}"
        )
        ends = f"rom {worse.label} to {better.label}"
        if decided:
            ends = f"rom {_at(worse, goal, other)} to {_at(better, goal, other)}"
        rate = _rate(gain, cost, errors, units) if decided else ""
        said = f"F{ends}: {step}{rate}." if decided else f"No trade is resolved f{ends}: {step}."
    return Trade(
        goal.figure,
        other.figure,
        better.label,
        worse.label,
        gain,
        errors[0],
        cost,
        errors[1],
        decided,
        said,
    )


def _at(rival: Rival, goal: Goal, other: Goal) -> str:
    """Name a build with its figures in two goals."""
    figures = [rival.estimate[g.figure] for g in (goal, other)]
    return (
        f"{rival.label} ({', '.join(amount(f.value, f.difference_error, f.unit) for f in figures)})"
    )


def _rate(gain: float, cost: float, errors: tuple[float, float], units: tuple[str, str]) -> str:
    """Write the cost of a unit of the gain; its error is the root sum of squares of both shares."""
    rate = cost / gain
    error = rate * math.hypot(errors[0] / gain, errors[1] / cost)
    per = units[0] if units[0] != "1" else "unit"
    said = amount_with_error(rate, error, "1")
    return f"; {said}{in_unit(units[1])} per {per}"
