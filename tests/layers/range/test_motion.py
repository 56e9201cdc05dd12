"""Motion over a track against closed forms: circles of lift and of side force, wind, weight."""

import numpy as np
import pytest

from layers.range.motion import march

TIMES = np.linspace(0.0, 0.4, 41)[:, None]
K, SPEED = 0.0187, 60.0


def flown(drag=0.0, lift=0.0, side=0.0, gravity=0.0, drift=(0.0, 0.0, 0.0), velocity=(60, 0, 0)):
    start = np.array([0.0, 1.0, 0.5, *velocity], dtype=float)[:, None]

    def coefficients(now, speed):
        return np.array([[drag], [lift], [side]])

    return march(start, TIMES, coefficients, np.array([K]), np.array([gravity]), np.array(drift))[
        :, :, 0
    ]


@pytest.mark.parametrize(("force", "axis"), [("lift", 1), ("side", 2)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_analytic_a_force_across_bends_the_path_to_a_circle(force, axis, sign):
    """Of radius 1 / (k C), with the speed kept."""
    states = flown(**{force: sign * 0.2})
    turned = K * 0.2 * SPEED * TIMES[:, 0]
    radius = 1.0 / (K * 0.2)
    start = (0.0, 1.0, 0.5)[axis]
    np.testing.assert_allclose(states[:, 0], radius * np.sin(turned), atol=1e-7)
    np.testing.assert_allclose(
        states[:, axis], start + sign * radius * (1.0 - np.cos(turned)), atol=1e-7
    )
    np.testing.assert_allclose(np.linalg.norm(states[:, 3:], axis=1), SPEED, rtol=1e-9)
    other = 3 - axis
    np.testing.assert_array_equal(states[:, other], (0.0, 1.0, 0.5)[other])


@pytest.mark.parametrize(
    ("velocity", "force", "bent"),
    [((0, 60, 0), "lift", -60.0), ((0, 0, 60), "side", -60.0), ((0, 0, 60), "lift", 0.0)],
)
def test_lift_acts_in_the_vertical_plane_and_side_force_in_the_level_one(velocity, force, bent):
    states = flown(**{force: 0.2}, velocity=velocity)
    turn = states[1, 3:] - states[0, 3:]
    expected = np.array([bent, 0.0, 0.0]) * K * 0.2 * SPEED * 0.01
    np.testing.assert_allclose(turn, expected, atol=2e-3)


def test_analytic_weight_alone():
    states = flown(gravity=9.8)
    np.testing.assert_allclose(states[:, 1], 1.0 - 4.9 * TIMES[:, 0] ** 2, atol=1e-12)
    np.testing.assert_allclose(states[:, 4], -9.8 * TIMES[:, 0], atol=1e-12)
    np.testing.assert_allclose(states[:, 0], 60.0 * TIMES[:, 0], atol=1e-12)


def test_analytic_wind_is_a_moving_frame():
    """In air that moves evenly all is as in still air seen from it, on each axis."""
    drift = np.array([1.5, -0.7, 2.1])
    still = flown(0.25, 0.15, 0.05, velocity=np.array([60.0, 5.0, -3.0]) - drift)
    blown = flown(0.25, 0.15, 0.05, velocity=(60.0, 5.0, -3.0), drift=drift)
    np.testing.assert_allclose(blown[:, :3], still[:, :3] + drift * TIMES, atol=1e-9)
    np.testing.assert_allclose(blown[:, 3:], still[:, 3:] + drift, atol=1e-9)


def test_coefficients_are_asked_at_the_time_of_each_stage():
    """Drag that grows evenly with time: 1/V grows by k CD' t^2 / 2."""
    start = np.array([0.0, 0.0, 0.0, 60.0, 0.0, 0.0])[:, None]

    def coefficients(now, speed):
        return np.array([0.5 * now, 0.0 * now, 0.0 * now])

    states = march(start, TIMES, coefficients, np.array([K]), np.zeros(1), np.zeros(3))[:, :, 0]
    expected = 1.0 / (1.0 / 60.0 + 0.5 * K * TIMES[:, 0] ** 2 / 2.0)
    np.testing.assert_allclose(states[:, 3], expected, rtol=1e-9)
