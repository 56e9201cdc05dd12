"""The search by emulator: where it looks, that it can be trusted and resumed."""

from pathlib import Path

import numpy as np
import pytest
from pymoo.indicators.hv import HV
from scipy.stats import norm

from layers.errors import SolverError
from optimize.emulator.gaussian import Prediction
from optimize.ledger.ledger import Ledger
from optimize.scenario.goals import Bound, Goal
from optimize.search import answer, by_emulator
from optimize.search.evolution import Ask
from optimize.search.problem import Problem
from optimize.search.result import Interrupted, Run, Score
from optimize.search.run import load_run, name_run
from tests.helpers.briefs import four_layers, two_layers
from tests.optimize.search.test_batch import problem as square
from tests.optimize.search.test_run import all_rows, same, searched, stop_after

LEAST = Goal(figure="mass_g", aim="minimize")


@pytest.fixture(autouse=True, scope="module")
def _short_full_estimates():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(answer, "BALL_FIGURES", ("mass_g", "moi_g_cm2", "moi_ratio"))
        patch.setattr(answer, "STAGE_FIGURES", ("mass_g", "moi_g_cm2"))
        yield


# The search.


BRIEF = {"method": "emulator", "evaluations": 46, "population": 36}


def emulated(path, **changes) -> Run:
    return searched(four_layers(**(BRIEF | changes)), path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("emulated")


@pytest.fixture(scope="module")
def run(folder) -> Run:
    return emulated(folder)


def volume(run: Run, unit: np.ndarray, low: np.ndarray) -> float:
    losses = -run.cloud[run.cloud_feasible]  # both goals are maximized
    return float(HV(ref_point=np.ones(2))((losses - low) / unit))


def test_it_does_better_than_a_direct_search_of_three_times_the_builds(run, tmp_path):
    direct = searched(four_layers(evaluations=138), tmp_path)
    losses = np.vstack([-one.cloud[one.cloud_feasible] for one in (run, direct)])
    low, unit = losses.min(axis=0), np.ptp(losses, axis=0)
    assert run.evaluated == 46
    assert volume(run, unit, low) > volume(direct, unit, low)


def test_every_member_and_every_point_of_the_front_is_computed(run, folder):
    with Ledger(folder / "l.sqlite") as ledger:
        known = ledger.known([key for key, _ in run.front], run.model_version)
    for key, values in run.front:
        figures = [known[key].figures[goal.figure].value for goal in run.scenario.goal]
        assert tuple(figures) == values
    assert {m.key for m in run.short_list} <= {key for key, _ in run.front}


def test_predictions_are_in_the_ledger_and_are_checked(run, folder):
    assert [check.figure for check in run.checks] == ["moi_g_cm2", "stage1.mass_g"]
    for check in run.checks:
        assert 10 <= check.builds < 46
        assert 0.0 < check.error < 0.05
        assert 0.0 <= check.within_68 <= check.within_95 <= 1.0
    with Ledger(folder / "l.sqlite") as ledger:
        assert same(load_run(ledger, run.id), run)


def test_a_direct_search_has_no_predictions(tmp_path):
    assert searched(four_layers(evaluations=40), tmp_path).checks == ()


def test_stopped_by_ctrl_c_it_goes_on_to_the_same_answer(run, tmp_path):
    brief = four_layers(**BRIEF)
    with pytest.raises(Interrupted):
        searched(brief, tmp_path, progress=stop_after(38))
    assert same(searched(brief, tmp_path), run)


def test_layer_counts_are_searched_as_one_space(run):
    assert {len(build.ball.layer) for build in run.builds} == {3, 4}


def test_a_small_space_is_searched_out(tmp_path):
    scenario = two_layers(method="emulator", evaluations=1000)
    run = searched(scenario, tmp_path)
    assert run.evaluated == len(all_rows(scenario))


def test_one_goal_and_a_target(tmp_path):
    goal = [{"figure": "moi_g_cm2", "aim": "target", "target": 82.0, "band": 0.01}]
    run = emulated(tmp_path, goal=goal, evaluations=40)
    assert abs(run.front[0][1][0] - 82.0) <= 0.01


def test_limits_that_no_build_keeps_end_in_what_to_relax(tmp_path):
    limit = [{"figure": "moi_g_cm2", "at_least": 120.0}]
    run = emulated(tmp_path, limit=limit, evaluations=30)
    assert run.feasible == 0
    assert run.relaxations


def test_failed_builds_teach_the_emulator_nothing(tmp_path, monkeypatch):
    from optimize.compute import one
    from optimize.search import judge

    def broken(ball, names, conditions=None, level="default", given=None):
        raise ArithmeticError("no luck")

    monkeypatch.setattr(one, "estimate", broken)
    monkeypatch.setattr(judge.Judge, "before", lambda self, candidate: None)
    with pytest.raises(SolverError, match="no luck"):
        searched(two_layers(method="emulator", evaluations=20), tmp_path)


def test_the_method_is_part_of_a_runs_name():
    direct, emulator = four_layers(), four_layers(method="emulator")
    assert name_run(direct)[0] != name_run(emulator)[0]
    assert {"scikit-learn", "scipy"} <= set(name_run(emulator)[1])


def test_a_build_that_hardly_meets_its_limits_scores_by_the_chance_that_it_does_not():
    """The likelier it violates one the worse; a build that closed forms rule out is the worst."""
    limit = Bound("mass_g", "at most", 1.0, 0.0, "")
    rows = [(0,), (1,), (2,), (3,)]
    problem = Problem(
        space=None,  # type: ignore[arg-type]
        encode=lambda rows: np.array(rows, float),
        admissible=lambda row: row != (3,),
        goals=(LEAST,),
        bounds=(limit,),
    )

    class Told:
        def predict(self, points):
            return {"mass_g": Prediction(1.0 + points[:, 0], np.ones(len(points)), log=False)}

    scores = by_emulator._predicted_scores(problem, Told(), rows)  # type: ignore[arg-type]
    assert scores[0] == Score((1.0,), 0.0)
    assert [s.losses for s in scores[1:]] == [None] * 3
    wanted = [norm.cdf(1.0), norm.cdf(2.0), 2.0]
    assert [s.violation for s in scores[1:]] == pytest.approx(wanted)


def test_batches_are_a_twentieth_of_the_builds_and_every_fourth_holds_a_random_one(monkeypatch):
    chosen = []

    def batch(problem, data, emulator, count, seed):
        chosen.append(count)
        return []  # so that builds spread over the space take all places

    monkeypatch.setattr(by_emulator, "_batch", batch)
    monkeypatch.setattr(by_emulator, "_refit", lambda *_: None)
    monkeypatch.setattr(
        by_emulator, "_with_predictions", lambda _, rows, emulator: [Ask(row) for row in rows]
    )
    proposer = by_emulator.emulate(square(), budget=400, batch=4, seed=1)
    asks, proposed = next(proposer), []
    for _ in range(40):
        proposed.append(len(asks))
        figures = {"mass_g": 1.0, "cor": 1.0}
        asks = proposer.send([Score((1.0, 1.0), 0.0, figures) for _ in asks])
    computed = np.cumsum(proposed)
    assert computed[0] == 6  # three for each coordinate
    batches = np.maximum(4, computed // 20)
    assert proposed[1:] == batches[:-1].tolist()
    assert max(batches) > 8
    assert chosen == (batches - (np.arange(40) % 4 == 0)).tolist()
