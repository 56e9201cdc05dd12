"""The builds that a verdict compares, and what the model resolves between two of them."""

from collections.abc import Sequence
from dataclasses import dataclass

from layers.estimates import Estimate
from layers.resolution.difference import difference
from optimize.scenario.goals import Goal
from optimize.search.result import Run


@dataclass(frozen=True)
class Rival:
    """A feasible build that no other beats; `label` is empty where it is not on the short list."""

    label: str
    estimate: Estimate


def rivals(run: Run) -> list[Rival]:
    """Return the builds of the front, or with one goal the short list.

    With one goal the front is one build; the short list holds those that come next.
    """
    builds = {build.key: build for build in run.builds}
    label = {member.key: member.label for member in run.short_list}
    keys = [key for key, _ in run.front] if len(run.scenario.goal) > 1 else list(label)
    found = [(key, builds[key]) for key in keys if key in builds]
    return [Rival(label.get(key, ""), Estimate(b.ball, b.figures)) for key, b in found]


def resolution(one: Estimate, other: Estimate, figure: str) -> float:
    """Return the error of the difference of a figure between two builds, in the figure's unit.

    Parameters
    ----------
    one, other : Estimate
        The builds.
    figure : str
        Name of the figure.
    """
    return difference(one, other, figure).error


def by_loss(goal: Goal, some: Sequence[Rival]) -> list[Rival]:
    """Order builds by a goal, the best first."""
    return sorted(some, key=lambda rival: goal.loss(rival.estimate[goal.figure].value))


def resolved(goal: Goal, better: Estimate, worse: Estimate) -> bool:
    """Whether one build is better in a goal by more than the model resolves.

    Parameters
    ----------
    goal : Goal
        The goal.
    better, worse : Estimate
        The builds.
    """
    gain = goal.loss(worse[goal.figure].value) - goal.loss(better[goal.figure].value)
    return gain > resolution(better, worse, goal.figure)
