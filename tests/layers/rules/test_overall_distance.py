"""The rules' distance test: what the robot's launch is turned into before it flies."""

import math
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from layers.ball_file import read_ball
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.files.explain import explain
from layers.flight.aerodynamics import Coefficients, bearman_harvey_1976
from layers.flight.air import humid_air
from layers.flight.trajectory import fly
from layers.flight.turf import bounce_and_roll
from layers.rules import overall_distance
from layers.rules.overall_distance import (
    DistanceTest,
    distance_screen,
    distance_test,
    distance_tests,
    screen_ball,
)

ROOT = Path(__file__).parents[3]


def test_a_ball_flies_from_the_launch_off_the_robots_club(monkeypatch):
    """The launch off the robot's club in degrees and rpm, the ball in g and mm."""
    told = {
        "mass_g": 45.9,
        "diameter_mm": 42.7,
        "distance test revised.ball_speed_m_s": 78.0,
        "distance test revised.launch_angle_deg": 12.0,
        "distance test revised.spin_rpm": 2400.0,
    }
    asked = []

    def estimated(ball, names, *, level):
        asked.append((ball, set(names), level))
        known = [Figure(n, v, "", "finite element", 0.0, 0.0) for n, v in told.items()]
        return Estimate(ball, {figure.name: figure for figure in known})

    monkeypatch.setattr(overall_distance, "estimate", estimated)
    ball = read_ball(ROOT / "scenarios/balls/two_layer_distance.toml")
    test = distance_test("revised")
    law = bearman_harvey_1976
    found, screen = screen_ball(ball, test, law, level="fine")
    assert asked == [(ball, set(told), "fine")]
    assert found["mass_g"].value == 45.9
    by_hand = distance_screen(
        78.0, math.radians(12.0), 40.0 * 2.0 * math.pi, mass=0.0459, diameter=0.0427, test=test,
        law=law,
    )  # fmt: skip
    for name in ("carry", "total", "margin", "nominal_total"):
        own, other = getattr(screen, name), getattr(by_hand, name)
        assert own.tolist() == pytest.approx(other.tolist(), rel=1e-12)
    assert screen.total.shape == (1,)


BALL = {"mass": 0.0459, "diameter": 0.0427}


@pytest.mark.parametrize(
    ("field", "low", "high"),
    [
        ("club_speed_mph", 50, 200),
        ("ball_speed_mph", 50, 250),
        ("launch_angle_deg", 1, 45),
        ("spin_rpm", 0, 10000),
        ("limit_yd", 100, 500),
        ("tolerance_yd", 0, 20),
        ("temperature_c", -20, 50),
        ("pressure_hpa", 900, 1080),
        ("relative_humidity_percent", 0, 100),
    ],
)
def test_conditions_of_a_test_have_ends(field, low, high):
    good = distance_test("present").model_dump()
    for value in (low, high):
        assert getattr(DistanceTest.model_validate(good | {field: value}), field) == value
    for value, end in ((low - 0.01, f"at least {low:.1f}"), (high + 0.01, f"at most {high:.1f}")):
        with pytest.raises(ValidationError) as found:
            DistanceTest.model_validate(good | {field: value})
        assert str(explain(found.value, "t")) == f"t: {field} is {value}, but must be {end}."


def test_published_conditions_of_both_tests():
    """Restated: 120 mph, 10 degrees, 42 revolutions a second; 125 mph, 11 degrees, 37."""
    assert [test.name for test in distance_tests().distance_test] == ["present", "revised"]
    for name, club, ball, angle, turns in (
        ("present", 120, 176, 10, 42), ("revised", 125, 183, 11, 37)
    ):  # fmt: skip
        test = distance_test(name)
        assert (test.club_speed_mph, test.ball_speed_mph, test.launch_angle_deg) == (
            club, ball, angle,
        )  # fmt: skip
        assert test.spin_rpm == 60 * turns
        assert (test.limit_yd, test.tolerance_yd) == (317, 3)
    with pytest.raises(InputError, match="distance test 'old' is not in the list of tests"):
        distance_test("old")


def test_a_screen_is_a_flight_in_the_test_s_air_with_its_run():
    """In units of the trade by their definitions: a mile is 1,609.344 m, a yard 0.9144 m."""
    test = distance_test("revised")
    launch = (183 * 1609.344 / 3600.0, math.radians(11.0), 37 * 2.0 * math.pi)
    screen = distance_screen([launch[0], 70.0], [launch[1], 0.2], [launch[2], 300.0],
                             mass=BALL["mass"], diameter=BALL["diameter"], test=test)  # fmt: skip
    assert screen.nominal_total == pytest.approx(screen.total[0], rel=1e-12)
    assert screen.margin == pytest.approx(320.0 * 0.9144 - screen.total, rel=1e-12)
    air = humid_air(23.9, 1015.9, 50.0)
    flown = fly(70.0, 0.2, 300.0, **BALL, air=air)
    assert screen.carry[1] == pytest.approx(flown.carry[0], rel=1e-12)
    assert screen.total[1] == pytest.approx(bounce_and_roll(flown, 0.0427).total[0], rel=1e-12)
    assert screen.outside_share[1] == pytest.approx(flown.outside_share[0])
    assert np.all(screen.total > screen.carry)
    # Guard: standard air carries elsewhere.
    assert abs(fly(70.0, 0.2, 300.0, **BALL).carry[0] - screen.carry[1]) > 0.5


def test_a_screen_takes_the_law_that_it_is_given():
    def still(reynolds, ratio):
        none = np.zeros_like(reynolds)
        return Coefficients(none, none, none == 0.0)

    test = distance_test("present")
    screen = distance_screen(40.0, math.pi / 4.0, 0.0, **BALL, test=test, law=still)
    assert screen.carry == pytest.approx([40.0**2 / 9.80665], rel=1e-3)  # without air
    nominal = (176 * 0.44704) ** 2 * math.sin(math.radians(20.0)) / 9.80665
    assert screen.nominal_total[0] > nominal * 0.999
