"""What players want of a pattern: sums over regions, the band's bound, the launch within a club."""

from dataclasses import replace

import numpy as np
import pytest

from layers.ball import Ball
from layers.bench.bench import Bench
from layers.conditions import Conditions, Weather
from layers.errors import InputError
from layers.flight.aerodynamics import ferguson_2022, smits_smith_1994
from layers.flight.trajectory import fly
from layers.materials import default_catalogue
from layers.rules.overall_distance import distance_test
from layers.strike.launch import Launch
from layers.strike.swings import find_swing
from optimize.pattern.launch import Shot, best_launch, off_loft
from optimize.pattern.wants import CARRY, WANTED, wants

RPM, DEG = np.pi / 30.0, np.pi / 180.0
SHOTS = {"driver fast": (73.0, 11.5, 2700.0), "driver slow": (50.0, 14.5, 2400.0)}


@pytest.fixture(scope="module")
def ball():
    card = default_catalogue().find("core rubber, medium")
    return Ball(name="even", layer=[{"role": "core", "outer_diameter_mm": 42.7, "material": card}])


@pytest.fixture(autouse=True)
def struck(monkeypatch):
    """Launch by table: the physics of the strike is not the point here."""

    def launch(self, name):
        speed, angle, spin = SHOTS[name]
        return Launch(speed, angle * DEG, spin * RPM, 0, 0, 0, 0, None, {}, 0.0, "")

    monkeypatch.setattr(Bench, "launch", launch)


@pytest.fixture
def found(ball):
    return wants(ball, list(SHOTS), test=distance_test("present"))


def test_regions_add_up_to_what_a_change_everywhere_does(found):
    swing = found.swings[0]
    speed, angle, spin = swing.shot.launch

    def changed(law, by):
        return lambda re, s: replace(law(re, s), drag=law(re, s).drag + by)

    ends = [
        fly(speed, angle, spin, **swing.shot.body, law=changed(ferguson_2022, by)).carry[0]
        for by in (0.001, -0.001)
    ]
    assert swing.drag[CARRY].sum() == pytest.approx((ends[0] - ends[1]) / 0.2, rel=1e-3)
    assert len(swing.values) == len(WANTED)


def test_the_drift_is_that_of_two_flights(found):
    swing = found.swings[1]
    lateral = fly(*swing.shot.launch, **swing.shot.body, wind=(0.0, 0.0, 5.0)).lateral[0]
    assert swing.values[4] == pytest.approx(lateral, rel=1e-12)


def test_the_band_gains_what_it_says_and_the_test_gains_nothing(found):
    band = found.band
    assert np.abs(band.drag).max() <= band.reach * (1 + 1e-9)
    assert np.abs(band.lift).max() <= band.reach * (1 + 1e-9)
    of_test = 100.0 * (found.test.drag @ band.drag + found.test.lift @ band.lift)
    assert of_test == pytest.approx(band.test_gain, abs=1e-9)
    assert band.test_gain <= 1e-6
    for swing, gain in zip(found.swings, band.gains, strict=True):
        by_hand = 100.0 * (swing.drag[CARRY] @ band.drag + swing.lift[CARRY] @ band.lift)
        assert gain == pytest.approx(by_hand)
    assert band.gains.mean() > 0.0


def test_more_room_in_the_test_brings_no_less(ball, found):
    free = wants(ball, list(SHOTS))
    roomy = wants(ball, list(SHOTS), test=distance_test("present"), allowed=2.0)
    assert free.test is None
    means = [one.band.gains.mean() for one in (found, roomy, free)]
    assert means[0] < means[1] < means[2]
    # Without a test every helpful change is taken to its full reach.
    parts = [np.mean([getattr(s, c)[CARRY] for s in free.swings], axis=0) for c in ("drag", "lift")]
    most = 100.0 * free.band.reach * np.abs(parts).sum()
    assert free.band.gains.mean() == pytest.approx(most, rel=1e-6)


def test_a_band_that_cannot_be_is_one_sentence(ball):
    with pytest.raises(InputError, match="enlarge the reach"):
        wants(ball, ["driver fast"], test=distance_test("present"), allowed=-500.0)
    with pytest.raises(InputError, match="one swing"):
        wants(ball, [])


def test_the_pattern_and_the_weather_of_the_swing_count(ball):
    conditions = Conditions(
        by_swing={"driver slow": Weather(None, (-6.0, 0.0, 0.0))},
        patterns={"a": ferguson_2022, "b": smits_smith_1994},
    )
    in_a, in_b = (
        wants(ball.model_copy(update={"dimple_pattern": p}), list(SHOTS), conditions)
        for p in ("a", "b")
    )
    assert in_a.swings[0].values[CARRY] != in_b.swings[0].values[CARRY]
    still = fly(*in_a.swings[1].shot.launch, **in_a.swings[1].shot.body).carry[0]
    assert in_a.swings[1].values[CARRY] < still - 2.0


def test_loft_follows_a_rigid_head_and_best_launch_beats_its_neighbours():
    shot = Shot(70.0, 12.0 * DEG, 2700.0 * RPM, 0.0458, 0.0427)
    speed, angle, spin = off_loft(shot, 14.0, np.array([0.0, 4.0]))
    assert (speed[0], angle[0], spin[0]) == pytest.approx(shot.launch)
    assert spin[1] / spin[0] == pytest.approx(np.sin(18.0 * DEG) / np.sin(14.0 * DEG))
    assert speed[1] / speed[0] == pytest.approx(np.cos(18.0 * DEG) / np.cos(14.0 * DEG))
    loft = find_swing("driver fast").spin_loft_deg
    best = best_launch(shot, ferguson_2022, Weather(None, (0.0, 0.0, 0.0)), loft)
    as_is = fly(*shot.launch, **shot.body).carry[0]
    assert best.carry >= best.carry_by_spin >= as_is - 1e-9
    again = fly(best.ball_speed, best.launch_angle, best.spin_with_loft, **shot.body).carry[0]
    assert again == pytest.approx(best.carry)
    near = [fly(shot.ball_speed, shot.launch_angle, best.spin * f, **shot.body) for f in (0.9, 1.1)]
    assert max(flight.carry[0] for flight in near) <= best.carry_by_spin + 0.05
