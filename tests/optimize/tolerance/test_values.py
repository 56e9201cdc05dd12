"""A study with a stand-in for the solver: what is computed, checked, failed, scaled.

Kinds: analytic, structure.
"""

from dataclasses import replace

import numpy as np
import pytest

from layers.conditions import Conditions
from layers.errors import SolverError
from layers.estimates import Estimate, Figure
from optimize.lab.scatter import Scatter
from optimize.tolerance.pieces import Draws, draw, piece, sources_of
from optimize.tolerance.study import Direct, deviation_of, study, values_of, with_levels
from tests.optimize.tolerance.test_study import K1

COR, LOAD = "cor", "deflection_mm"


class Solver:
    """A mapper: cor is 0.8 + 0.1 u + bend u^3 of the cover's modulus; deflection may fail."""

    def __init__(self, bend=0.0, fails=()):
        self.bend, self.fails, self.balls, self.asked = bend, fails, [], set()

    def cor(self, ball):
        nominal = K1.layer[2].material.youngs_modulus_mpa.value
        u = np.log(ball.layer[2].material.youngs_modulus_mpa.value / nominal)
        return 0.8 + 0.1 * u + self.bend * u**3

    def __call__(self, function, balls, names):
        self.function, self.balls = function, balls
        self.asked |= set(names)
        for i, ball in enumerate(balls):
            values = {COR: self.cor(ball), LOAD: 3.0, "mass_g": 46.0}
            figures = {
                n: Figure(n, float(values[n]), "1", "finite element", 0.01, 0.02)
                for n in names[i]
                if not (n == LOAD and i in self.fails)
            }
            yield Estimate(ball, figures, {LOAD: f"crushed {i}"} if i in self.fails else {})


def test_a_study_computes_the_build_its_fitted_pieces_and_twenty_fresh_ones():
    solver = Solver()
    found = study(K1, (COR, LOAD, "mass_g"), seed=6, mapper=solver)
    # Four pieces along three kinds of three layers, two along loss and ratio.
    assert len(solver.balls) == 1 + 4 * 9 + 2 * 6 + 20
    assert solver.asked == {(COR, LOAD, "mass_g")}
    assert solver.function.keywords == {"conditions": Conditions().in_double()}
    assert solver.balls[0] == piece(K1, found.sources, np.zeros(len(found.sources)))
    fresh = draw(found.sources, found.concentricity, 20, np.random.default_rng([6, 1])).move
    assert solver.balls[-20:] == [piece(K1, found.sources, move) for move in fresh]
    along = [k * s.step for k in (-2.0, -1.0, 1.0, 2.0) for s in found.sources if k in s.fitted]
    for ball, move in zip(solver.balls[1:-20], along, strict=True):
        assert ball != solver.balls[0]
        assert move != 0.0
    assert found.nominal[COR].value == 0.8
    assert found.scatter == Scatter()
    assert found.failed == {}
    assert found.direct is None


def test_analytic_the_error_is_of_the_fresh_pieces():
    solver = Solver(bend=4.0)
    found = study(K1, (COR, "mass_g"), seed=6, mapper=solver)
    fresh = draw(found.sources, found.concentricity, 20, np.random.default_rng([6, 1])).move
    exact = np.array([solver.cor(piece(K1, found.sources, move)) for move in fresh])
    wrong = found.surrogate(fresh)[:, 0] - exact
    assert found.check_error[COR] == pytest.approx(np.sqrt(np.mean(wrong**2)), rel=1e-9)
    assert found.check_error[COR] > 1e-7
    assert found.check_error["mass_g"] == 0.0  # closed forms are exact
    still = study(K1, (COR,), seed=6, mapper=Solver())
    assert still.check_error[COR] < 1e-12


def test_a_figure_that_fails_for_a_piece_is_left_out_and_told():
    found = study(K1, (COR, LOAD), mapper=Solver(fails=(7,)))
    assert found.failed == {LOAD: "crushed 7"}
    assert found.surrogate.names == (COR,)
    assert set(found.nominal) == set(found.check_error) == {COR}
    draws = draw(found.sources, found.concentricity, 3, np.random.default_rng(1))
    with pytest.raises(SolverError, match=f"{LOAD} of K1 prototype failed: crushed 7"):
        values_of(found, draws, [COR, LOAD])
    assert len(values_of(found, draws, [COR])[COR]) == 3


def test_computed_pieces_count_for_their_own_draws_and_figures_alone():
    found = study(K1, (COR, LOAD), mapper=Solver())
    draws = draw(found.sources, found.concentricity, 3, np.random.default_rng(1))
    by_surrogate = values_of(found, draws, [COR, LOAD])
    own = replace(found, direct=Direct(draws.move, {COR: np.array([0.1, 0.2, 0.3])}))
    told = values_of(own, draws, [COR, LOAD])
    assert told[COR].tolist() == [0.1, 0.2, 0.3]
    assert np.array_equal(told[LOAD], by_surrogate[LOAD])
    moved = Draws(draws.move + 1e-9, draws.offset)
    assert values_of(own, moved, [COR])[COR] == pytest.approx(by_surrogate[COR], rel=1e-6)


def test_values_come_in_the_order_they_are_asked_for():
    found = study(K1, (COR, "mass_g"), mapper=Solver())
    draws = draw(found.sources, found.concentricity, 2, np.random.default_rng(1))
    names = ["stage2.minimum_thickness_mm", "mass_g", COR, "imbalance_g_mm"]
    assert list(values_of(found, draws, names)) == names
    assert list(values_of(found, draws, ["mass_g"])) == ["mass_g"]


def test_limits_what_differs_by_rounding_does_not_scatter():
    assert deviation_of(np.array([2.0, 2.0, 2.0])) == 0.0
    assert deviation_of(np.array([1.0, 1.0 + 1e-13])) == 0.0
    assert deviation_of(np.array([-1e6, -1e6 - 1e-7])) == 0.0  # relative to the largest
    small = np.array([1.0, 1.0 + 1e-11])
    assert deviation_of(small) == small.std(ddof=1) > 0.0
    assert deviation_of(np.array([1.0, 3.0])) == pytest.approx(np.sqrt(2.0))


def test_analytic_a_calibration_scales_the_surrogate_and_its_error_with_the_level():
    found = study(K1, (COR, LOAD), seed=6, mapper=Solver(bend=4.0))
    figures = {n: replace(f, value=f.value * k) for (n, f), k in zip(
        found.nominal.items(), (1.1, 0.9), strict=True)}  # fmt: skip
    scaled = with_levels(found, figures)
    draws = draw(found.sources, found.concentricity, 5, np.random.default_rng(1))
    before, after = (values_of(one, draws, [COR, LOAD]) for one in (found, scaled))
    assert after[COR] == pytest.approx(1.1 * before[COR])
    assert after[LOAD] == pytest.approx(0.9 * before[LOAD])
    assert scaled.check_error[COR] == pytest.approx(1.1 * found.check_error[COR])
    assert scaled.nominal == figures
    bent = replace(found.surrogate, square=np.ones_like(found.surrogate.square))
    bent = with_levels(replace(found, surrogate=bent), figures).surrogate
    assert bent.square[:, 0] == pytest.approx(1.1)


def test_limits_a_level_of_nothing_scales_nothing():
    found = study(K1, (COR,), mapper=Solver())
    none = {COR: replace(found.nominal[COR], value=0.0)}
    kept = with_levels(found, none)
    assert np.array_equal(kept.surrogate.constant, found.surrogate.constant)
    assert kept.nominal == none


def test_sources_that_no_figure_depends_on_do_not_scatter():
    still = study(K1, (LOAD,), mapper=Solver())
    assert still.sources == sources_of(K1, Scatter())
    assert len(study(K1, (COR,), mapper=Solver()).sources) == 15
