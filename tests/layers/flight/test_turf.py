"""Bounce and roll: the published numbers, edges of the rules, balls of one batch, frames."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.flight.motion import GRAVITY
from layers.flight.trajectory import Flight
from layers.flight.turf import Turf, _bounce, bounce_and_roll, turf_restitution
from tests.layers.flight.test_trajectory import one_bounce

DIAMETER = 0.04267


def landings(along, down, spin, right=0.0, carry=200.0):
    """Return flights of which only the landing is told, and the carry."""
    along, down, spin, right = np.broadcast_arrays(*np.atleast_1d(along, down, spin, right))
    none = np.zeros(along.shape)
    velocity = np.array([along, -down, right], dtype=float)
    return Flight(carry + none, none, none, none, none, velocity, spin.astype(float), none)


def test_published_turf_of_penner():
    """Penner 2002 (from memory); the fairway's deceleration is a judgement (docs/flight.md)."""
    turf = Turf()
    assert (turf.friction, turf.tilt_speed, turf.rolling_deceleration) == (0.40, 18.6, 2.0)
    assert (turf.tilt, turf.tilt_angle) == (math.radians(15.4), math.radians(44.4))


def test_published_restitution_holds_to_20_m_s_and_is_constant_beyond():
    """By hand: 0.510 - 0.0375 x 20 + 0.000903 x 400 = 0.1212; 0.120 beyond."""
    found = turf_restitution(np.array([20.0, 20.001, 20.9, 10.0]))
    np.testing.assert_allclose(found, [0.1212, 0.120, 0.120, 0.2253], rtol=1e-12)


@pytest.mark.parametrize("along", [60.0, -60.0])
def test_the_tilt_is_held_at_45_degrees(along):
    """A fast, flat landing: the linear rule would tilt the dent by 72 degrees."""
    turf, down, spin, radius = Turf(), 8.0, 250.0, DIAMETER / 2.0
    speed, lean = math.hypot(along, down), math.atan2(along, down)
    linear = turf.tilt * speed / turf.tilt_speed * lean / turf.tilt_angle
    assert abs(linear) > math.radians(65.0)
    # The same bounce by vectors, under a rule that gives 45 degrees.
    held = replace(turf, tilt=turf.tilt * math.radians(45.0) / abs(linear))
    expected = one_bounce(along, down, spin, held, radius)
    found = _bounce(*(np.array([v]) for v in (along, down, spin, radius)), turf)
    np.testing.assert_allclose(np.concatenate(found), expected, rtol=1e-12)


def test_a_flat_landing_bounces_to_its_end():
    """More than forty times, each by vectors: none is left out, however low."""
    turf, radius = Turf(), DIAMETER / 2.0
    along, down, spin = 25.0, 7.0, 50.0
    got = bounce_and_roll(landings(along, down, spin), DIAMETER, turf)
    way, count = 0.0, 0
    while True:
        along, up, spin = one_bounce(along, down, spin, turf, radius)
        if up**2 / (2.0 * GRAVITY) <= 0.005:
            break
        way, down, count = way + along * 2.0 * up / GRAVITY, up, count + 1
    assert count > 40
    assert got.bounce[0] == pytest.approx(way, rel=1e-9)


def test_a_ball_s_run_does_not_depend_on_its_batch():
    """One stops bouncing at once, one later, one runs back; each has its own diameter."""
    along, down = np.array([0.3, 20.0, 3.0]), np.array([0.2, 18.0, 24.0])
    spin, across = np.array([50.0, 300.0, 1100.0]), np.array([0.0427, 0.0430, 0.0450])
    whole = bounce_and_roll(landings(along, down, spin), across)
    for i in range(3):
        alone = bounce_and_roll(landings(along[i], down[i], spin[i]), across[i])
        assert whole.run[i] == alone.run[0]
        assert whole.bounce[i] == alone.bounce[0]
    assert whole.bounce[0] == 0.0 < whole.bounce[1]
    assert whole.run[2] < 0.0
    np.testing.assert_allclose(whole.total, 200.0 + whole.run, rtol=1e-15)


def test_symmetry_the_run_is_along_the_landing_s_direction():
    straight = bounce_and_roll(landings(20.0, 18.0, 300.0), DIAMETER)
    turned = bounce_and_roll(landings(12.0, 18.0, 300.0, right=-16.0), DIAMETER)
    assert turned.run[0] == pytest.approx(straight.run[0], rel=1e-12)
