"""The width of the emulator's intervals. Kinds: analytic (closed forms of the factor), limits."""

import numpy as np
import pytest
from scipy.stats import norm

from optimize.bench.widths import Widths, standardised


def _widths(scale, checks, moves=0, moved=1.0):
    """Errors are evenly spaced quantiles of a normal distribution, scaled."""
    found = Widths()
    found.check({bytes([i]): {"cor": scale * e} for i, e in enumerate(_normal(checks))})
    for error in _normal(moves):
        found.move({"cor": moved * error})
    return found


def _normal(count):
    return norm.ppf((np.arange(count) + 0.5) / count)


def test_analytic_factor_is_the_root_mean_square_with_five_errors_of_one():
    found = Widths()
    found.check({b"a": {"cor": 2.0}, b"b": {"cor": -1.0}})
    assert found.factors == {"cor": pytest.approx(np.sqrt((5.0 + 4.0 + 1.0) / 7.0))}
    found.check({b"a": {"cor": 0.0}})  # a later fit errs less there
    assert found.factors["cor"] == pytest.approx(np.sqrt((5.0 + 0.0 + 1.0) / 7.0))
    found.move({"cor": 3.0})
    assert found.factors["cor"] == pytest.approx(np.sqrt((5.0 * 6.0 / 7.0 + 9.0) / 6.0))
    assert found.scaled({"cor": (0.8, 0.01), "mass_g": (45.0, 0.1)}) == {
        "cor": (0.8, pytest.approx(0.01 * found.factors["cor"])),
        "mass_g": (45.0, 0.1),
    }


@pytest.mark.parametrize("scale", [0.5, 1.0, 1.6])
def test_limits_intervals_too_narrow_and_too_wide_come_to_hold_95_percent(scale):
    held = np.random.default_rng(6).standard_normal(20_000) * scale
    share = np.mean(np.abs(held) <= 1.96 * _widths(scale, 128).factors["cor"])
    assert 0.94 < share < 0.965
    before = np.mean(np.abs(held) <= 1.96)
    assert scale == 1.0 or not 0.94 < before < 0.965


def test_moves_by_hand_decide_where_they_are_many():
    assert _widths(1.0, 128, moves=40, moved=0.4).factors["cor"] < 0.7
    assert _widths(1.0, 128, moves=1, moved=0.4).factors["cor"] > 0.8


def test_an_outlier_alone_does_not_set_the_width():
    assert standardised({"cor": (0.8, 1e-6)}, {"cor": 0.9, "mass_g": 45.0}) == {"cor": 4.0}
    assert standardised({"cor": (0.8, 0.0)}, {"cor": 0.8}) == {}
