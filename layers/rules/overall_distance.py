"""The overall-distance test as a screen: dated launch conditions, flight and run of the ball."""

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from layers.arrays import FloatArray, Level
from layers.ball import Ball
from layers.estimates import Estimate
from layers.estimation import estimate
from layers.files.cards import Cards
from layers.files.fields import Table, numeric
from layers.flight.aerodynamics import Law, ferguson_2022
from layers.flight.air import humid_air
from layers.flight.trajectory import fly
from layers.flight.turf import bounce_and_roll

MILE_PER_HOUR = 0.44704  # m/s
YARD = 0.9144  # m


class DistanceTest(Table):
    """One dated set of test conditions with its limit."""

    name: str = Field(description="what it is called")
    as_of: date = Field(description="when the data were written down")
    status: str = Field(description="what the test's standing was then")
    club_speed_mph: float = numeric("mph", "speed of the robot's head", 50.0, 200.0)
    ball_speed_mph: float = numeric("mph", "speed of an ordinary ball off that club", 50.0, 250.0)
    launch_angle_deg: float = numeric("deg", "launch above the horizontal", 1.0, 45.0)
    spin_rpm: float = numeric("rpm", "backspin at launch", 0.0, 10000.0)
    limit_yd: float = numeric("yd", "carry and run allowed", 100.0, 500.0)
    tolerance_yd: float = numeric("yd", "added to the limit", 0.0, 20.0)
    temperature_c: float = numeric("C", "of the air", -20.0, 50.0)
    pressure_hpa: float = numeric("hPa", "of the air at the place", 900.0, 1080.0)
    relative_humidity_percent: float = numeric("%", "of the air", 0.0, 100.0)
    source: str = Field(description="where the conditions stand")
    grade: Literal["published", "restated", "from memory"] = Field(description="how it was seen")


class DistanceTests(Cards[DistanceTest]):
    """Test conditions, each name once."""

    kind = "distance test"
    place = "list of tests"

    distance_test: tuple[DistanceTest, ...] = Field(min_length=1, description="the tests")


@dataclass(frozen=True)
class DistanceScreen:
    """Carry, total and room below the limit with its tolerance, m; arrays of shape (n,).

    `nominal_total` is the total of the same ball at the test's printed launch: where it misses the
    limit, law and turf are off by as much, and `total` - `nominal_total` is the figure to trust.
    `outside_share` is the share of the flight that the aerodynamic law does not cover.
    """

    carry: FloatArray
    total: FloatArray
    margin: FloatArray
    nominal_total: FloatArray
    outside_share: FloatArray


@cache
def distance_tests() -> DistanceTests:
    """Return the shipped test conditions."""
    return DistanceTests.shipped("layers.rules", "overall_distance.toml")


def distance_test(name: str) -> DistanceTest:
    """Return the test conditions of this name.

    Raises
    ------
    InputError
        If there are none; the nearest names are offered.
    """
    return distance_tests().find(name)


def distance_screen(
    ball_speed: npt.ArrayLike,
    launch_angle: npt.ArrayLike,
    spin: npt.ArrayLike,
    *,
    mass: npt.ArrayLike,
    diameter: npt.ArrayLike,
    test: DistanceTest,
    law: Law = ferguson_2022,
) -> DistanceScreen:
    """Screen balls against an overall-distance limit: never a ruling.

    Parameters
    ----------
    ball_speed, launch_angle, spin : float or (n,) array
        Launch of each ball off a club at the test's speed, m/s, rad, rad/s.
    mass, diameter : float or (n,) array
        kg, m.
    test : DistanceTest
        Conditions and limit.
    law : Law
        Drag and lift; the choice moves a driver's carry by 11 %.

    Returns
    -------
    DistanceScreen
        Run by `bounce_and_roll` on its default turf.

    Raises
    ------
    InputError, SolverError
        As `fly`.
    """
    air = humid_air(test.temperature_c, test.pressure_hpa, test.relative_humidity_percent)
    flown = fly(ball_speed, launch_angle, spin, mass=mass, diameter=diameter, law=law, air=air)
    nominal = fly(
        test.ball_speed_mph * MILE_PER_HOUR,
        np.deg2rad(test.launch_angle_deg),
        test.spin_rpm * np.pi / 30.0,
        mass=mass,
        diameter=diameter,
        law=law,
        air=air,
    )
    total = bounce_and_roll(flown, diameter).total
    return DistanceScreen(
        carry=flown.carry,
        total=total,
        margin=(test.limit_yd + test.tolerance_yd) * YARD - total,
        nominal_total=bounce_and_roll(nominal, diameter).total,
        outside_share=flown.outside_share,
    )


LAUNCH = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")


def screen_ball(
    ball: Ball, test: DistanceTest, law: Law = ferguson_2022, level: Level = "default"
) -> tuple[Estimate, DistanceScreen]:
    """Strike a ball with the test's robot, of the shipped swings, and screen its flight and run.

    Parameters
    ----------
    ball : Ball
        The build.
    test : DistanceTest
        Conditions and limit; the robot is the shipped swing ``distance test`` with its name.
    law : Law
        As in `distance_screen`.
    level : {"default", "fine"}
        Mesh of the strike.

    Returns
    -------
    Estimate
        Launch off the robot's club, mass and diameter.
    DistanceScreen
        Arrays of shape (1,).

    Raises
    ------
    SolverError
        If the strike could not be computed.
    """
    robot = f"distance test {test.name}"
    found = estimate(
        ball, ("mass_g", "diameter_mm", *(f"{robot}.{name}" for name in LAUNCH)), level=level
    )
    speed, angle, spin = (found[f"{robot}.{name}"].value for name in LAUNCH)
    screen = distance_screen(
        speed,
        np.deg2rad(angle),
        spin * np.pi / 30.0,
        mass=found["mass_g"].value * 1e-3,
        diameter=found["diameter_mm"].value * 1e-3,
        test=test,
        law=law,
    )
    return found, screen
