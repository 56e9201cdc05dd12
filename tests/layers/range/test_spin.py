"""Spin from readings and from a mark: exact decays come back, and the normal equations' errors."""

import numpy as np
import pytest

from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH as DECAY
from layers.range.spin import _from_marks, _from_readings, _integral, _wrapped

WAYS = np.array([-300.0, -120.0, 0.0, 80.0, 340.0])  # way from the middle over the radius


def test_analytic_readings_of_an_exponential_decay():
    spin = 250.0 * np.exp(-4e-5 * WAYS)
    middle, sd, decay, decay_sd = _from_readings(spin, WAYS, 2.0)
    assert middle == pytest.approx(250.0, rel=1e-12)
    assert decay == pytest.approx(4e-5, rel=1e-9)
    weight = (spin / 2.0) ** 2
    normal = np.array([[weight.sum(), -(weight @ WAYS)], [-(weight @ WAYS), weight @ WAYS**2]])
    errors = np.sqrt(np.diag(np.linalg.inv(normal)))
    assert (sd, decay_sd) == pytest.approx((250.0 * errors[0], errors[1]), rel=1e-9)


def test_two_readings_decay_as_published():
    spin = 250.0 * np.exp(-DECAY * WAYS[[0, 4]])
    middle, sd, decay, decay_sd = _from_readings(spin, WAYS[[0, 4]], 2.0)
    assert middle == pytest.approx(250.0, rel=1e-9)
    assert sd == pytest.approx(2.0 / np.sqrt(2.0))
    assert np.isnan(decay)
    assert np.isnan(decay_sd)
    # The weights are squares of the readings: the surer one counts more.
    uneven = np.array([300.0, 100.0])
    logs = np.log(uneven) + DECAY * WAYS[[0, 4]]
    expected = np.exp((9.0 * logs[0] + logs[1]) / 10.0)
    assert _from_readings(uneven, WAYS[[0, 4]], 2.0)[0] == pytest.approx(expected)
    # However little the spin: at 2 rad/s of error the weights are 0.25 and 2.25.
    little = np.array([1.0, 3.0])
    logs = np.log(little) + DECAY * WAYS[[0, 4]]
    expected = np.exp((0.25 * logs[0] + 2.25 * logs[1]) / 2.5)
    assert _from_readings(little, WAYS[[0, 4]], 2.0)[0] == pytest.approx(expected, rel=1e-12)


def test_three_readings_at_one_place_say_nothing_of_decay():
    found = _from_readings(np.array([240.0, 250.0, 260.0]), np.zeros(3), 2.0)
    assert np.isnan(found[2])
    assert found[1] == pytest.approx(2.0 / np.sqrt(3.0))


@pytest.mark.parametrize(("lowest", "fits"), [(5.9, False), (6.0, False), (6.1, True)])
def test_too_little_spin_for_a_logarithm_is_averaged(lowest, fits):
    spin = np.array([30.0, lowest, 12.0])
    middle, sd, decay, _ = _from_readings(spin, WAYS[:3], 2.0)
    assert np.isfinite(decay) == fits
    if not fits:
        assert middle == pytest.approx(spin.mean())
        assert sd == pytest.approx(2.0 / np.sqrt(3.0))


def test_no_spin_at_all_is_no_spin():
    middle, *_ = _from_readings(np.zeros(2), WAYS[:2], 2.0)
    assert middle == pytest.approx(0.0, abs=1e-5)


AFTER = np.array([-0.1503, -0.1129, -0.1, -0.0413, 0.0, 0.0327, 0.0911, 0.1207, 0.1622])


def marks(spin, decay, speed=60.0, radius=0.02135):
    """Angles of a mark by exact integrals: omega = spin exp(-decay speed t / radius)."""
    rate = decay * speed / radius
    angle = 0.7 + spin * -np.expm1(-rate * AFTER) / rate
    return angle % (2.0 * np.pi), speed * AFTER / radius


def test_analytic_marks_tell_spin_and_decay():
    angle, ways = marks(260.0, 5e-5)
    marked = np.ones(len(AFTER), bool)
    spin, sd, decay, decay_sd, other = _from_marks(angle, AFTER, ways, marked, 0.03, None)
    assert spin == pytest.approx(260.0, rel=1e-3)
    assert decay == pytest.approx(5e-5, rel=0.05)
    assert np.isnan(other)
    # With a straight line and its curve: errors by the normal equations of exact columns.
    design = np.column_stack([np.ones(9), AFTER, 260.0 * -0.5 * 60.0 / 0.02135 * AFTER**2])
    errors = 0.03 * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    assert sd == pytest.approx(errors[1], rel=0.05)
    assert decay_sd == pytest.approx(errors[2], rel=0.05)


def test_three_marks_decay_as_published_and_unmarked_readings_do_not_count():
    angle, ways = marks(260.0, DECAY)
    marked = np.zeros(len(AFTER), bool)
    marked[[2, 3, 5]] = True
    angle[~marked] = np.nan
    spin, sd, decay, decay_sd, other = _from_marks(angle, AFTER, ways, marked, 0.03, (255.0, 30.0))
    assert spin == pytest.approx(260.0, rel=1e-3)
    assert np.isnan(decay)
    assert np.isnan(decay_sd)
    assert np.isnan(other)
    at = AFTER[marked]
    assert sd == pytest.approx(0.03 / np.sqrt(np.sum((at - at.mean()) ** 2)), rel=0.01)


def test_even_marks_fit_two_spins_and_tell_none():
    even = np.linspace(-0.15, 0.15, 7)
    ways = 60.0 * even / 0.02135
    angle = (260.0 * even) % (2.0 * np.pi)
    spin, sd, *_, other = _from_marks(angle, even, ways, np.ones(7, bool), 0.03, None)
    assert np.isnan(spin)
    assert np.isnan(sd)
    # A whole turn more or less from reading to reading, 0.05 s apart.
    turns = (other - 260.0) * 0.05 / (2.0 * np.pi)
    assert abs(turns) > 0.9
    assert turns == pytest.approx(round(turns), abs=0.05)


def test_analytic_integral_from_the_middle():
    """Straight lines by trapezoids, 0 at the middle whether or not a reading stands there."""
    after = np.array([-0.3, -0.1, 0.2, 0.4])
    np.testing.assert_allclose(_integral(np.full(4, 3.0), after), 3.0 * after, atol=1e-12)
    straight = _integral(np.array([-0.3, 0.0, 0.2, 0.4]), np.array([-0.3, 0.0, 0.2, 0.4]))
    np.testing.assert_allclose(straight, 0.5 * np.array([0.09, 0.0, 0.04, 0.16]), atol=1e-12)


def test_angles_are_wrapped_to_half_a_turn():
    found = _wrapped(np.array([0.1, 2.0 * np.pi + 0.1, -0.1, np.pi + 0.1, -7.0 * np.pi / 2.0]))
    np.testing.assert_allclose(found, [0.1, 0.1, -0.1, 0.1 - np.pi, np.pi / 2.0])


AFTER_EVEN = np.array([-0.15, -0.1007, -0.05, 0.0, 0.05, 0.1007, 0.15])  # but for two


def slowed():
    """Return the time that turns as the ball does at its middle."""
    return _integral(np.exp(-DECAY * 60.0 * AFTER_EVEN / 0.02135), AFTER_EVEN)


def misfit_of_the_other():
    """Sum of squares that the best spin a turn more or less from reading to reading leaves."""
    design, found = np.column_stack([np.ones(7), slowed()]), []
    for turn in (-2.0 * np.pi / 0.05, 2.0 * np.pi / 0.05):
        off = _wrapped(-turn * slowed() + 0.001)
        left = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
        found.append(left @ left)
    return min(found)


@pytest.mark.parametrize("spin", [260.0, 261.1])
@pytest.mark.parametrize(("share", "told"), [(0.98, True), (1.02, False)])
def test_analytic_the_best_spin_beats_every_other_by_a_chi_square_of_twelve(spin, share, told):
    """Nearly even marks that one spin fits exactly, wherever the trials happen to stand."""
    sd = share * np.sqrt(misfit_of_the_other() / 12.0)
    angle = (spin * slowed()) % (2.0 * np.pi)
    ways, marked = 60.0 * AFTER_EVEN / 0.02135, np.ones(7, bool)
    found, _, _, _, other = _from_marks(angle, AFTER_EVEN, ways, marked, sd, None)
    assert np.isnan(other) == told
    if told:
        assert found == pytest.approx(spin, rel=1e-6)
