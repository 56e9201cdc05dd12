"""Members, fronts and what the ledger lacks, of a search whose figures are made up.

Kind: structure.
"""

from types import SimpleNamespace

import pytest

from layers.estimates import Estimate, Figure
from layers.figures import BALL_FIGURES
from optimize.scenario.space import Space
from optimize.search import answer as module
from optimize.search.answer import STAGE_FIGURES, answer, lacking
from optimize.search.loop import Assessed, _key
from optimize.search.result import Feasible, Infeasible
from tests.helpers.briefs import two_layers

SCENARIO = two_layers(limit=[{"figure": "moi_g_cm2", "at_most": 82.0}])
SPACE = Space(SCENARIO)
(LIMIT,) = (b for b in SCENARIO.bounds() if b.figure == "moi_g_cm2")


def figure(name: str, value: float) -> Figure:
    return Figure(name, value, "g", "closed form", 0.0, 0.0)


def assessed(row, mass: float, moi: float, excess=0.0) -> Assessed:
    candidate = SPACE.decode(row)
    figures = {"mass_g": figure("mass_g", mass), "moi_g_cm2": figure("moi_g_cm2", moi)}
    outcome = Infeasible({LIMIT: excess}, figures, True) if excess else Feasible(figures)
    return Assessed(candidate, _key(candidate), outcome)


class Evaluator:
    """Every figure of every stage is the number of layers; some may be missing."""

    def __init__(self, compute=True, without=()):
        self.compute, self.without, self.asked = compute, without, []
        self.model_version, self.reused = "7", 5

    def estimates(self, requests):
        assert self.compute
        return self._found(requests)

    def recorded(self, requests):
        assert not self.compute
        return self._found(requests)

    def _found(self, requests):
        self.asked += requests
        return [
            Estimate(ball, {n: figure(n, len(ball.layer)) for n in names if n not in self.without})
            for ball, names in requests
        ]


def searched(builds, evaluator=None, failed=0, ruled_out=()):
    feasible = sum(isinstance(one.outcome, Feasible) for one in builds)
    return SimpleNamespace(
        scenario=SCENARIO, space=SPACE, run="r1", evaluator=evaluator or Evaluator(),
        evaluated=len(builds), feasible=feasible, ruled_out=3, predictions={},
        computed=lambda: list(builds), failures=lambda: {"why": failed} if failed else {},
        refused=lambda: {"ours": (1, 2)}, ruled_out_builds=lambda: list(ruled_out),
    )  # fmt: skip


BUILDS = [
    assessed((0, 0), 45.5, 80.0),
    assessed((0, 1), 45.0, 81.0),
    assessed((0, 2), 46.0, 80.5),  # worse than the first in both
    assessed((0, 3), 45.1, 83.0, excess=1.0),
    assessed((0, 4), 45.4, 80.2),
]


def test_a_run_counts_and_keeps_all_that_was_computed_in_order():
    run = answer(searched(BUILDS, failed=2))
    assert (run.id, run.seed, run.model_version) == ("r1", SCENARIO.seed, "7")
    assert (run.evaluated, run.feasible, run.infeasible, run.ruled_out) == (5, 4, 1, 3)
    assert (run.failed, run.refused, run.reused, run.seconds) == (
        {"why": 2},
        {"ours": (1, 2)},
        5,
        0.0,
    )
    assert run.cloud.tolist() == [
        [45.5, 80.0],
        [45.0, 81.0],
        [46.0, 80.5],
        [45.1, 83.0],
        [45.4, 80.2],
    ]
    assert run.cloud_feasible.tolist() == [True, True, True, False, True]
    assert [b.key for b in run.builds] == [one.key for one in BUILDS]
    assert [b.row for b in run.builds] == [one.candidate.row for one in BUILDS]
    assert [dict(b.excess) for b in run.builds] == [{}, {}, {}, {LIMIT: 1.0}, {}]
    assert run.builds[0].figures["mass_g"].value == 45.5
    assert (run.relaxations, run.checks, run.lacking) == ((), (), "")


def test_the_front_is_of_feasible_builds_by_the_first_goal():
    run = answer(searched(BUILDS))
    # Goals: mass to 45, inertia low. In losses: 0.5/80, 0/81, 0.4/80.2.
    assert run.front == (
        (BUILDS[1].key, (45.0, 81.0)),
        (BUILDS[4].key, (45.4, 80.2)),
        (BUILDS[0].key, (45.5, 80.0)),
    )


def test_members_have_every_figure_and_those_of_each_stage():
    search = searched(BUILDS)
    run = answer(search)
    members = {m.key: m for m in run.short_list}
    assert [m.label for m in run.short_list] == list("ABC")
    assert set(members) == {key for key, _ in run.front}
    for member in run.short_list:
        assert member.ball.name == f"Two layers, {member.label}"
        assert (len(member.stages), member.stages[-1]) == (2, member.estimate)
        assert set(member.stages[0].figures) == set(STAGE_FIGURES)
        assert member.stages[0]["mass_g"].value == 1.0
        assert set(member.estimate.figures) == {*SCENARIO.figures(), *BALL_FIGURES}
        assert member.violations == {}
        assert member.reason
    assert len(search.evaluator.asked) == 6
    assert run.short_list[0].key == BUILDS[1].key


def test_where_nothing_is_feasible_the_closest_say_what_to_relax():
    builds = [assessed((0, i), 45.0, 83.0, excess=float(9 - i)) for i in range(7)]
    run = answer(searched(builds))
    assert (run.feasible, run.front, run.prices) == (0, (), ())
    assert [m.key for m in run.short_list] == [builds[i].key for i in (6, 5, 4, 3, 2)]
    first = run.short_list[0]
    assert first.violations == {"moi_g_cm2 at most 82": 3.0}
    assert first.reason == "violates moi_g_cm2 at most 82 g cm2 by 3 g cm2"
    assert [m.indistinguishable_from for m in run.short_list] == [()] * 5
    (change,) = run.relaxations
    assert (change.member, change.needed) == ("A", 85.0)
    assert run.cloud_feasible.tolist() == [False] * 7


def test_where_nothing_was_computed_closed_forms_say_what_to_relax():
    ruled_out = [Infeasible({LIMIT: 2.0}, {}, False), Infeasible({LIMIT: 1.0}, {}, False)]
    run = answer(searched([], ruled_out=ruled_out))
    assert (run.short_list, run.builds, run.cloud.shape) == ((), (), (0, 2))
    (change,) = run.relaxations
    assert (change.member, change.needed) == ("", 83.0)
    assert change.sentence.endswith("its other violations are not known.")


def test_what_a_ledger_lacks_of_a_run_that_is_only_read_is_told():
    run = answer(searched(BUILDS, Evaluator(compute=False, without=("deflection_mm",))))
    assert run.lacking == (
        "The ledger lacks some figures of A, B, C, since another version searched and picked other "
        "builds: search the scenario again to have them."
    )
    whole = answer(searched(BUILDS, Evaluator(compute=False)))
    assert whole.lacking == ""
    own = answer(searched(BUILDS, Evaluator(compute=False, without=("moi_ratio",))))
    assert "some figures of A, B, C" in own.lacking  # of the ball, though of no stage
    assert lacking("") == ""


@pytest.mark.parametrize("stage", [0, 1])
def test_a_figure_that_failed_is_not_lacking(stage):
    run = answer(searched(BUILDS))
    member = run.short_list[0]
    names = list(member.stages[stage].figures)
    kept = {n: f for n, f in member.stages[stage].figures.items() if n != names[0]}
    for failed, thin in (({names[0]: "crushed"}, ""), ({}, "some figures of A")):
        changed = Estimate(member.stages[stage].ball, kept, failed)
        stages = [changed if i == stage else one for i, one in enumerate(member.stages)]
        shown = SimpleNamespace(label="A", stages=stages, estimate=stages[-1])
        assert module._thin([shown]) == thin
