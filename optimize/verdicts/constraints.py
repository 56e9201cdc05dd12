"""Which constraint holds the answer back, and what a unit of it is worth.

The builds that violate one constraint alone show what its relaxing would give. Take the excess over
the bound, negative inside it, as one more objective: the non-dominated builds of (losses, excess)
are the front for every value of the bound. On those as far inside the bound as others are outside
the loss of a goal is fitted,

    loss_k = a + sum_l (b_l loss_l + c_l loss_l^2) - w excess,    l over the other goals,

and w, the gain in goal k by one unit of the bound at the same other goals, is the constraint's
Lagrange multiplier, or shadow price (Boyd and Vandenberghe 2004, Convex Optimization, 5.6).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.estimates import Figure
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.measures import words_of
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.scenario.windows import bounded_figure
from optimize.search.result import Build, Run
from optimize.search.shortlist import non_dominated, plain
from optimize.verdicts.words import amount_with_error, counted, in_unit, listed

_CONFIDENCE = 0.95
# Fewer violating builds on the relaxed front, or fewer left over by the fit, give no price.
_LEAST_BUILDS = 4
_LEAST_SPARE = 3
IDLE = " does not bind."


@dataclass(frozen=True)
class Worth:
    """What relaxing a bound by one unit gives in one goal, the other goals as they are.

    Attributes
    ----------
    goal : str
        Figure of the goal.
    per_unit, error : float
        Gain, in the goal's unit per unit of the bound's figure, and the half width of its 95 %
        interval, with the model's resolution in it.
    """

    goal: str
    per_unit: float
    error: float

    @property
    def resolved(self) -> bool:
        """Whether the gain exceeds its error."""
        return self.per_unit > self.error


@dataclass(frozen=True)
class Constraint:
    """A bound at which members are, or which holds the front back.

    Attributes
    ----------
    figure, side, value, source : str, str, float, str
        The bound, in the figure's unit, and where it comes from.
    at : tuple of str
        Labels of the members within the model's resolution of it.
    violating : int
        How many builds of the relaxed front violate it, and it alone.
    reach : float
        Their largest excess, in the figure's unit.
    worth : tuple of Worth
        Price of the bound in each goal; empty where too few builds violate it alone.
    binds : bool
        Whether relaxing it gives more of some goal than the error of that gain.
    sentence : str
        The same as text.
    """

    figure: str
    side: Literal["at least", "at most"]
    value: float
    source: str
    at: tuple[str, ...]
    violating: int
    reach: float
    worth: tuple[Worth, ...]
    binds: bool
    sentence: str


def constraints(run: Run) -> tuple[Constraint, ...]:
    """Judge each bound by the members at it and by the builds that violate it alone."""
    if not run.feasible:
        return ()
    return tuple(_constraint(run, bound) for bound in run.scenario.bounds())


def _constraint(run: Run, bound: Bound) -> Constraint:
    at = tuple(
        m.label
        for m in run.short_list
        if _is_at(bound, _bounded(run, bound, m.ball, m.estimate.figures))
    )
    reach, relaxed, worth = _prices(run, bound)
    binds = any(one.resolved for one in worth)
    said = _sentence(run, bound, at, reach, relaxed, worth)
    return Constraint(
        bound.figure, bound.side, bound.value, bound.source, at, relaxed, reach, worth, binds, said
    )


def _bounded(run: Run, bound: Bound, ball: Ball, figures: Mapping[str, Figure]) -> Figure | None:
    """Return what a bound is on, of a build; None of what the search itself sets."""
    if bound.figure in (CENTRE_DIAMETER, FILL_DENSITY):
        return figures.get(bound.figure)
    return bounded_figure(bound.figure, run.scenario.fence, ball, figures)


def _is_at(bound: Bound, figure: Figure | None) -> bool:
    if figure is None:
        return False
    resolution = max(figure.difference_error, 1e-9 * abs(bound.value))
    return _signed_excess(bound, figure.value) >= -resolution


def _signed_excess(bound: Bound, value: float) -> float:
    inward = bound.value - value if bound.side == "at most" else value - bound.value
    return bound.margin - inward


def _prices(run: Run, bound: Bound) -> tuple[float, int, tuple[Worth, ...]]:
    """Fit the relaxed front; return its reach, its violating builds, the worth in each goal."""
    goals = run.scenario.goal
    alone = [b for b in run.builds if not b.excess or [*b.excess] == [bound]]
    found = [_bounded(run, bound, b.ball, b.figures) for b in alone]
    builds = [b for b, figure in zip(alone, found, strict=True) if figure]
    values = [figure.value for figure in found if figure]
    losses = np.array([_losses(goals, b) for b in builds]).reshape(-1, len(goals))
    excess = np.array([_signed_excess(bound, value) for value in values])
    front = np.flatnonzero(non_dominated(np.column_stack([losses, excess])))
    outside = [i for i in front if builds[i].excess]
    if not outside:
        return 0.0, 0, ()
    reach = float(excess[outside].max())
    if len(outside) < _LEAST_BUILDS:
        return reach, len(outside), ()
    near = front[excess[front] >= -reach]
    worth = []
    for k, goal in enumerate(goals):
        resolution = max(builds[i].figures[goal.figure].difference_error for i in outside)
        price = shadow_price(losses[near], excess[near], k)
        if price is not None:
            worth.append(Worth(goal.figure, price[0], math.hypot(price[1], resolution / reach)))
    return reach, len(outside), tuple(worth)


def _losses(goals: Sequence[Goal], build: Build) -> list[float]:
    return [goal.loss(build.figures[goal.figure].value) for goal in goals]


def shadow_price(losses: FloatArray, excess: FloatArray, k: int) -> tuple[float, float] | None:
    """Fit what one unit of a bound is worth in one goal.

    Parameters
    ----------
    losses : (n, m) array
        Losses of the non-dominated builds of (losses, excess).
    excess : (n,) array
        By how much each violates the bound; negative inside it.
    k : int
        The goal.

    Returns
    -------
    (float, float) or None
        Gain per unit of the bound, and the half width of its 95 % interval by Student's
        distribution; None where builds are too few.
    """
    others = np.delete(losses, k, axis=1)
    span = np.ptp(others, axis=0)
    others = (others - others.mean(axis=0)) / np.where(span > 0.0, span, 1.0)
    most = float(np.abs(excess).max())
    columns = np.column_stack([np.ones(len(excess)), excess / most, others, others**2])
    spare = len(columns) - np.linalg.matrix_rank(columns)
    if spare < _LEAST_SPARE:
        return None
    inverse = np.linalg.pinv(columns)
    fitted = inverse @ losses[:, k]
    variance = float(np.sum((losses[:, k] - columns @ fitted) ** 2)) / spare
    deviation = math.sqrt(variance) * float(np.linalg.norm(inverse[1]))
    factor = float(stdtrit(spare, 0.5 + 0.5 * _CONFIDENCE))
    return -float(fitted[1]) / most, factor * deviation / most


def _sentence(
    run: Run, bound: Bound, at: Sequence[str], reach: float, relaxed: int, worth: Sequence[Worth]
) -> str:
    unit = in_unit(_unit_of(bound.figure))
    name = f"{bound.figure} {bound.side} {bound.value:g}{unit}"
    where = f"{listed(at)} {'is' if len(at) == 1 else 'are'} at it within the model's resolution"
    if not relaxed:
        if not at:
            return f"{name}{IDLE}"
        return f"{name}: {where}, but no build that violates it alone does better."
    who = f"by {counted(relaxed)} build{'s' * (relaxed > 1)} that violate{'s' * (relaxed == 1)} it"
    end = f" ({who} alone){f'; {where}' if at else ''}."
    if not worth:
        return f"{name}: too few builds violate it alone to say what a unit is worth{end}"
    step = 10.0 ** math.floor(math.log10(reach))
    way = "raising" if bound.side == "at most" else "lowering"
    move = f"{way} it by {plain(step, 1)}{unit}"
    given = " at the same other goals" if len(run.scenario.goal) > 1 else ""
    gains = listed([_gain(one, step) for one in worth if one.resolved])
    if gains:
        return f"{name} binds: {move} is worth {gains}{given}{end}"
    least = listed([_most(one, step) for one in worth])
    return f"{name} is not seen to bind: {move} gives at most {least}{given}{end}"


def _gain(worth: Worth, step: float) -> str:
    unit = _unit_of(worth.goal)
    return f"{amount_with_error(worth.per_unit * step, worth.error * step, unit)} of {worth.goal}"


def _most(worth: Worth, step: float) -> str:
    most = max(worth.per_unit, 0.0) + worth.error
    return f"{plain(most * step, 2)}{in_unit(_unit_of(worth.goal))} of {worth.goal}"


def _unit_of(figure: str) -> str:
    if figure == FILL_DENSITY:
        return "g/cm3"
    return words_of(figure)[1]
