"""From tracks to carry: does the stated interval hold the truth? Kind: statistics; slow."""

import numpy as np
import pytest

from layers.flight.influence import FIGURES, influence
from layers.flight.trajectory import fly
from layers.flight.uncertainty import NINETY_FIVE, LaunchErrors, flight_spread
from layers.range.reduction import reduce_tracks
from layers.range.surface import Rows, fit_surface
from tests.helpers.range_data import invented_ball, session

DEG, RPM = np.pi / 180.0, np.pi / 30.0
BALL = {"mass": 0.0459, "diameter": 0.0427}
# Drives of a fast and a slow player, a mid iron, a long iron.
SHOTS = ((73.0, 11.0, 2600.0), (50.0, 14.5, 2400.0), (53.0, 16.0, 6000.0), (60.0, 12.5, 4500.0))
LAUNCH = LaunchErrors(0.2, 0.2 * DEG, 50.0 * RPM)
SESSIONS, LAUNCHES, REPEATS = 6, 200, 8


@pytest.mark.slow
def test_intervals_of_carry_from_tracks_hold_the_truth():
    # Position to 0.5 mm, time to 2 us, spin to 20 rpm; the launch of each shot is known to LAUNCH.
    rng, inside = np.random.default_rng(99), []
    shots = [np.array([v, a * DEG, w * RPM]) for v, a, w in SHOTS]
    truth = [fly(*shot, **BALL, law=invented_ball).carry[0] for shot in shots]
    carry = FIGURES.index("carry")
    for seed in range(SESSIONS):
        tracks, _ = session(
            invented_ball, LAUNCHES, 1000 + seed, spins=(1000.0, 6500.0), speeds=(15.0, 75.0)
        )
        found = reduce_tracks(tracks)
        fine = np.isfinite(found.drag + found.lift + found.spin_ratio)
        names = ("reynolds", "spin_ratio", "drag", "lift", "drag_sd", "lift_sd")
        surface = fit_surface(Rows(*(getattr(found, name)[fine] for name in names)))
        for shot, true in zip(shots, truth, strict=True):
            for _ in range(REPEATS):
                measured = shot + LAUNCH.array()[:3] * rng.standard_normal(3)
                flown = influence(*measured, **BALL, law=surface)
                spread = flight_spread(flown, surface, LAUNCH)
                error = flown.values[carry] - true
                inside.append(abs(error) <= NINETY_FIVE * spread.deviation[carry])
    assert 0.92 <= np.mean(inside) <= 0.98
