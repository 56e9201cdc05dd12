"""How far intervals grow to cover errors: closed forms.

Kind: analytic, of processes whose builds are independent, so that each residual is its own.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from optimize.emulator.inflation import inflation_of, leave_one_out_inflation
from optimize.emulator.intervals import SIGMAS_68, SIGMAS_95


def independent(residuals: list[float], fitted: int) -> SimpleNamespace:
    """Return a process of builds ever less isolated, with these standardised residuals."""
    precision = np.arange(1.0, len(residuals) + 1.0)
    return SimpleNamespace(
        L_=np.diag(1.0 / np.sqrt(precision)),
        alpha_=np.array(residuals) * np.sqrt(precision),
        kernel_=SimpleNamespace(theta=np.zeros(fitted)),
    )


def test_analytic_half_widths_are_those_of_a_normal_variable():
    assert pytest.approx(norm.ppf([0.84, 0.975]), abs=1e-6) == [SIGMAS_68, SIGMAS_95]


def test_analytic_inflation_is_the_larger_of_the_mean_square_and_the_tail():
    assert inflation_of(np.array([])) == 0.0
    lone = np.zeros(101)
    lone[7] = -10.0
    assert inflation_of(lone) == pytest.approx(10.0 / np.sqrt(101))
    # Six of 101 lie at four standard deviations of half the size that 95 % shall lie within.
    tail = np.where(np.arange(101) < 6, -2.0 * norm.ppf(0.975), 0.0)
    assert inflation_of(tail) == pytest.approx(2.0, rel=1e-6)
    assert inflation_of(tail[1:]) < 1.9  # five in a hundred leave 95 within


def test_analytic_the_most_isolated_three_in_ten_are_judged_alone():
    """Of eleven, the fourth lies at the quantile of 0.3 and belongs to them."""
    model = independent([1.0, -1.0, 1.0, -5.0, *[0.0] * 7], fitted=2)
    expected = np.sqrt((3.0 + 25.0) / 4.0) * np.sqrt(11.0 / 9.0)
    assert leave_one_out_inflation(model) == pytest.approx(expected)
    crowded = independent([*[0.0] * 10, 33.0], fitted=2)  # of all builds, where that is more
    assert leave_one_out_inflation(crowded) == pytest.approx(
        np.sqrt(11.0 / 9.0) * inflation_of(np.array([*[0.0] * 10, 33.0]))
    )


@pytest.mark.parametrize("fitted", [2, 3, 5])
def test_limits_as_many_fitted_numbers_as_builds_leave_one_degree_of_freedom(fitted):
    model = independent([1.0, 1.0, 1.0], fitted)
    assert leave_one_out_inflation(model) == pytest.approx(np.sqrt(3.0))
