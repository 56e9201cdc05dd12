"""The search by emulator: what it values, where it looks, that it can be trusted and resumed."""

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
from optimize.search.acquisition import Predictions, box_around, choose_batch
from optimize.search.result import Interrupted, Run, Score
from optimize.search.run import load_run, name_run
from tests.helpers.briefs import four_layers, two_layers
from tests.optimize.search.test_run import all_rows, same, searched, stop_after

LEAST = Goal(figure="mass_g", aim="minimize")
MOST = Goal(figure="moi_ratio", aim="maximize")


@pytest.fixture(autouse=True, scope="module")
def _short_full_estimates():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(answer, "BALL_FIGURES", ("mass_g", "moi_g_cm2", "moi_ratio"))
        patch.setattr(answer, "STAGE_FIGURES", ("mass_g", "moi_g_cm2"))
        yield


def normal(mean: list[float], sd: list[float], *, log: bool = False) -> Prediction:
    return Prediction(np.array(mean), np.array(sd), log)


# What a build is worth.


def test_analytic_one_goal_is_worth_its_expected_improvement():
    """E[max(0, f - y)] = (f - m) Phi(u) + s phi(u), u = (f - m)/s (Jones, Schonlau, Welch 1998)."""
    predicted = Predictions((LEAST,), (), {"mass_g": normal([1.2, 0.7], [0.5, 0.2])})
    best, low = 1.0, -4.0
    z = np.linspace(low, best, 20_001)[:, None]
    worth = np.trapezoid(predicted.probability(z), z, axis=0)
    m, s = np.array([1.2, 0.7]), np.array([0.5, 0.2])
    u = (best - m) / s
    np.testing.assert_allclose(worth, (best - m) * norm.cdf(u) + s * norm.pdf(u), rtol=1e-4)


def test_limits_two_goals_are_worth_the_volume_that_draws_add():
    """Against 20,000 draws, each measured by the library's hypervolume."""
    front = np.array([[0.2, 0.8], [0.5, 0.5], [0.8, 0.3]])
    predicted = Predictions(
        (LEAST, MOST), (), {"mass_g": normal([0.45], [0.2]), "moi_ratio": normal([-0.4], [0.15])}
    )
    steps = (np.arange(400) + 0.5) / 400 * 2.0 - 1.0
    z = np.array(np.meshgrid(steps, steps)).reshape(2, -1).T
    free = ~np.any(np.all(front[:, None] <= z, axis=2), axis=0)
    worth = predicted.probability(z[free]).sum() * (2.0 / 400) ** 2
    volume, rng = HV(ref_point=np.ones(2)), np.random.default_rng(0)
    draws = np.column_stack([rng.normal(0.45, 0.2, 20_000), rng.normal(0.4, 0.15, 20_000)])
    draws = np.maximum(draws, -1.0)  # the box ends there
    added = [volume(np.vstack([front, d])) - volume(front) for d in draws[:4000]]
    assert worth == pytest.approx(np.mean(added), rel=5.0 * np.std(added) / np.mean(added) / 63.0)


def test_a_limit_on_a_goal_is_asked_together_with_it():
    bounds = (Bound("mass_g", "at least", 0.0, 0.1, ""), Bound("mass_g", "at most", 2.0, 0.0, ""))
    predicted = Predictions((LEAST,), bounds, {"mass_g": normal([1.0], [1.0])})
    wanted = norm.cdf(0.5 - 1.0) - norm.cdf(0.1 - 1.0)
    assert predicted.probability(np.array([[0.5]]))[0, 0] == pytest.approx(wanted)
    assert predicted.probability(np.array([[0.0]]))[0, 0] == 0.0
    assert predicted.feasibility[0] == pytest.approx(norm.cdf(1.0) - norm.cdf(-0.9))


def test_limits_on_other_figures_multiply():
    bounds = (Bound("cor", "at most", 3.0, 0.0, ""),)
    figures = {"mass_g": normal([0.0], [1.0]), "cor": normal([np.log(2.0)], [0.5], log=True)}
    predicted = Predictions((LEAST,), bounds, figures)
    assert predicted.feasibility[0] == pytest.approx(norm.cdf(np.log(1.5) / 0.5))
    wanted = norm.cdf(0.3) * predicted.feasibility[0]
    assert predicted.probability(np.array([[0.3]]))[0, 0] == pytest.approx(wanted)


def test_a_target_is_reached_from_both_sides():
    goal = Goal(figure="mass_g", aim="target", target=5.0, band=0.5)
    predicted = Predictions((goal,), (), {"mass_g": normal([5.0], [1.0])})
    assert predicted.probability(np.array([[0.25]]))[0, 0] == pytest.approx(2 * norm.cdf(0.75) - 1)
    assert predicted.probability(np.array([[-0.1]]))[0, 0] == 0.0
    assert predicted.optimistic_losses()[0, 0] == 0.0


def test_a_batch_does_not_buy_the_same_volume_twice():
    """Of two equal good builds and one less good but elsewhere, the second choice is elsewhere."""
    figures = {
        "mass_g": normal([0.2, 0.2, 0.8], [1e-3] * 3),
        "moi_ratio": normal([-0.3, -0.3, -0.05], [1e-3] * 3),
    }
    predicted = Predictions((LEAST, MOST), (), figures)
    front = np.array([[0.1, 0.9], [0.9, 0.1]])
    chosen = choose_batch(predicted, front, (np.zeros(2), np.ones(2)), 2, seed=1)
    assert set(chosen) in ({0, 2}, {1, 2})
    assert chosen[0] != 2


def test_a_build_without_promise_is_not_chosen():
    figures = {"mass_g": normal([0.95], [1e-3]), "moi_ratio": normal([-0.95], [1e-3])}
    front = np.array([[0.1, 0.1]])
    box = (np.zeros(2), np.ones(2))
    assert choose_batch(Predictions((LEAST, MOST), (), figures), front, box, 1, seed=1) == []


def test_the_box_reaches_beyond_the_front():
    low, high = box_around(np.array([[0.0, 2.0], [1.0, 1.0], [5.0, 5.0]]))
    np.testing.assert_allclose((low, high), [(-0.1, 0.9), (1.1, 2.1)])


# The search.


BRIEF = {"method": "emulator", "evaluations": 60, "population": 40}


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
    direct = searched(four_layers(evaluations=180), tmp_path)
    losses = np.vstack([-one.cloud[one.cloud_feasible] for one in (run, direct)])
    low, unit = losses.min(axis=0), np.ptp(losses, axis=0)
    assert run.evaluated == 60
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
        assert 20 <= check.builds < 60
        assert 0.0 < check.error < 0.05
        assert 0.0 <= check.within_68 <= check.within_95 <= 1.0
    with Ledger(folder / "l.sqlite") as ledger:
        assert same(load_run(ledger, run.id), run)


def test_a_direct_search_has_no_predictions(tmp_path):
    assert searched(four_layers(evaluations=40), tmp_path).checks == ()


def test_stopped_by_ctrl_c_it_goes_on_to_the_same_answer(run, tmp_path):
    brief = four_layers(**BRIEF)
    with pytest.raises(Interrupted):
        searched(brief, tmp_path, progress=stop_after(45))
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


def test_analytic_a_margin_moves_each_side_of_a_limit_inward():
    """By the normal distribution: the chance to be in [low + margin, high - margin]."""
    low, high = Bound("mass_g", "at least", -1.0, 0.3, ""), Bound("mass_g", "at most", 2.0, 0.5, "")
    figures = {"mass_g": normal([0.4], [0.8])}
    below, above = norm.cdf((-0.7 - 0.4) / 0.8), norm.cdf((1.5 - 0.4) / 0.8)
    for bounds, wanted in (((low,), 1.0 - below), ((high,), above), ((low, high), above - below)):
        assert Predictions((LEAST,), bounds, figures).feasibility[0] == pytest.approx(
            wanted, rel=1e-12
        )
        # The best point of all losses is kept out by no goal.
        best = Predictions((LEAST,), bounds, figures).probability(np.array([[1e3]]))
        assert best[0, 0] == pytest.approx(wanted, rel=1e-12)


def test_analytic_optimistic_losses_are_three_deviations_better():
    reached = Goal(figure="mass_g", aim="target", target=5.0, band=0.5)
    figures = {
        "mass_g": normal([9.0, 1.0], [1.0, 1.0]),
        "moi_ratio": normal([0.4, 0.4], [0.1, 0.1]),
    }
    found = Predictions((LEAST, MOST, reached), (), figures).optimistic_losses()
    assert found == pytest.approx(np.array([[6.0, -0.7, 0.5], [-2.0, -0.7, 0.5]]))


def test_a_build_that_hardly_meets_its_limits_scores_by_the_chance_that_it_does_not():
    """The likelier it violates one the worse; a build that closed forms rule out is the worst."""
    limit = Bound("mass_g", "at most", 1.0, 0.0, "")
    rows = [(0,), (1,), (2,), (3,)]
    problem = by_emulator.Problem(
        space=None,  # type: ignore[arg-type]
        encode=lambda rows: np.array(rows, float),
        admissible=lambda row: row != (3,),
        goals=(LEAST,),
        bounds=(limit,),
    )

    class Told:
        def predict(self, points):
            return {"mass_g": normal((1.0 + points[:, 0]).tolist(), [1.0] * len(points))}

    scores = by_emulator._predicted_scores(problem, Told(), rows)  # type: ignore[arg-type]
    assert scores[0] == Score((1.0,), 0.0)
    assert [s.losses for s in scores[1:]] == [None] * 3
    wanted = [norm.cdf(1.0), norm.cdf(2.0), 2.0]
    assert [s.violation for s in scores[1:]] == pytest.approx(wanted)
