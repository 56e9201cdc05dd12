"""The card's source, compiled for this processor, against the compiled Python.

Kind: published comparison of two programs of the same formulas; each agreement comes with a change
that must break it.
"""

from dataclasses import replace

import numpy as np
import pytest

from layers.errors import SolverError
from layers.gpu.batch import Batch, Wanted
from layers.gpu.packing import pack, pack_models
from layers.gpu.strikes import CLUB, LAW, STEPS, launch_of, parameters_of
from layers.strike.launch import Launch
from layers.strike.model import build_model
from layers.strike.settings import LEVELS
from layers.strike.strike import strike_ball
from layers.strike.swings import find_swing
from tests.helpers.builds import random_balls, random_bodies
from tests.helpers.marching import SMALL, Here, marched, needs_compiler

pytestmark = needs_compiler

SPRUNG = find_swing("driver fast").strike()  # turns, springs, is rolled
WEDGE = find_swing("wedge full fast").strike()
RIGID = replace(WEDGE, inertia=None, depth=0.0, impact_height=0.0, friction=0.3)
LONG = replace(SPRUNG, impact_height=0.008)


def figures(launch: Launch) -> np.ndarray:
    return np.array(
        [
            launch.ball_speed,
            launch.launch_angle,
            launch.spin,
            launch.contact_time,
            launch.peak_deformation,
            launch.club_speed_after,
        ]
    )


def off(found: Launch, expected: Launch) -> np.ndarray:
    return np.abs(figures(found) / figures(expected) - 1.0)


def two_pairs(body):
    """Return a body whose layers relax at two rates."""
    strength = np.repeat(0.5 * body.relaxation_strength, 2, axis=1)
    time = np.repeat(body.relaxation_time, 2, axis=1) * np.array([1.0, 4.0])
    return replace(body, relaxation_strength=strength, relaxation_time=time)


@pytest.fixture(scope="module")
def bodies():
    """Two to five layers; the last relaxes at two rates, and its friction fades."""
    drawn = random_bodies(4, 7)
    drawn[3] = replace(two_pairs(drawn[3]), friction_half_speed=30.0)
    return drawn


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)


def launches(bodies, strikes, precision="double", device=None):
    wanted = [Wanted(body, tuple(strikes)) for body in bodies]
    return Batch(device or Here(), wanted, precision, "default").outcomes()


def test_launches_are_those_of_the_compiled_python(bodies, small):
    strikes = (SPRUNG, WEDGE, RIGID, LONG)
    chosen = [(i, strikes[i], strikes[(i + 1) % 4]) for i in range(4)]
    found = Batch(
        Here(), [Wanted(bodies[i], (a, b)) for i, a, b in chosen], "double", "default"
    ).outcomes()
    for (i, *both), outcomes in zip(chosen, found, strict=True):
        for strike, launch in zip(both, outcomes, strict=True):
            expected = strike_ball(bodies[i], strike, SMALL)
            assert off(launch, expected).max() < 1e-12
            assert launch.flag == expected.flag
            assert abs(launch.club_turn_rate - expected.club_turn_rate) < 1e-9


@pytest.mark.parametrize("fixed", [False, True])
def test_single_precision_is_within_its_bounds(bodies, small, fixed):
    [[found]] = launches(bodies[:1], [WEDGE], "single", Here(fixed=fixed))
    wrong = off(found, strike_ball(bodies[0], WEDGE, SMALL))
    assert (wrong[:3] < (1e-4, 5e-4, 2e-3)).all()
    assert wrong.max() > 1e-9


def test_own_constants_of_elements_give_the_same(bodies):
    body = bodies[3]
    even = pack([body], SMALL, np.float64)
    own = pack_models([build_model(body, SMALL)], [body], SMALL, 1, np.float64)
    assert own.graded
    assert not even.graded
    rows = []
    for packed in (even, own):
        parameters = parameters_of(packed, [body], [0], [WEDGE], SMALL)
        rows.append(marched(packed, [0], parameters)[0])
    assert np.abs(rows[0][:3] / rows[1][:3] - 1.0).max() < 1e-12
    first = len(own.builds[0]) - (8 + 4) * len(own.plan.element)
    own.builds[0, first : first + len(own.plan.element) // 8] *= 1.01  # shear of a few
    moved = marched(own, [0], parameters)[0]
    assert np.abs(moved[:3] / rows[1][:3] - 1.0).max() > 1e-6


@pytest.mark.parametrize("where", [LAW, LAW + 2, CLUB + 4])
def test_the_comparison_would_notice(bodies, where):
    """Contact stiffness along the normal and the face, and the head's place, each count."""
    packed = pack(bodies[:1], SMALL, np.float64)
    parameters = parameters_of(packed, bodies[:1], [0], [SPRUNG], SMALL)
    before = marched(packed, [0], parameters)[0]
    parameters[0, where] *= 1.001
    after = marched(packed, [0], parameters)[0]
    assert np.abs(after[:3] / before[:3] - 1.0).max() > 1e-9


def test_a_batch_changes_no_bit_of_a_build(bodies, small):
    alone = [launches([body], [WEDGE])[0][0] for body in bodies[:2]]
    together = launches([*bodies[:2], bodies[0]], [WEDGE])
    assert [figures(one).tolist() for one in alone] == [
        figures(row[0]).tolist() for row in together[:2]
    ]
    assert figures(together[2][0]).tolist() == figures(alone[0]).tolist()


def test_a_crushed_ball_is_told_by_its_layer(bodies, small):
    body = replace(
        bodies[0],
        shear_modulus=bodies[0].shear_modulus * np.array([2e-4, 1.0]),
        bulk_modulus=bodies[0].bulk_modulus * np.array([2e-4, 1.0]),
    )
    [[found]] = launches([body], [SPRUNG])
    with pytest.raises(SolverError) as expected:
        strike_ball(body, SPRUNG, SMALL)
    assert isinstance(found, SolverError)
    assert str(found) == str(expected.value)


def test_a_strike_that_cannot_be_is_refused_alone(bodies, small):
    slow = replace(WEDGE, club_speed=0.5)
    [[refused, found]] = launches(bodies[:1], [slow, WEDGE])
    assert "club_speed" in str(refused)
    assert isinstance(found, Launch)


def test_a_ball_that_stays_is_flagged(bodies):
    packed = pack(bodies[:1], SMALL, np.float64)
    parameters = parameters_of(packed, bodies[:1], [0], [WEDGE], SMALL)
    parameters[0, 25] = 1e-4
    row = marched(packed, [0], parameters)[0]
    assert "did not leave" in launch_of(bodies[0], WEDGE, row).flag
    assert row[STEPS] > 10


def test_a_graded_core_is_marched_with_its_own_elements(small):
    ball = random_balls(2, 7)[1]
    profile = {"centre_mpa": 30.0, "surface_mpa": 60.0, "shape": 2.0}
    graded = ball.replace("core", profile=profile)
    [[found], [even]] = launches([graded.body(), ball.body()], [WEDGE])
    expected = strike_ball(graded.body(), WEDGE, SMALL)
    assert off(found, expected).max() < 1e-12
    assert off(found, even).max() > 1e-4
