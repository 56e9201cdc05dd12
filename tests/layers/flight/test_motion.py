"""The launch's ranges, the ball at rest in the air, and how far a flight may go."""

import math

import numpy as np
import pytest

from layers.errors import InputError, SolverError
from layers.flight import influence as influence_module
from layers.flight import trajectory
from layers.flight.aerodynamics import Coefficients
from layers.flight.air import Air
from layers.flight.influence import influence
from layers.flight.motion import GRAVITY, Aero, derivative, launch_state
from layers.flight.trajectory import fly, path

BALL = {"mass": 0.0459, "diameter": 0.0427}
VACUUM = Air(0.0, 1.8e-5)
GIVEN = {
    "ball_speed": 60.0,
    "launch_angle": 0.2,
    "spin": 300.0,
    "spin_axis_tilt": 0.0,
    **BALL,
    "air": Air(1.2, 1.8e-5),
    "wind": (0.0, 0.0, 0.0),
}


@pytest.mark.parametrize(
    ("name", "low", "high", "beside"),
    [
        ("ball_speed", 1.0, 150.0, 0.5),
        ("launch_angle", 1e-3, math.pi / 2, 5e-4),
        ("spin", 0.0, 2000.0, 0.5),
        ("spin_axis_tilt", -math.pi / 2, math.pi / 2, 1e-3),
        ("wind", -60.0, 60.0, 0.5),
        ("mass", 1e-3, 1.0, 5e-4),
        ("diameter", 5e-3, 0.1, 1e-3),
    ],
)
def test_a_launch_is_held_to_its_ranges(name, low, high, beside):
    def launched(value):
        return launch_state(**GIVEN | {name: (0.0, 0.0, value) if name == "wind" else value})

    for value in (low, high):
        assert np.isfinite(launched(value)[0]).all()
    for value in (low - beside, high + beside):
        with pytest.raises(InputError, match=f"{name}, value {3 if name == 'wind' else 1}, is"):
            launched(value)


def test_published_standard_gravity():
    """General Conference on Weights and Measures, 1901."""
    assert GRAVITY == 9.80665


@pytest.mark.parametrize(("speed", "ratio"), [(0.5, 300.0 * 0.02135 / 0.5), (0.0, 6.405e6)])
def test_limits_a_ball_nearly_at_rest_in_the_air_feels_its_weight_alone(speed, ratio):
    """Its spin ratio stays finite: at rest it is spin times radius over 1e-6 m/s."""
    state, shots = launch_state(**GIVEN | {"wind": (60.0 * math.cos(0.2), 60.0 * math.sin(0.2), 0)})
    state[3] += speed

    def law(reynolds, spin_ratio):
        return Coefficients(0.0 * reynolds, 0.0 * reynolds, reynolds >= 0.0)

    rate, reynolds, found, _ = derivative(state, shots, Aero(law, 0.0))
    np.testing.assert_array_equal(rate[3:, 0], [0.0, -GRAVITY, 0.0, 0.0])
    assert found[0] == pytest.approx(ratio, rel=1e-9)
    assert reynolds[0] == pytest.approx(1.2 * 0.0427 / 1.8e-5 * speed, rel=1e-9, abs=1e-6)


def lob(seconds):
    """Return a launch that is up so long without air."""
    return GRAVITY * seconds / 2.0 / math.sin(1.0), 1.0, 0.0


@pytest.mark.parametrize("module", [trajectory, influence_module])
def test_a_flight_may_take_the_longest_time(monkeypatch, module):
    """Half a second in place of a minute, in steps of 0.1 s."""
    monkeypatch.setattr(module, "LONGEST_FLIGHT_S", 0.5)
    flown = path if module is trajectory else influence
    settings = {**BALL, "air": VACUUM, "spin_decay": 0.0}
    flown(*lob(0.45), **settings)
    with pytest.raises(SolverError, match=r"^the ball is still up after 0\.5 s\.$"):
        flown(*lob(0.55), **settings)
    if module is trajectory:
        assert fly(*lob(0.55), **settings).time[0] == pytest.approx(0.55)
        with pytest.raises(SolverError, match=r"^flight 2 is still up after 0\.5 s\.$"):
            fly(*np.transpose([lob(0.3), lob(0.65)]), **settings)


def test_limits_a_chip_shorter_than_a_step():
    """Up for 40 ms: one step, that ends at the landing."""
    settings = {**BALL, "air": VACUUM, "spin_decay": 0.0}
    up = 0.02 * GRAVITY
    launch = (math.hypot(1.0, up), math.atan(up), 0.0)
    trace = path(*launch, **settings)
    np.testing.assert_allclose(trace.time, [0.0, 0.04], rtol=1e-9)
    np.testing.assert_allclose(trace.position[-1], [0.04, 0.0, 0.0], rtol=1e-9, atol=1e-12)
    flown = influence(*launch, **settings)
    np.testing.assert_allclose(flown.duration, [0.04], rtol=1e-9)
    assert flown.values[flown.of("apex")] == pytest.approx(up**2 / (2.0 * GRAVITY), rel=1e-9)


def test_the_apex_owes_something_to_every_step_up_to_it_and_to_none_after():
    """Air of no drag and no lift: the top is at v sin a / g, a step takes 0.1 s."""

    def law(reynolds, spin_ratio):
        return Coefficients(0.0 * reynolds, 0.0 * reynolds, reynolds >= 0.0)

    for up in (15.0, 15.6, 16.4):  # the last step before the top begins slow or fast
        speed = math.hypot(40.0, up)
        got = influence(
            speed, math.atan2(up, 40.0), 0.0, **BALL, law=law, air=Air(1.2, 1.8e-5), spin_decay=0.0
        )
        moves = got.drag[got.of("apex")] != 0.0
        count = math.ceil(up / GRAVITY / 0.1)
        assert moves.tolist() == [True] * count + [False] * (len(moves) - count)


@pytest.mark.parametrize("tilt", [math.pi / 2, -math.pi / 2])
def test_limits_an_axis_tilted_all_the_way_has_derivatives_to_one_side(tilt):
    launch = (60.0, 0.2, 250.0)
    got = influence(*launch, **BALL, spin_axis_tilt=tilt)
    inward = tilt - math.copysign(1e-4, tilt)
    here, there = (fly(*launch, **BALL, spin_axis_tilt=axis) for axis in (tilt, inward))
    slope = (here.lateral - there.lateral)[0] / (tilt - inward)
    carry = (here.carry - there.carry)[0] / (tilt - inward)
    assert got.launch[got.of("lateral"), 3] == pytest.approx(slope, rel=1e-4, abs=1e-3)
    assert got.launch[got.of("carry"), 3] == pytest.approx(carry, rel=1e-3)


def narrow(reynolds, spin_ratio):
    """Return a law that holds for fast balls alone."""
    ones = np.ones_like(reynolds)
    return Coefficients(0.3 * ones, 0.15 * ones, reynolds > 1.3e5)


def test_the_share_outside_a_law_is_that_of_the_steps():
    """The steps begin at the path's tenths of a second; they leave the law where Re falls."""
    air = Air(1.2, 1.8e-5)
    launch = (60.0, 0.2, 250.0)
    got = fly(*launch, **BALL, law=narrow, air=air)
    trace = path(*launch, **BALL, law=narrow, air=air)
    speed = np.linalg.norm(trace.velocity[:-1], axis=1)
    out = 1.2 * 0.0427 / 1.8e-5 * speed <= 1.3e5
    assert 0 < out.sum() < len(out)
    assert got.outside_share[0] == pytest.approx(out.mean(), rel=1e-12)
    # The first of two balls has landed when the second leaves the law, which is told of it.
    first = int(np.argmax(out))
    seconds = f"{0.1 * first:.1f}"
    reynolds = 1.2 * 0.0427 / 1.8e-5 * speed[first]
    ratio = trace.spin[first] * 0.02135 / speed[first]
    with pytest.raises(InputError) as found:
        fly([57.0, 60.0], [0.002, 0.2], [0.0, 250.0], **BALL, law=narrow, air=air, policy="refuse")
    assert str(found.value).startswith(
        f"flight 2 leaves the aerodynamic law's range {seconds} s after launch, "
        f"at Reynolds number {reynolds:.3g} and spin ratio {ratio:.3g}; "
    )
