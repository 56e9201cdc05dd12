"""Pieces computed one by one take the surrogate's place, and measure its error.

Kind: analytic, with a stand-in for the solver whose figures are known.
"""

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.errors import SolverError
from layers.estimates import Estimate, Figure
from optimize.tolerance.direct import computed, of_swings
from optimize.tolerance.limits import parse_limit
from optimize.tolerance.pass_rates import draws_of, tolerance
from optimize.tolerance.study import study, values_of
from tests.optimize.tolerance.test_study import ROOT

SPIN, MASS = "driver fast.spin_rpm", "mass_g"
K1 = read_ball(ROOT / "scenarios" / "prototype" / "ball.toml")


def stand_in(ball, names, bend=0.0):
    """Spin that is linear in the cover's modulus, but for a bend."""
    modulus = ball.layer[-1].material.youngs_modulus_mpa.value
    off = np.log(modulus / K1.layer[-1].material.youngs_modulus_mpa.value)
    spin = 2500.0 + 900.0 * off + bend * np.sin(40.0 * off)
    values = {SPIN: spin, MASS: 45.9}
    figures = {n: Figure(n, float(values[n]), "1", "finite element", 1.0, 1.0) for n in names}
    return Estimate(ball, figures)


@pytest.fixture(scope="module")
def found():
    def mapper(_, balls, names):
        return [stand_in(ball, wanted) for ball, wanted in zip(balls, names, strict=True)]

    return study(K1, (SPIN, MASS), mapper=mapper)


def compute(requests):
    for i, (ball, names) in reversed(list(enumerate(requests))):
        yield i, stand_in(ball, names, 50.0)


def test_the_pieces_own_figures_count_and_measure_the_surrogate(found):
    direct = computed(found, 300, 5, compute)
    draws = draws_of(found, 300, 5)
    own = values_of(direct, draws, [SPIN])[SPIN]
    by_surrogate = values_of(found, draws, [SPIN])[SPIN]
    wrong = np.sqrt(np.mean((own - by_surrogate) ** 2))
    assert wrong > 1.0
    assert direct.check_error[SPIN] == pytest.approx(wrong)
    assert direct.check_error[MASS] == found.check_error[MASS]
    # Other pieces are the surrogate's.
    others = draws_of(found, 300, 6)
    assert (values_of(direct, others, [SPIN])[SPIN] == values_of(found, others, [SPIN])[SPIN]).all()


def test_a_yield_is_of_the_computed_pieces_and_gains_of_the_surrogate(found):
    direct = computed(found, 300, 5, compute)
    limits = [parse_limit(f"{SPIN}<=2520")]
    before, after = (tolerance(one, limits, 300, 5) for one in (found, direct))
    values = values_of(direct, draws_of(found, 300, 5), [SPIN])[SPIN]
    assert after.limit[0].rate.value == np.mean(values <= 2520.0)
    assert after.limit[0].rate.value != before.limit[0].rate.value
    assert after.tighten == before.tighten


def test_a_piece_that_fails_is_told(found):
    def broken(requests):
        yield 0, Estimate(requests[0][0], {}, {SPIN: "crushed"})

    with pytest.raises(SolverError, match=f"{SPIN} of a piece of .* failed: crushed"):
        computed(found, 10, 5, broken)


def test_only_figures_of_swings_are_computed_piece_by_piece():
    assert of_swings((MASS, "deflection_mm", SPIN, "imbalance_g_mm")) == (SPIN,)
