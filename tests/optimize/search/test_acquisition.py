"""What a build is worth to a search by emulator, and which make a batch."""

import numpy as np
import pytest
from pymoo.indicators.hv import HV
from scipy.integrate import quad
from scipy.stats import norm

from optimize.emulator.gaussian import Prediction
from optimize.scenario.goals import Bound, Goal
from optimize.search.acquisition import Cells, Predictions, _lines, box_around, cells_between

LEAST = Goal(figure="mass_g", aim="minimize")
MOST = Goal(figure="moi_ratio", aim="maximize")
REACHED = Goal(figure="mass_g", aim="target", target=5.0, band=0.5)
ABOVE = Bound("mass_g", "at least", -1.0, 0.3, "")
BELOW = Bound("mass_g", "at most", 2.0, 0.5, "")


def normal(mean: list[float], sd: list[float], *, log: bool = False) -> Prediction:
    return Prediction(np.array(mean), np.array(sd), log)


def between(low: float, high: float) -> Cells:
    """Return one goal's losses between two ends, nothing dominated."""
    return Cells((np.array([low, high]),), np.ones(1))


def test_analytic_one_goal_is_worth_its_expected_improvement():
    """E[max(0, f - y)] = (f - m) Phi(u) + s phi(u), u = (f - m)/s (Jones, Schonlau, Welch 1998)."""
    predicted = Predictions((LEAST,), (), {"mass_g": normal([1.2, 0.7], [0.5, 0.2])})
    m, s = np.array([1.2, 0.7]), np.array([0.5, 0.2])
    u = (1.0 - m) / s
    expected = (1.0 - m) * norm.cdf(u) + s * norm.pdf(u)
    np.testing.assert_allclose(predicted.worth(between(-20.0, 1.0)), expected, rtol=1e-12)


@pytest.mark.parametrize("log", [False, True])
@pytest.mark.parametrize("bounds", [(), (ABOVE,), (BELOW,), (ABOVE, BELOW)])
@pytest.mark.parametrize("aim", ["minimize", "maximize", "target"])
def test_analytic_a_cell_counts_by_the_integral_of_the_chance_to_be_as_good(aim, bounds, log):
    """Against numerical integration of the normal distribution, limits on the goal included."""
    goal = {"minimize": LEAST, "maximize": Goal(figure="mass_g", aim="maximize"), "target": REACHED}
    one = goal[aim]
    if one is REACHED:
        one = Goal(figure="mass_g", aim="target", target=1.2, band=0.1)
    figure = normal([0.4], [0.8], log=log)

    def cdf(x: float) -> float:
        scaled = np.log(x) if log and x > 0.0 else (-np.inf if log else x)
        return float(norm.cdf((scaled - 0.4) / 0.8))

    allowed = (-0.7 if ABOVE in bounds else -np.inf, 1.5 if BELOW in bounds else np.inf)
    best = {"minimize": (-np.inf, 0.0, 1.0), "maximize": (0.0, np.inf, -1.0)}

    def chance(z: float) -> float:
        if aim == "target":
            low, high = (1.2 - 0.1 - z, 1.2 + 0.1 + z) if z >= 0.0 else (0.0, 0.0)
        else:
            low, high = (best[aim][0], z) if aim == "minimize" else (-z, best[aim][1])
        low, high = max(low, allowed[0]), min(high, allowed[1])
        return max(0.0, cdf(high) - cdf(low))

    for low, high in ((-2.5, -0.3), (-0.4, 0.9), (0.2, 2.4)):
        turns = [x for x in (-1.5, -0.7, 0.0, 0.2, 0.4, 0.7, 1.5) if low < x < high]
        wanted = quad(chance, low, high, points=turns or None, limit=200)[0]
        worth = Predictions((one,), bounds, {"mass_g": figure}).worth(between(low, high))
        assert worth[0] == pytest.approx(wanted, rel=1e-6, abs=1e-9)


def test_limits_two_goals_are_worth_the_volume_that_draws_add():
    """Against 4,000 draws, each measured by the library's hypervolume."""
    front = np.array([[0.2, 0.8], [0.5, 0.5], [0.8, 0.3]])
    predicted = Predictions(
        (LEAST, MOST), (), {"mass_g": normal([0.45], [0.2]), "moi_ratio": normal([-0.4], [0.15])}
    )
    box = (np.full(2, -1.0), np.ones(2))
    worth = predicted.worth(cells_between(front, box))
    volume, rng = HV(ref_point=np.ones(2)), np.random.default_rng(0)
    draws = np.column_stack([rng.normal(0.45, 0.2, 4000), rng.normal(0.4, 0.15, 4000)])
    draws = np.maximum(draws, -1.0)  # the box ends there
    added = [volume(np.vstack([front, d])) - volume(front) for d in draws]
    assert worth == pytest.approx(np.mean(added), rel=5.0 * np.std(added) / np.mean(added) / 63.0)


@pytest.mark.parametrize("goals", [1, 2, 3])
def test_limits_a_sure_build_is_worth_the_volume_that_it_adds(goals):
    """By the library's hypervolume; exact, since there are lines through every loss."""
    rng = np.random.default_rng(5)
    names = ("mass_g", "cor", "moi_ratio")[:goals]
    front = rng.random((6, goals))
    values = 0.3 * rng.random(goals)
    predicted = Predictions(
        tuple(Goal(figure=name, aim="minimize") for name in names),
        (),
        {name: normal([v], [1e-12]) for name, v in zip(names, values, strict=True)},
    )
    box = (np.full(goals, -0.1), np.ones(goals))
    cells = cells_between(front, box)
    volume = HV(ref_point=np.ones(goals))
    added = volume(np.vstack([front, values])) - volume(front)
    assert predicted.worth(cells)[0] == pytest.approx(added, rel=1e-9)


def test_limits_on_other_figures_multiply():
    bounds = (Bound("cor", "at most", 3.0, 0.0, ""),)
    figures = {"mass_g": normal([0.0], [1.0]), "cor": normal([np.log(2.0)], [0.5], log=True)}
    limited, free = (Predictions((LEAST,), some, figures) for some in (bounds, ()))
    chance = norm.cdf(np.log(1.5) / 0.5)
    assert limited.feasibility[0] == pytest.approx(chance)
    cells = between(-1.0, 0.5)
    assert limited.worth(cells)[0] == pytest.approx(chance * free.worth(cells)[0])


def test_analytic_a_margin_moves_each_side_of_a_limit_inward():
    """By the normal distribution: the chance to be in [low + margin, high - margin]."""
    figures = {"mass_g": normal([0.4], [0.8])}
    below, above = norm.cdf((-0.7 - 0.4) / 0.8), norm.cdf((1.5 - 0.4) / 0.8)
    for bounds, wanted in (
        ((ABOVE,), 1.0 - below),
        ((BELOW,), above),
        ((ABOVE, BELOW), above - below),
    ):
        predicted = Predictions((LEAST,), bounds, figures)
        assert predicted.feasibility[0] == pytest.approx(wanted, rel=1e-12)
        # Losses that every build is better than are kept out by no goal.
        assert predicted.worth(between(1e3, 1e3 + 1.0))[0] == pytest.approx(wanted, rel=1e-9)


def test_the_box_reaches_beyond_the_front():
    low, high = box_around(np.array([[0.0, 2.0], [1.0, 1.0], [5.0, 5.0]]))
    np.testing.assert_allclose((low, high), [(-0.1, 0.9), (1.1, 2.1)])


def test_equal_best_builds_leave_the_boxs_size_to_the_others():
    low, high = box_around(np.array([[0.0], [0.0], [2.0]]))
    np.testing.assert_allclose((low, high), [[-0.2], [2.2]])


def test_a_box_of_equal_builds_has_hardly_any_size_but_some():
    low, high = box_around(np.array([[0.0, 3.0], [0.0, 3.0]]))
    assert np.all(low < [0.0, 3.0])
    assert np.all(high > [0.0, 3.0])
    assert np.all(high - low < 1e-9)


def test_each_goal_whose_best_are_equal_has_its_size_from_the_others():
    low, high = box_around(np.array([[0.0, 1.0], [0.0, 1.0], [2.0, 6.0]]))
    np.testing.assert_allclose((low, high), [(-0.2, 0.5), (2.2, 6.5)])


@pytest.mark.parametrize(("goals", "cells"), [(1, 256), (2, 256), (3, 40), (4, 16)])
def test_a_box_is_cut_into_at_most_65536_cells(goals, cells):
    """Without a front into equal ones: 2^16 have a root of two and of four; 40^3 is below it."""
    found = cells_between(np.zeros((0, goals)), (np.zeros(goals), np.arange(goals) + 1.0))
    assert found.open.shape == (cells,) * goals
    assert np.all(found.open == 1.0)
    for j, lines in enumerate(found.lines):
        np.testing.assert_allclose(lines, np.linspace(0.0, j + 1.0, cells + 1))


def test_lines_go_through_the_losses_and_cut_what_is_between_into_equal_parts():
    through = np.array([3.0, 1.0, 3.0, 0.0, 6.0, -2.0, 7.0])  # ends and beyond are no new lines
    np.testing.assert_allclose(_lines(through, 0.0, 6.0, 7), [0.0, 0.5, 1.0, 2.0, 3.0, 4.5, 6.0])
    np.testing.assert_allclose(_lines(through, 0.0, 6.0, 5), [0.0, 1.0, 3.0, 6.0])
    np.testing.assert_allclose(_lines(through, 0.0, 6.0, 3), [0.0, 1.0, 3.0, 6.0])
    # Of too many, some: the first, the last and, evenly, others between.
    np.testing.assert_allclose(_lines(through, 0.0, 6.0, 2), [0.0, 1.0, 6.0])
    many = np.arange(1.0, 12.0)
    np.testing.assert_allclose(_lines(many, 0.0, 20.0, 4), [0.0, 1.0, 6.0, 11.0, 20.0])
    assert len(_lines(many, 0.0, 20.0, 11)) == 12
    np.testing.assert_allclose(_lines(many, 0.0, 20.0, 12), [0.0, *many, 20.0])


def test_cells_are_closed_where_a_build_of_the_front_is_as_good():
    front = np.array([[1.0, 3.0], [2.0, 1.0]])
    cells = cells_between(front, (np.zeros(2), np.full(2, 4.0)))
    middles = [0.5 * (lines[1:] + lines[:-1]) for lines in cells.lines]
    for i, x in enumerate(middles[0]):
        for j, y in enumerate(middles[1]):
            closed = (x > 1.0 and y > 3.0) or (x > 2.0 and y > 1.0)
            assert cells.open[i, j] == (0.0 if closed else 1.0)
    worse = cells_between(np.array([[5.0, 5.0]]), (np.zeros(2), np.full(2, 4.0)))
    assert np.all(worse.open == 1.0)


def test_of_several_limits_the_tightest_counts_and_none_meets_two_that_exclude_each_other():
    figures = {"mass_g": normal([0.4], [0.8])}
    loose = (Bound("mass_g", "at least", -3.0, 0.0, ""), Bound("mass_g", "at most", 4.0, 0.0, ""))
    other = (Bound("cor", "at least", 5.0, 0.0, ""), Bound("moi_ratio", "at most", -5.0, 0.0, ""))
    sure = {"cor": normal([9.0], [0.1]), "moi_ratio": normal([-9.0], [0.1])}
    wanted = norm.cdf((1.5 - 0.4) / 0.8) - norm.cdf((-0.7 - 0.4) / 0.8)
    for bounds in ((*loose, ABOVE, BELOW), (ABOVE, BELOW, *loose), (*other, ABOVE, BELOW)):
        predicted = Predictions((LEAST,), bounds, figures | sure)
        assert predicted.feasibility[0] == pytest.approx(wanted)
    never = (Bound("mass_g", "at least", 2.0, 0.0, ""), Bound("mass_g", "at most", 1.0, 0.0, ""))
    predicted = Predictions((MOST,), never, figures | sure)
    assert predicted.feasibility[0] == 0.0
    assert predicted.worth(between(-20.0, 20.0))[0] == 0.0


def test_losses_are_those_of_the_medians_and_some_builds_are_some():
    figures = {
        "mass_g": normal([4.0, 5.2, 7.0], [0.1, 0.2, 0.3]),
        "moi_ratio": normal(np.log([2.0, 3.0, 4.0]).tolist(), [1.0, 2.0, 3.0], log=True),
    }
    predicted = Predictions((REACHED, MOST), (ABOVE,), figures)
    losses = [(0.5, -2.0), (0.0, -3.0), (1.5, -4.0)]
    np.testing.assert_allclose(predicted.losses, losses)
    some = predicted.at(np.array([2, 0]))
    np.testing.assert_allclose(some.losses, [losses[2], losses[0]])
    assert (some.goals, some.bounds) == ((REACHED, MOST), (ABOVE,))
    np.testing.assert_allclose(some.predictions["moi_ratio"].sd, [3.0, 1.0])
    assert [p.log for p in some.predictions.values()] == [False, True]
