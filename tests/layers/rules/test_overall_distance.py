"""The rules' distance test: what the robot's launch is turned into before it flies."""

import math
from pathlib import Path

import pytest

from layers.ball_file import read_ball
from layers.estimation import estimate
from layers.rules.overall_distance import distance_screen, distance_test, screen_ball

ROOT = Path(__file__).parents[3]


def test_a_ball_flies_from_the_launch_off_the_robots_club():
    test = distance_test("present")
    ball = read_ball(ROOT / "scenarios/balls/two_layer_distance.toml")
    launch = {"speed": "ball_speed_m_s", "angle": "launch_angle_deg", "spin": "spin_rpm"}
    names = {key: f"distance test {test.name}.{name}" for key, name in launch.items()}
    found = estimate(ball, ("mass_g", "diameter_mm", *names.values()))
    by_hand = distance_screen(
        found[names["speed"]].value,
        math.radians(found[names["angle"]].value),
        found[names["spin"]].value * 2.0 * math.pi / 60.0,
        mass=found["mass_g"].value / 1000.0,
        diameter=found["diameter_mm"].value / 1000.0,
        test=test,
    )
    _, screen = screen_ball(ball, test)
    assert screen.total.tolist() == pytest.approx(by_hand.total.tolist(), rel=1e-12)
    assert screen.carry.tolist() == pytest.approx(by_hand.carry.tolist(), rel=1e-12)
