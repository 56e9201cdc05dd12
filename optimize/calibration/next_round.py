"""The next prototypes: the candidate builds whose measurements reduce uncertainty most, and why.

The model is linearised over the parameters of the cards and the biases of the figures, so that the
covariance after a measurement is known before the build is made:

    P' = P - P A^T (A P A^T + R)^-1 A P

with P the covariance now, A the derivatives of the measured figures, R their noise and scatter.
Builds are chosen greedily, then exchanged while that improves the criterion (Atkinson and Donev
1992, Optimum Experimental Designs, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from optimize.calibration.linearised import (
    About,
    Linearised,
    covariance_after,
    goal_variance,
    linearised,
    widths_of,
)
from optimize.calibration.model import Mapper
from optimize.calibration.reasons import reason_for
from optimize.calibration.result import Calibration

# Figures that a lab measures of every stage, and of the finished ball only.
STAGE_PLAN, BALL_PLAN = ("mass_g", "deflection_mm"), ("cor",)

# Default goals.
GOALS = ("deflection_mm", "cor")

_MOST_SWEEPS = 5


@dataclass(frozen=True)
class Pick:
    """A build to make.

    Attributes
    ----------
    ball : Ball
        The candidate.
    reason : str
        A sentence: what it narrows, and what only it has.
    figures : dict of str to (float, float)
        Half width of 95 %, percent, of each goal over the candidates, before and after this build
        and those before it are measured.
    """

    ball: Ball
    reason: str
    figures: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class NextRound:
    """The builds to make, the most informative first.

    Attributes
    ----------
    pick : tuple of Pick
        As many as the budget.
    figures : dict of str to (float, float)
        Half width of 95 %, percent, of each goal over all candidates, now and expected after the
        round.
    measured : tuple of str
        Figures to measure of each build.
    """

    pick: tuple[Pick, ...]
    figures: dict[str, tuple[float, float]]
    measured: tuple[str, ...]


def next_round(
    candidates: Sequence[Ball],
    goals: Sequence[str],
    budget: int,
    calibration: Calibration | None = None,
    about: About = "both",
    pieces: int = 6,
    stage_plan: Sequence[str] = STAGE_PLAN,
    ball_plan: Sequence[str] = BALL_PLAN,
    conditions: Conditions | None = None,
    mapper: Mapper = map,
) -> NextRound:
    """Choose the builds to make next.

    Parameters
    ----------
    candidates : sequence of Ball
        Builds as designed, for example a run's short list.
    goals : sequence of str
        Figures of the finished ball whose uncertainty over all candidates the round should reduce.
    budget : int
        How many builds can be made, from 1 to the number of candidates.
    calibration : Calibration, optional
        The present calibration; by default the priors from the cards' grades.
    about : {"both", "figures", "materials"}
        The criterion: mean variance of the goals (I-optimal), determinant of the materials'
        covariance (D-optimal), or the mean of both relative to now.
    pieces : int
        Pieces measured of each stage.
    stage_plan, ball_plan : sequence of str
        Figures measured of each stage, and of the finished ball only.
    conditions, mapper
        As for `optimize.calibration.calibrate.calibrate`.

    Raises
    ------
    InputError
        If the budget or a figure is out of range.
    """
    if not 1 <= budget <= len(candidates):
        raise InputError(f"budget is {budget}, but must be from 1 to {len(candidates)} builds.")
    if len({ball.name for ball in candidates}) < len(candidates):
        raise InputError("two candidates have the same name, but names must differ.")
    state = linearised(
        candidates, goals, calibration, about, pieces, (stage_plan, ball_plan), conditions, mapper
    )
    chosen: list[int] = []
    for _ in range(budget):
        chosen.append(_best(state, chosen))
    chosen = _exchanged(state, chosen)
    picks, left = _ordered(state, chosen)
    plan = (*(f"each stage: {n}" for n in stage_plan), *(f"ball: {n}" for n in ball_plan))
    return NextRound(picks, widths_of(state, state.covariance, left), plan)


def _ordered(state: Linearised, chosen: list[int]) -> tuple[tuple[Pick, ...], FloatArray]:
    """Order the chosen builds, best first; return them and the covariance after the round."""
    steps = [state.covariance]
    order: list[int] = []
    for _ in chosen:
        order.append(_best(state, order, chosen))
        steps.append(covariance_after(state, order))
    picks = tuple(
        Pick(state.balls[i], reason_for(state, i, before, after), widths_of(state, before, after))
        for i, (before, after) in zip(order, pairwise(steps), strict=True)
    )
    return picks, steps[-1]


def _score(state: Linearised, chosen: Sequence[int]) -> float:
    """Return the criterion: 1 when nothing is measured, smaller is better."""
    left = covariance_after(state, chosen)
    share = goal_variance(state, left) / goal_variance(state, state.covariance)
    figures = float(share.mean())
    p = len(state.parameters)
    dets = [np.linalg.slogdet(c[:p, :p])[1] for c in (left, state.covariance)]
    materials = math.exp((dets[0] - dets[1]) / p)
    return {"figures": figures, "materials": materials, "both": (figures + materials) / 2.0}[
        state.about
    ]


def _best(state: Linearised, chosen: Sequence[int], among: Sequence[int] | None = None) -> int:
    pool = range(len(state.balls)) if among is None else among
    return min((i for i in pool if i not in chosen), key=lambda i: (_score(state, [*chosen, i]), i))


def _exchanged(state: Linearised, chosen: list[int]) -> list[int]:
    """Exchange builds while that improves the criterion."""
    for _ in range(_MOST_SWEEPS):
        before = list(chosen)
        for place in range(len(chosen)):
            rest = [i for at, i in enumerate(chosen) if at != place]
            best = _best(state, rest)
            if _score(state, [*rest, best]) < _score(state, chosen) - 1e-12:
                chosen[place] = best
        if chosen == before:
            break
    return chosen
