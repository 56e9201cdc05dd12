"""The next prototypes: which of some candidate builds tell most, and why.

The model is linearised over the parameters of the cards and the biases of the figures, so that what
a build's measurements would take off every variance is known before it is made:

    P' = P - P A^T (A P A^T + R)^-1 A P

with P the covariance now, A what would be measured of the build, R its noise and scatter. Builds
are taken one by one, each the best after those before it, then exchanged as long as that helps
(Atkinson and Donev 1992, Optimum Experimental Designs, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.figures import parse_figure
from optimize.calibration.calibrated import WIDTH, Calibration, key_of
from optimize.calibration.parameters import Mapper, Model, Parameter, jacobian, parameters_of
from optimize.lab.uncertainty import lab_data

About = Literal["figures", "materials", "both"]

# What a lab measures of every stage, and of the finished ball besides.
STAGE_PLAN, BALL_PLAN = ("mass_g", "deflection_mm"), ("cor",)

# What a round is about when nothing is said.
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
        A sentence: what it narrows, and what sets it apart.
    figures : dict of str to (float, float)
        Half width of 95 %, percent, of each goal over the candidates, before and after this build
        and those before it are measured.
    """

    ball: Ball
    reason: str
    figures: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class NextRound:
    """The builds to make, the most telling first.

    Attributes
    ----------
    pick : tuple of Pick
        As many as the budget.
    figures : dict of str to (float, float)
        Half width of 95 %, percent, of each goal over all candidates, now and expected after the
        round.
    measured : tuple of str
        What has to be measured of each build for that.
    """

    pick: tuple[Pick, ...]
    figures: dict[str, tuple[float, float]]
    measured: tuple[str, ...]


@dataclass(frozen=True)
class _Belief:
    """Candidates linearised: n = p + k unknowns, c candidates, q goals."""

    balls: tuple[Ball, ...]
    goals: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    theta: FloatArray
    covariance: FloatArray
    rows: tuple[FloatArray, ...]
    noise: tuple[FloatArray, ...]
    goal_rows: FloatArray  # (c, q, n)
    about: About


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
        Builds worth making, as drawn, say a run's short list.
    goals : sequence of str
        Figures of the finished ball that the round should make surer, over all candidates.
    budget : int
        How many builds can be made, from 1 to the number of candidates.
    calibration : Calibration, optional
        What is known by now; the cards' grades otherwise.
    about : {"both", "figures", "materials"}
        What counts: the mean variance of the goals (I-optimal), the determinant of the materials'
        covariance (D-optimal), or the mean of both as shares of what they are now.
    pieces : int
        How many of each stage are measured.
    stage_plan, ball_plan : sequence of str
        Figures measured of each stage, and of the finished ball besides.
    conditions, mapper
        As for `optimize.calibration.calibrate.calibrate`.

    Raises
    ------
    InputError
        If the budget or a figure does not fit.
    """
    if not 1 <= budget <= len(candidates):
        raise InputError(f"budget is {budget}, but must be from 1 to {len(candidates)} builds.")
    if len({ball.name for ball in candidates}) < len(candidates):
        raise InputError("two candidates have one name, but names must tell them apart.")
    belief = _belief(
        candidates, goals, calibration, about, pieces, (stage_plan, ball_plan), conditions, mapper
    )
    chosen: list[int] = []
    for _ in range(budget):
        chosen.append(_best(belief, chosen))
    chosen = _exchanged(belief, chosen)
    steps = [belief.covariance]
    order: list[int] = []
    for _ in chosen:
        order.append(_best(belief, order, chosen))
        steps.append(_after(belief, order))
    picks = tuple(
        Pick(belief.balls[i], _reason(belief, i, before, after), _widths(belief, before, after))
        for i, (before, after) in zip(order, pairwise(steps), strict=True)
    )
    plan = (*(f"each stage: {n}" for n in stage_plan), *(f"ball: {n}" for n in ball_plan))
    return NextRound(picks, _widths(belief, steps[0], steps[-1]), plan)


def _belief(
    candidates: Sequence[Ball],
    goals: Sequence[str],
    calibration: Calibration | None,
    about: About,
    pieces: int,
    plan: tuple[Sequence[str], Sequence[str]],
    conditions: Conditions | None,
    mapper: Mapper,
) -> _Belief:
    goals = tuple(dict.fromkeys(goals))
    if not goals:
        raise InputError("goals are empty, but the next round needs at least one figure.")
    planned = [_planned(ball, *plan) for ball in candidates]
    names = [(*measured, *goals) for measured in planned]
    for name in dict.fromkeys(n for each in names for n in each):
        if parse_figure(name).quantity not in lab_data().figure:
            raise InputError(f"figure {name!r} follows from others and cannot be measured itself.")
    keys = list(dict.fromkeys(key_of(parse_figure(n)) for each in names for n in each))
    parameters, theta, covariance = _prior(candidates, keys, calibration)
    requests = tuple(
        (ball, tuple(dict.fromkeys(each))) for ball, each in zip(candidates, names, strict=True)
    )
    slopes = jacobian(Model(parameters, requests, conditions, mapper), theta)
    starts = np.cumsum([0] + [len(each) for _, each in requests])
    rows, noise, goal_rows = [], [], []
    for (_, each), measured, start in zip(requests, planned, starts[:-1], strict=True):
        whole = np.array(
            [
                [*slopes[start + i], *(float(k == key_of(parse_figure(n))) for k in keys)]
                for i, n in enumerate(each)
            ]
        )
        rows.append(whole[[each.index(n) for n in measured]])
        goal_rows.append(whole[[each.index(n) for n in goals]])
        noise.append(np.array([_variance(n, pieces, calibration) for n in measured]))
    return _Belief(
        balls=tuple(candidates),
        goals=goals,
        parameters=parameters,
        theta=theta,
        covariance=covariance,
        rows=tuple(rows),
        noise=tuple(noise),
        goal_rows=np.array(goal_rows),
        about=about,
    )


def _planned(ball: Ball, stage_plan: Sequence[str], ball_plan: Sequence[str]) -> tuple[str, ...]:
    count = len(ball.layer)
    staged = [f"stage{n}.{name}" for n in range(1, count) for name in stage_plan]
    return tuple(dict.fromkeys((*staged, *stage_plan, *ball_plan)))


def _prior(
    candidates: Sequence[Ball], keys: Sequence[str], calibration: Calibration | None
) -> tuple[tuple[Parameter, ...], FloatArray, FloatArray]:
    """Return parameters, their means, and the covariance of parameters and biases, as of now."""
    parameters = parameters_of(candidates)
    sd = [p.prior_sd for p in parameters]
    sd += [lab_data().figure[k.rpartition(".")[2]].bias_percent / 100.0 for k in keys]
    covariance, theta = np.diag(np.square(sd)), np.zeros(len(parameters))
    if calibration is None:
        return parameters, theta, covariance
    labels: list[tuple[str, str, float] | str] = [_label(p) for p in parameters]
    labels += keys
    known: list[tuple[str, str, float] | str] = [_label(p) for p in calibration.parameters]
    known += [d.key for d in calibration.discrepancy]
    here = [i for i, label in enumerate(labels) if label in known]
    there = [known.index(labels[i]) for i in here]
    covariance[np.ix_(here, here)] = np.array(calibration.covariance)[np.ix_(there, there)]
    for i, j in zip(here, there, strict=True):
        if i < len(theta):
            theta[i] = calibration.theta[j]
    return parameters, theta, covariance


def _label(parameter: Parameter) -> tuple[str, str, float]:
    return parameter.material, parameter.number, parameter.nominal


def _variance(name: str, pieces: int, calibration: Calibration | None) -> float:
    """Variance of a mean that is yet to be measured, about the model's mean over builds."""
    parsed = parse_figure(name)
    measured = lab_data().figure[parsed.quantity]
    noise, scatter = measured.noise_percent / 100.0, measured.scatter_percent / 100.0
    for d in calibration.discrepancy if calibration else ():
        if d.key == key_of(parsed):
            noise, scatter = d.noise, d.scatter
    return noise**2 / pieces + (measured.floor_percent / 100.0) ** 2 + scatter**2


def _after(belief: _Belief, chosen: Sequence[int]) -> FloatArray:
    """Covariance when some builds have been measured."""
    if not chosen:
        return belief.covariance
    rows = np.vstack([belief.rows[i] for i in chosen])
    noise = np.concatenate([belief.noise[i] for i in chosen])
    gain = belief.covariance @ rows.T
    left = belief.covariance - gain @ np.linalg.solve(rows @ gain + np.diag(noise), gain.T)
    return np.asarray((left + left.T) / 2.0)


def _goal_variance(belief: _Belief, covariance: FloatArray) -> FloatArray:
    """Variance of each goal, mean over the candidates, (q,)."""
    rows = belief.goal_rows
    return np.asarray(np.einsum("cqn,nm,cqm->cq", rows, covariance, rows).mean(axis=0))


def _score(belief: _Belief, chosen: Sequence[int]) -> float:
    """Return what is left of what is not known, 1 when nothing is measured."""
    left = _after(belief, chosen)
    share = _goal_variance(belief, left) / _goal_variance(belief, belief.covariance)
    figures = float(share.mean())
    p = len(belief.parameters)
    dets = [np.linalg.slogdet(c[:p, :p])[1] for c in (left, belief.covariance)]
    materials = math.exp((dets[0] - dets[1]) / p)
    return {"figures": figures, "materials": materials, "both": (figures + materials) / 2.0}[
        belief.about
    ]


def _best(belief: _Belief, chosen: Sequence[int], among: Sequence[int] | None = None) -> int:
    pool = range(len(belief.balls)) if among is None else among
    return min(
        (i for i in pool if i not in chosen), key=lambda i: (_score(belief, [*chosen, i]), i)
    )


def _exchanged(belief: _Belief, chosen: list[int]) -> list[int]:
    """Exchange builds as long as that leaves less unknown."""
    for _ in range(_MOST_SWEEPS):
        before = list(chosen)
        for place in range(len(chosen)):
            rest = [i for at, i in enumerate(chosen) if at != place]
            best = _best(belief, rest)
            if _score(belief, [*rest, best]) < _score(belief, chosen) - 1e-12:
                chosen[place] = best
        if chosen == before:
            break
    return chosen


def _widths(
    belief: _Belief, before: FloatArray, after: FloatArray
) -> dict[str, tuple[float, float]]:
    ends = [100.0 * WIDTH * np.sqrt(_goal_variance(belief, c)) for c in (before, after)]
    return {goal: (float(a), float(b)) for goal, a, b in zip(belief.goals, *ends, strict=True)}


_WORDS = {
    "youngs_modulus_mpa": "modulus",
    "density_g_cm3": "density",
    "dynamic_modulus_ratio": "dynamic stiffening",
    "relaxation_strength": "relaxation",
}


def _reason(belief: _Belief, i: int, before: FloatArray, after: FloatArray) -> str:
    """Say which numbers a build narrows most, what that does to the goals, what it alone has."""
    widths = _widths(belief, before, after)
    goal = min(widths, key=lambda name: widths[name][1] / max(widths[name][0], 1e-300))
    wide, narrow = widths[goal]
    p = len(belief.parameters)
    # What each number's own narrowing takes off the goal's variance, mean over the candidates.
    square = np.mean(belief.goal_rows[:, belief.goals.index(goal), :p] ** 2, axis=0)
    taken = square * (np.diag(before) - np.diag(after))[:p]
    most = [j for j in np.argsort(-taken, kind="stable")[:2] if taken[j] > 0.1 * taken.max()]
    told = [_narrowed(belief, int(j), before, after) for j in most]
    words = f"takes {goal} over the candidates from +-{wide:.1f} to +-{narrow:.1f} %"
    if told:
        words += f", for it narrows {' and '.join(told)}"
    alone = _trait(belief, i)
    return f"{words}{'; ' + alone if alone else ''}."


def _narrowed(belief: _Belief, j: int, before: FloatArray, after: FloatArray) -> str:
    parameter = belief.parameters[j]
    factor = 100.0 * WIDTH
    if parameter.number == "dynamic_modulus_ratio":
        value = parameter.value(float(belief.theta[j]))
        factor *= (value - 1.0) / value
    wide, narrow = (factor * math.sqrt(c[j, j]) for c in (before, after))
    return (
        f"the {_WORDS[parameter.number]} of {parameter.material} from +-{wide:.1f} to "
        f"+-{narrow:.1f} %"
    )


def _trait(belief: _Belief, i: int) -> str:
    """Say what sets a build apart: a material that no other has, or a layer thickest of all."""
    thick = [_thickness(ball) for ball in belief.balls]
    for material, own in thick[i].items():
        others = [t[material] for n, t in enumerate(thick) if n != i and material in t]
        if not others:
            return f"no other candidate has {material}"
        if own > max(others) + 1e-6:
            return f"its {material} is the thickest, {own:.2f} mm"
    return ""


def _thickness(ball: Ball) -> dict[str, float]:
    """Thickness by material; a core's, its radius, would always be the first to be told."""
    bounds = [0.0, *(layer.outer_diameter_mm / 2.0 for layer in ball.layer)]
    walls = [outer - inner for inner, outer in pairwise(bounds)]
    last_first = list(zip(ball.layer, walls, strict=True))[:0:-1]
    return {layer.material.name: wall for layer, wall in last_first}
