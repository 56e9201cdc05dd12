"""The short list on the fine mesh: same builds, smaller errors, kept apart in the ledger."""

import numpy as np
import pytest

from layers.estimates import Estimate, Figure
from layers.model_version import MODEL_VERSION
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import scenario_from_toml
from optimize.search.refine import fine_evaluator, refined
from optimize.search.result import Member, Run
from optimize.search.run import load_run, refine_run, run_search
from tests.helpers.briefs import two_layers
from tests.helpers.builds import random_balls

BRIEF = """
name = "refined"
seed = 3
evaluations = 6
population = 4
[ball]
outer_diameter_mm = 42.70
[[layer]]
role = "core"
material = "core rubber, medium"
youngs_modulus_mpa = [40, 60]
youngs_modulus_increment_mpa = 5
[[layer]]
role = "cover"
material = "urethane, soft"
thickness_mm = [1.0, 2.0]
increment_mm = 0.1
[[goal]]
figure = "deflection_mm"
aim = "maximize"
[[goal]]
figure = "mass_g"
aim = "maximize"
"""


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    path = tmp_path_factory.mktemp("refined") / "ledger.sqlite"
    run = run_search(scenario_from_toml(BRIEF), path)
    return path, run, refine_run(path, run.id)


def test_the_builds_stay_and_their_errors_shrink(both):
    _, run, fine = both
    assert (run.mesh, fine.mesh) == ("default", "fine")
    assert [m.key for m in fine.short_list] == [m.key for m in run.short_list]
    for a, b in zip(run.short_list, fine.short_list, strict=True):
        coarse, refined = (m.estimate["deflection_mm"] for m in (a, b))
        assert refined.value != coarse.value
        assert refined.value == pytest.approx(coarse.value, rel=0.01)
        assert refined.difference_error < 0.5 * coarse.difference_error
        assert b.estimate["mass_g"] == a.estimate["mass_g"]


def test_the_ledger_keeps_the_meshes_apart(both):
    path, run, fine = both
    assert load_run(path, run.id) == run
    key = fine.short_list[0].key
    with Ledger(path, reading=True) as ledger:
        default, refined = (
            ledger.known([key], version)[key].figures["deflection_mm"].value
            for version in (MODEL_VERSION, f"{MODEL_VERSION}+fine")
        )
    assert default == run.short_list[0].estimate["deflection_mm"].value
    assert refined == fine.short_list[0].estimate["deflection_mm"].value


def test_refining_again_computes_nothing(both, monkeypatch):
    path, run, fine = both

    def refuse(*_):
        raise AssertionError("computed again")

    monkeypatch.setattr("optimize.compute.pool.compute_one", refuse)
    assert refine_run(path, run.id) == fine


def test_a_scenario_may_ask_for_the_fine_mesh(both, tmp_path):
    _, _, fine = both
    scenario = scenario_from_toml('shortlist_mesh = "fine"\n' + BRIEF)
    asked = run_search(scenario, tmp_path / "l.sqlite")
    assert asked.mesh == "fine"
    assert [m.estimate for m in asked.short_list] == [m.estimate for m in fine.short_list]
    assert load_run(tmp_path / "l.sqlite", asked.id) == asked


# With figures that are made up: what changes of a member, and what stays.


def figure(name: str, value: float, error: float = 0.0) -> Figure:
    return Figure(name, value, "g", "closed form", error, error)


LIMITS = [
    {"figure": "moi_g_cm2", "at_most": 81.0},
    {"figure": "cover.thickness_mm", "at_least": 0.4},
]
SCENARIO = two_layers(limit=LIMITS)
BALLS = random_balls(3, seed=4)[1:]  # of three and four layers


def member(i: int, mass: float, moi: float, violations=None) -> Member:
    ball = BALLS[i]
    inner = [
        Estimate(ball.stage(n), {"mass_g": figure("mass_g", 30.0 + n)})
        for n in range(1, len(ball.layer))
    ]
    whole = {"mass_g": figure("mass_g", mass), "moi_g_cm2": figure("moi_g_cm2", moi)}
    estimate = Estimate(ball, whole, {"cor": "crushed"})
    stages = (*inner, estimate)
    return Member("AB"[i], f"k{i}", ball, estimate, stages, violations or {}, "why", ("Z",))


def of(members, feasible: int = 2) -> Run:
    return Run(
        id="r1", scenario=SCENARIO, seed=1, model_version="1", evaluated=2, feasible=feasible,
        infeasible=0, ruled_out=0, failed={}, short_list=tuple(members), front=(), prices=(),
        relaxations=(), checks=(), cloud=np.zeros((2, 2)), cloud_feasible=np.ones(2, bool),
        builds=(), reused=0, seconds=0.0,
    )  # fmt: skip


class Fine:
    """Figures on the fine mesh: the same with a change of inertia; `lacks` is not known."""

    def __init__(self, change: float = 0.0, lacks: str = "", compute=True):
        self.change, self.lacks, self.compute, self.asked = change, lacks, compute, []

    def estimates(self, requests):
        assert self.compute
        return self._found(requests)

    def recorded(self, requests):
        assert not self.compute
        return self._found(requests)

    def _found(self, requests):
        self.asked = requests
        values = {"mass_g": 46.0, "moi_g_cm2": 80.0 + self.change}
        return [
            Estimate(
                ball,
                {n: figure(n, values[n]) for n in names if n != self.lacks and n != "cor"},
                {"cor": "crushed"} if "cor" in names and self.lacks != "cor" else {},
            )
            for ball, names in requests
        ]


def test_what_was_known_of_each_stage_is_asked_again():
    fine = Fine()
    done = refined(of([member(0, 46.0, 80.0), member(1, 45.0, 80.5)]), fine)
    whole = ("mass_g", "moi_g_cm2", "cor")
    asked = []
    for ball in BALLS:
        asked += [(ball.stage(n), ("mass_g",)) for n in range(1, len(ball.layer))]
        asked.append((ball, whole))
    assert fine.asked == asked
    assert (done.mesh, done.lacking) == ("fine", "")
    for one in done.short_list:
        assert one.stages[-1] is one.estimate
        assert one.estimate["moi_g_cm2"].value == 80.0
        assert (one.violations, one.reason) == ({}, "why")
    # Both are the same on the fine mesh.
    assert [one.indistinguishable_from for one in done.short_list] == [("B",), ("A",)]
    assert done.prices == ()


def test_a_limit_that_is_missed_on_the_fine_mesh_is_told_and_others_are_kept():
    kept = {"stage9.mass_g at most 1": 2.0, "moi_g_cm2 at most 81": 0.5}
    done = refined(of([member(0, 46.0, 81.5, kept)]), Fine(change=1.25))
    (one,) = done.short_list
    assert one.violations == {"stage9.mass_g at most 1": 2.0, "moi_g_cm2 at most 81": 0.25}
    assert (
        one.reason == "why; on the fine mesh it violates moi_g_cm2 at most 81 g cm2 by 0.25 g cm2"
    )
    met = refined(of([member(0, 46.0, 81.5, kept)]), Fine(change=1.0)).short_list[0]
    assert met.violations == {"stage9.mass_g at most 1": 2.0}  # judged again, and met
    assert met.reason == "why"


def test_where_nothing_is_feasible_likeness_and_prices_are_left():
    done = refined(of([member(0, 46.0, 80.0), member(1, 45.0, 80.5)], feasible=0), Fine())
    assert [one.indistinguishable_from for one in done.short_list] == [("Z",), ("Z",)]
    assert done.prices == ()


@pytest.mark.parametrize("lacks", ["mass_g", "moi_g_cm2", "cor"])
def test_a_run_that_is_only_read_stays_where_figures_are_lacking(lacks):
    run = of([member(0, 46.0, 80.0)])
    shown = refined(run, Fine(lacks=lacks, compute=False))
    assert (shown.short_list, shown.mesh) == (run.short_list, "default")
    assert shown.lacking == (
        "The ledger lacks the short list on the fine mesh, since another version searched and "
        "picked other builds: search the scenario again to have them."
    )
    assert refined(run, Fine(compute=False)).mesh == "fine"


def test_the_fine_mesh_has_a_version_of_its_own():
    evaluator = fine_evaluator(None, None, "abc")
    assert (evaluator.model_version, evaluator.compute) == ("abc+fine", None)
