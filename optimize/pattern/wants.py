"""What drag and lift the players of a ball want, region by region of Re and spin ratio.

Of each swing's flight: what a hundredth of CD or CL in a region brings in carry, total, apex
height, landing angle and drift in a cross-wind. Over all swings: the changes, each at most so
large, that add the most carry while the overall-distance test's printed launch gains no more than
allowed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.flight.aerodynamics import Law
from layers.flight.air import humid_air
from layers.flight.influence import FIGURES, Influence, influence
from layers.flight.regions import Shares, middles, shares
from layers.rules.overall_distance import LAUNCH, MILE_PER_HOUR, YARD, DistanceTest
from optimize.pattern.launch import BestLaunch, Shot, best_launch

CROSS_WIND_M_S = 5.0
# What is asked of a flight, with the scale from SI and the unit.
WANTED = (
    ("carry_m", 1.0, "m"),
    ("total_m", 1.0, "m"),
    ("apex_m", 1.0, "m"),
    ("descent_angle_deg", float(np.degrees(1.0)), "deg"),
    ("drift_m", 1.0, "m"),
)
_ROWS = [FIGURES.index(name) for name in ("carry", "total", "apex", "descent_angle")]
_DRIFT = FIGURES.index("lateral")
CARRY, TOTAL = 0, 1


@dataclass(frozen=True)
class SwingWants:
    """One swing's flight divided among r regions; figures in the order of `WANTED`.

    Attributes
    ----------
    swing, profile : str
        Whose flight.
    shot : Shot
        The launch, off the club.
    values : (5,) array
        The figures, in their units.
    time, distance : (r,) arrays
        s and m in each region.
    drag, lift : (5, r) arrays
        Change of each figure per 0.01 of CD, and of CL, in each region.
    launch : (5, 3) array
        Change of each figure per m/s of ball speed, per degree of launch, per 100 rpm of backspin.
    best : BestLaunch
        The launch that carries farthest within what a club can give.
    outside_share : float
        Share of the flight's time that the law does not cover.
    """

    swing: str
    profile: str
    shot: Shot
    values: FloatArray
    time: FloatArray
    distance: FloatArray
    drag: FloatArray
    lift: FloatArray
    launch: FloatArray
    best: BestLaunch
    outside_share: float


@dataclass(frozen=True)
class TestRoom:
    """The overall-distance test's printed launch under the same law: m.

    `drag` and `lift` are the change of its total per 0.01 in each region, (r,).
    """

    name: str
    total: float
    limit: float
    drag: FloatArray
    lift: FloatArray


@dataclass(frozen=True)
class Band:
    """Changes of CD and CL by region, (r,) each, that the players would gain most from.

    Attributes
    ----------
    drag, lift : (r,) arrays
        Wanted changes, within plus or minus `reach`.
    reach : float
        Largest change of either coefficient.
    gains : (k,) array
        Carry that each swing gains, m.
    test_gain : float
        What the test's printed launch gains in total, m; 0 without a test.
    allowed : float
        The most it may.
    """

    drag: FloatArray
    lift: FloatArray
    reach: float
    gains: FloatArray
    test_gain: float
    allowed: float


@dataclass(frozen=True)
class Wants:
    """What the players of one ball want of its pattern, and the pattern of its construction."""

    ball: str
    regions: FloatArray
    swings: tuple[SwingWants, ...]
    test: TestRoom | None
    band: Band
    cross_wind_m_s: float


def wants(
    ball: Ball,
    swings: Sequence[str],
    conditions: Conditions | None = None,
    *,
    test: DistanceTest | None = None,
    reach: float = 0.01,
    allowed: float = 0.0,
    cross_wind: float = CROSS_WIND_M_S,
) -> Wants:
    """Divide the flights of a ball among regions of Re and spin ratio, and find the wanted changes.

    Parameters
    ----------
    ball : Ball
        The build; its launches are computed.
    swings : sequence of str
        Names of swings; each counts alike.
    conditions : Conditions, optional
        Swings, law, air and wind.
    test : DistanceTest, optional
        Overall-distance test whose printed launch bounds the wanted changes.
    reach : float
        Largest change of CD and of CL in a region.
    allowed : float
        m that the test's total may gain; negative where it must lose.
    cross_wind : float
        m/s to the right, for drift.

    Raises
    ------
    InputError
        If a swing is unknown, or the test cannot lose as much within the reach.
    SolverError
        If a strike or a flight cannot be computed.
    """
    conditions = conditions or Conditions()
    names = list(dict.fromkeys(conditions.swings.find(name).name for name in swings))
    if not names:
        raise InputError("what the players want needs one swing or more.")
    found = tuple(_swing_wants(ball, name, conditions, cross_wind) for name in names)
    room = _test_room(ball, test, conditions) if test else None
    return Wants(ball.name, middles(), found, room, _band(found, room, reach, allowed), cross_wind)


def _swing_wants(ball: Ball, name: str, conditions: Conditions, cross_wind: float) -> SwingWants:
    shot = _shot(ball, name, conditions)
    law, weather = conditions.law_of(ball.dimple_pattern), conditions.weather(name)
    along, up, right = weather.wind
    flown, blown = (
        influence(*shot.launch, **shot.body, law=law, air=weather.air, wind=(along, up, right + w))
        for w in (0.0, cross_wind)
    )
    parts, drifts = shares(flown), shares(blown)
    scale = np.array([scale for _, scale, _ in WANTED])
    still = flown.values[_DRIFT]
    still_parts = parts.drag[_DRIFT], parts.lift[_DRIFT]
    values = np.append(flown.values[_ROWS], blown.values[_DRIFT] - still)
    per_launch = np.vstack([flown.launch[_ROWS], blown.launch[_DRIFT] - flown.launch[_DRIFT]])
    return SwingWants(
        swing=name,
        profile=conditions.swings.find(name).profile,
        shot=shot,
        values=values * scale,
        time=parts.time,
        distance=parts.distance,
        drag=0.01 * scale[:, None] * _stacked(parts.drag, drifts.drag, still_parts[0]),
        lift=0.01 * scale[:, None] * _stacked(parts.lift, drifts.lift, still_parts[1]),
        launch=scale[:, None] * per_launch[:, :3] * [1.0, np.radians(1.0), 100.0 * np.pi / 30.0],
        best=best_launch(shot, law, weather, conditions.swings.find(name).spin_loft_deg),
        outside_share=_outside(flown, law),
    )


def _stacked(parts: FloatArray, blown: FloatArray, still: FloatArray) -> FloatArray:
    return np.vstack([parts[_ROWS], blown[_DRIFT] - still])


def _outside(flown: Influence, law: Law) -> float:
    inside = law(flown.reynolds, flown.spin_ratio).inside
    return float(np.sum(flown.duration[~inside]) / np.sum(flown.duration))


def _shot(ball: Ball, name: str, conditions: Conditions) -> Shot:
    """Strike the ball."""
    asked = [f"{name}.{figure}" for figure in LAUNCH]
    found = estimate(ball, ["mass_g", "diameter_mm", *asked], conditions)
    speed, angle, spin = (found[figure].value for figure in asked)
    return Shot(
        speed,
        float(np.radians(angle)),
        max(spin, 0.0) * np.pi / 30.0,
        found["mass_g"].value * 1e-3,
        found["diameter_mm"].value * 1e-3,
    )


def _test_room(ball: Ball, test: DistanceTest, conditions: Conditions) -> TestRoom:
    """Fly the launch that the test prints."""
    size = estimate(ball, ["mass_g", "diameter_mm"], conditions)
    flown = influence(
        test.ball_speed_mph * MILE_PER_HOUR,
        float(np.radians(test.launch_angle_deg)),
        test.spin_rpm * np.pi / 30.0,
        mass=size["mass_g"].value * 1e-3,
        diameter=size["diameter_mm"].value * 1e-3,
        law=conditions.law_of(ball.dimple_pattern),
        air=humid_air(test.temperature_c, test.pressure_hpa, test.relative_humidity_percent),
    )
    parts: Shares = shares(flown)
    return TestRoom(
        name=test.name,
        total=float(flown.values[FIGURES.index("total")]),
        limit=(test.limit_yd + test.tolerance_yd) * YARD,
        drag=0.01 * parts.drag[TOTAL],
        lift=0.01 * parts.lift[TOTAL],
    )


def _band(
    swings: Sequence[SwingWants], room: TestRoom | None, reach: float, allowed: float
) -> Band:
    """Solve the linear programme: most carry of all swings, each change within the reach."""
    from scipy.optimize import linprog

    per_swing = np.array([np.concatenate([s.drag[CARRY], s.lift[CARRY]]) for s in swings])
    count = per_swing.shape[1] // 2
    of_test = np.concatenate([room.drag, room.lift]) if room else np.zeros(2 * count)
    # Regions where nobody flies stay as they are: a small cost on size keeps them at 0.
    found = linprog(
        np.concatenate([-per_swing.mean(axis=0), per_swing.mean(axis=0)]) + 1e-9,
        A_ub=[np.concatenate([of_test, -of_test])] if room else None,
        b_ub=[allowed] if room else None,
        bounds=[(0.0, 100.0 * reach)] * (4 * count),
        method="highs",
    )
    if found.x is None:
        most = 100.0 * reach * float(np.abs(of_test).sum())
        raise InputError(
            f"the test's total is to gain {allowed:g} m at most, but changes of {reach:g} take it "
            f"down by {most:.1f} m at most; enlarge the reach or allow more."
        )
    change = found.x[: 2 * count] - found.x[2 * count :]
    return Band(
        drag=0.01 * change[:count],
        lift=0.01 * change[count:],
        reach=reach,
        gains=per_swing @ change,
        test_gain=float(of_test @ change),
        allowed=allowed,
    )
