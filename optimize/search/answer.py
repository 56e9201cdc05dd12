"""The answer of a search: members estimated in full, the front, prices, relaxations."""

import string
from collections.abc import Sequence

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.figures import BALL_FIGURES, Figure
from optimize.compute.one import Request
from optimize.scenario.goals import Bound, Goal
from optimize.search import shortlist
from optimize.search.coverage import checked
from optimize.search.loop import Looked, Search
from optimize.search.result import Build, Evaluated, Failed, Infeasible, Member, Relaxation, Run

STAGE_FIGURES = ("diameter_mm", "mass_g", "moi_g_cm2", "deflection_mm")


def answer(search: Search) -> Run:
    """Make the run's answer; the members' missing figures come from the search's evaluator.

    Returns
    -------
    Run
        With `seconds` 0; the caller knows when it began.
    """
    scenario, goals = search.scenario, search.scenario.goal
    computed = search.computed()
    feasible = [looked for looked in computed if isinstance(looked.outcome, Evaluated)]
    relaxations: tuple[Relaxation, ...] = ()
    if feasible:
        members = _members(search, feasible)
    else:
        members, relaxations = _misses(search, computed)
    cloud = [_values(goals, looked) for looked in computed]
    return Run(
        id=search.run,
        scenario=scenario,
        seed=scenario.seed,
        model_version=search.evaluator.model_version,
        evaluated=search.evaluated,
        feasible=search.feasible,
        infeasible=search.evaluated - search.feasible,
        ruled_out=search.ruled_out,
        failed=search.failures(),
        short_list=members,
        front=_front(goals, feasible),
        prices=shortlist.prices(goals, members) if feasible else (),
        relaxations=relaxations,
        checks=checked(search.guesses, computed),
        cloud=np.array(cloud, dtype=np.float64).reshape(-1, len(goals)),
        cloud_feasible=np.array([isinstance(looked.outcome, Evaluated) for looked in computed]),
        builds=tuple(_build(looked) for looked in computed),
        reused=search.evaluator.reused,
        seconds=0.0,
    )


def _build(looked: Looked) -> Build:
    outcome, ball = looked.outcome, looked.candidate.ball
    assert not isinstance(outcome, Failed)  # it was computed
    assert ball is not None
    excess = outcome.excess if isinstance(outcome, Infeasible) else {}
    return Build(str(looked.key), looked.candidate.row, ball, outcome.figures, excess)


def _figures(goals: Sequence[Goal], looked: Looked) -> list[Figure]:
    assert not isinstance(looked.outcome, Failed)  # only builds with figures get here
    return [looked.outcome.figures[goal.figure] for goal in goals]


def _values(goals: Sequence[Goal], looked: Looked) -> tuple[float, ...]:
    return tuple(figure.value for figure in _figures(goals, looked))


def _losses(goals: Sequence[Goal], builds: Sequence[Looked]) -> FloatArray:
    rows = [[g.loss(v) for g, v in zip(goals, _values(goals, b), strict=True)] for b in builds]
    return np.array(rows, dtype=np.float64).reshape(-1, len(goals))


def _front(
    goals: Sequence[Goal], feasible: Sequence[Looked]
) -> tuple[tuple[str, tuple[float, ...]], ...]:
    losses = _losses(goals, feasible)
    front = np.flatnonzero(shortlist.non_dominated(losses)).tolist()
    ordered = sorted(front, key=lambda i: (*losses[i], i))
    return tuple((str(feasible[i].key), _values(goals, feasible[i])) for i in ordered)


def _members(search: Search, feasible: Sequence[Looked]) -> tuple[Member, ...]:
    goals = search.scenario.goal
    errors = np.array([[f.difference_error for f in _figures(goals, b)] for b in feasible])
    points = np.array([search.space.point_of(b.candidate.row) for b in feasible])
    picks = shortlist.choose(goals, _losses(goals, feasible), errors, points)
    chosen = [feasible[pick.index] for pick in picks]
    labels = _labels(len(chosen))
    alike = [
        tuple(
            other
            for other, b in zip(labels, chosen, strict=True)
            if b is not a and shortlist.indistinguishable(_figures(goals, a), _figures(goals, b))
        )
        for a in chosen
    ]
    return _estimated(search, chosen, [pick.reason for pick in picks], alike)


def _misses(
    search: Search, computed: Sequence[Looked]
) -> tuple[tuple[Member, ...], tuple[Relaxation, ...]]:
    """Return the nearest misses, and what would let them in."""
    if not computed:  # no choice of the freedoms makes a ball: no figures, but closed forms
        away = shortlist.changes(search.turned_away())
        return (), tuple(shortlist.relaxation(change, "") for change in away)
    outcomes = [looked.outcome for looked in computed]
    misses = [outcome for outcome in outcomes if isinstance(outcome, Infeasible)]
    changes = shortlist.changes(misses)
    nearest = shortlist.nearest_misses(misses, changes)
    labels = dict(zip(nearest, _labels(len(nearest)), strict=True))
    reasons = [
        "misses "
        + "; ".join(f"{_name(b)} by {shortlist.plain(e, 3)}" for b, e in misses[i].excess.items())
        for i in nearest
    ]
    members = _estimated(search, [computed[i] for i in nearest], reasons, [()] * len(nearest))
    return members, tuple(shortlist.relaxation(c, labels[c.index]) for c in changes)


def _name(bound: Bound) -> str:
    return f"{bound.figure} {bound.side} {bound.value:g}"


def _labels(count: int) -> list[str]:
    return list(string.ascii_uppercase[:count])


def _estimated(
    search: Search,
    chosen: Sequence[Looked],
    reasons: Sequence[str],
    alike: Sequence[tuple[str, ...]],
) -> tuple[Member, ...]:
    """Make members: every figure of the ball, and what the lab measures on each stage."""
    names = tuple(dict.fromkeys((*search.scenario.figures(), *BALL_FIGURES)))
    balls = [
        _named(looked, label) for looked, label in zip(chosen, _labels(len(chosen)), strict=True)
    ]
    requests: list[Request] = []
    for ball in balls:
        inner = [(ball.stage(n), STAGE_FIGURES) for n in range(1, len(ball.layer))]
        requests += [*inner, (ball, names)]
    estimates = iter(search.evaluator.estimates(requests))
    members = []
    for i, (looked, ball) in enumerate(zip(chosen, balls, strict=True)):
        stages = tuple(next(estimates) for _ in ball.layer)
        outcome = looked.outcome
        excess = outcome.excess if isinstance(outcome, Infeasible) else {}
        members.append(
            Member(
                label=_labels(len(chosen))[i],
                key=str(looked.key),
                ball=ball,
                estimate=stages[-1],
                stages=stages,
                violations={_name(bound): amount for bound, amount in excess.items()},
                reason=reasons[i],
                indistinguishable_from=alike[i],
            )
        )
    return tuple(members)


def _named(looked: Looked, label: str) -> Ball:
    ball = looked.candidate.ball
    assert ball is not None  # it was computed
    return ball.model_copy(update={"name": f"{ball.name}, {label}"})
