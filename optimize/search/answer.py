"""The answer of a search: members estimated in full, the front, prices, relaxations."""

from collections.abc import Sequence

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.estimates import Estimate, Figure
from layers.figures import BALL_FIGURES
from optimize.compute.one import Request
from optimize.scenario.goals import Goal
from optimize.search import shortlist
from optimize.search.coverage import emulator_checks
from optimize.search.loop import Assessed, Search
from optimize.search.result import Build, Failed, Feasible, Infeasible, Member, Relaxation, Run

STAGE_FIGURES = ("diameter_mm", "mass_g", "moi_g_cm2", "deflection_mm")


def answer(search: Search) -> Run:
    """Make the run's answer; missing figures of members come from the search's evaluator.

    Returns
    -------
    Run
        With `seconds` 0, for the caller to set.
    """
    scenario, goals = search.scenario, search.scenario.goal
    computed = search.computed()
    feasible = [one for one in computed if isinstance(one.outcome, Feasible)]
    relaxations: tuple[Relaxation, ...] = ()
    if feasible:
        members = _members(search, feasible)
    else:
        members, relaxations = _closest(search, computed)
    cloud = [_values(goals, one) for one in computed]
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
        checks=emulator_checks(search.predictions, computed),
        cloud=np.array(cloud, dtype=np.float64).reshape(-1, len(goals)),
        cloud_feasible=np.array([isinstance(one.outcome, Feasible) for one in computed]),
        builds=tuple(_build(one) for one in computed),
        reused=search.evaluator.reused,
        seconds=0.0,
        refused=search.refused(),
        lacking=lacking(_thin(members)),
    )


def lacking(what: str) -> str:
    """Say in a sentence what the ledger lacks of a run, and what helps; nothing of nothing."""
    if not what:
        return ""
    return (
        f"The ledger lacks {what}, since another version searched and picked other builds: "
        f"search the scenario again to have them."
    )


def _thin(members: Sequence[Member]) -> str:
    """Name the members of which a figure is neither known nor failed."""
    found = [
        member.label
        for member in members
        if any(
            not set(BALL_FIGURES if stage is member.estimate else STAGE_FIGURES)
            <= {*stage.figures, *stage.failed}
            for stage in member.stages
        )
    ]
    return f"some figures of {', '.join(found)}" if found else ""


def _build(one: Assessed) -> Build:
    outcome, ball = one.outcome, one.candidate.ball
    assert not isinstance(outcome, Failed)  # it was computed
    assert ball is not None
    excess = outcome.excess if isinstance(outcome, Infeasible) else {}
    return Build(str(one.key), one.candidate.row, ball, outcome.figures, excess)


def _figures(goals: Sequence[Goal], one: Assessed) -> list[Figure]:
    assert not isinstance(one.outcome, Failed)  # only builds with figures get here
    return [one.outcome.figures[goal.figure] for goal in goals]


def _estimate(one: Assessed) -> Estimate:
    assert one.candidate.ball is not None
    assert not isinstance(one.outcome, Failed)
    return Estimate(one.candidate.ball, one.outcome.figures)


def _values(goals: Sequence[Goal], one: Assessed) -> tuple[float, ...]:
    return tuple(figure.value for figure in _figures(goals, one))


def _losses(goals: Sequence[Goal], builds: Sequence[Assessed]) -> FloatArray:
    rows = [[g.loss(v) for g, v in zip(goals, _values(goals, b), strict=True)] for b in builds]
    return np.array(rows, dtype=np.float64).reshape(-1, len(goals))


def _front(
    goals: Sequence[Goal], feasible: Sequence[Assessed]
) -> tuple[tuple[str, tuple[float, ...]], ...]:
    losses = _losses(goals, feasible)
    front = np.flatnonzero(shortlist.non_dominated(losses)).tolist()
    ordered = sorted(front, key=lambda i: (*losses[i], i))
    return tuple((str(feasible[i].key), _values(goals, feasible[i])) for i in ordered)


def _members(search: Search, feasible: Sequence[Assessed]) -> tuple[Member, ...]:
    goals = search.scenario.goal
    builds = [_estimate(one) for one in feasible]
    points = np.array([search.space.point_of(b.candidate.row) for b in feasible])
    picks = shortlist.choose(goals, _losses(goals, feasible), builds, points)
    chosen = [feasible[pick.index] for pick in picks]
    labels = _labels(len(chosen))
    alike = shortlist.alike(goals, labels, [_estimate(one) for one in chosen])
    return _estimated(search, chosen, [pick.reason for pick in picks], alike)


def _closest(
    search: Search, computed: Sequence[Assessed]
) -> tuple[tuple[Member, ...], tuple[Relaxation, ...]]:
    """Return the closest infeasible builds, and the limits to relax for them."""
    if not computed:  # no values of the design variables make a ball: closed forms only
        ruled_out = shortlist.changes(search.ruled_out_builds())
        return (), tuple(shortlist.relaxation(change, "") for change in ruled_out)
    outcomes = [one.outcome for one in computed]
    infeasible = [outcome for outcome in outcomes if isinstance(outcome, Infeasible)]
    changes = shortlist.changes(infeasible)
    nearest = shortlist.closest_infeasible(infeasible, changes)
    labels = dict(zip(nearest, _labels(len(nearest)), strict=True))
    reasons = [f"violates {shortlist.violated(infeasible[i].excess)}" for i in nearest]
    members = _estimated(search, [computed[i] for i in nearest], reasons, [()] * len(nearest))
    return members, tuple(shortlist.relaxation(c, labels[c.index]) for c in changes)


def _labels(count: int) -> list[str]:
    return list(shortlist.LABELS[:count])


def _estimated(
    search: Search,
    chosen: Sequence[Assessed],
    reasons: Sequence[str],
    alike: Sequence[tuple[str, ...]],
) -> tuple[Member, ...]:
    """Make members: every figure of the ball, and the lab's figures of each stage."""
    names = tuple(dict.fromkeys((*search.scenario.figures(), *BALL_FIGURES)))
    balls = [_named(one, label) for one, label in zip(chosen, _labels(len(chosen)), strict=True)]
    requests: list[Request] = []
    for ball in balls:
        inner = [(ball.stage(n), STAGE_FIGURES) for n in range(1, len(ball.layer))]
        requests += [*inner, (ball, names)]
    evaluator = search.evaluator
    # Read back by a later version, other builds may be picked, of which the ledger knows less.
    read = evaluator.estimates if evaluator.compute else evaluator.recorded
    estimates = iter(read(requests))
    members = []
    for i, (one, ball) in enumerate(zip(chosen, balls, strict=True)):
        stages = tuple(next(estimates) for _ in ball.layer)
        outcome = one.outcome
        excess = outcome.excess if isinstance(outcome, Infeasible) else {}
        members.append(
            Member(
                label=_labels(len(chosen))[i],
                key=str(one.key),
                ball=ball,
                estimate=stages[-1],
                stages=stages,
                violations={shortlist.named(bound): amount for bound, amount in excess.items()},
                reason=reasons[i],
                indistinguishable_from=alike[i],
            )
        )
    return tuple(members)


def _named(one: Assessed, label: str) -> Ball:
    ball = one.candidate.ball
    assert ball is not None  # it was computed
    return ball.named(label)
