"""Runs made by hand: builds of known goals, errors and constructions."""

from dataclasses import replace

import numpy as np
import pytest

from layers.estimates import Difference, Estimate, Figure
from optimize.scenario.space import Space
from optimize.search.result import Build, Member, Run
from optimize.search.shortlist import non_dominated
from optimize.verdicts import rivals
from tests.helpers.pages import brief

GOALS = [
    {"figure": "cor", "aim": "maximize"},
    {"figure": "deflection_mm", "aim": "maximize"},
]


def _figure(name: str, value: float, error: float) -> Figure:
    unit = {"cor": "1", "deflection_mm": "mm", "frequency_hz": "Hz"}[name]
    return Figure(name, value, unit, "finite element", error, 9.0 * error)


def _known(one, other, name: str) -> Difference:
    """Subtract, with the larger of the two figures' errors: a rule that tests can reckon with."""
    a, b = one.figures[name], other.figures[name]
    error = max(a.difference_error, b.difference_error)
    return Difference(name, b.value - a.value, a.unit, error)


@pytest.fixture(autouse=True)
def _plain_errors(monkeypatch):
    """Verdicts take the error of a difference from one place; here it is the plain rule."""
    monkeypatch.setattr(rivals, "difference", _known)


@pytest.fixture
def make_run():
    """Return a function that makes a run of builds with given figures.

    Its members are eight of the front, or with one goal of all feasible builds, in the order of the
    first goal.
    """

    def make(figures, errors, goals=GOALS, limit=(), rows=None):
        scenario = brief(goal=goals, limit=list(limit))
        space = Space(scenario)
        rows = rows or [
            tuple(0 if k else i % 3 for k in range(len(space.genes))) for i in range(len(figures))
        ]
        builds = []
        for i, values in enumerate(figures):
            own = {n: _figure(n, v, errors[n]) for n, v in values.items()}
            excess = {
                bound: over
                for bound in scenario.bounds()
                if bound.figure in own and (over := bound.excess(own[bound.figure].value)) > 0.0
            }
            ball = space.decode(rows[i]).ball
            builds.append(Build(f"{i:032x}", rows[i], ball, own, excess))
        names = [goal.figure for goal in scenario.goal]
        feasible = [b for b in builds if not b.excess]
        losses = np.array(
            [[g.loss(b.figures[g.figure].value) for g in scenario.goal] for b in feasible]
        ).reshape(-1, len(names))
        kept = non_dominated(losses) if len(names) > 1 else np.ones(len(feasible), dtype=bool)
        front = sorted(np.flatnonzero(kept), key=lambda i: tuple(losses[i]))
        listed = [feasible[i] for i in front]
        places = np.unique(np.linspace(0, max(0, len(listed) - 1), 8).astype(int))
        some = [listed[i] for i in places] if listed else []
        members = tuple(_member(k, some, scenario.goal) for k in range(len(some)))
        return Run(
            id="made",
            scenario=scenario,
            seed=1,
            model_version="x",
            evaluated=len(builds),
            feasible=len(feasible),
            infeasible=len(builds) - len(feasible),
            ruled_out=0,
            failed={},
            short_list=members,
            front=tuple((b.key, tuple(b.figures[n].value for n in names)) for b in listed),
            prices=(),
            relaxations=(),
            checks=(),
            cloud=np.zeros((len(builds), len(names))),
            cloud_feasible=np.array([not b.excess for b in builds]),
            builds=tuple(builds),
            reused=0,
            seconds=0.0,
        )

    return make


def _member(k, listed, goals):
    label, build = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[k], listed[k]
    estimate = Estimate(build.ball, dict(build.figures))
    same = tuple(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[j]
        for j, other in enumerate(listed)
        if j != k and not any(_known(build, other, goal.figure).beyond_error for goal in goals)
    )
    return Member(label, build.key, build.ball.named(label), estimate, (estimate,), {}, "", same)


def unlisted(run, *labels):
    """Return the run without some of its members on the short list."""
    return replace(run, short_list=tuple(m for m in run.short_list if m.label not in labels))
