"""What the length of a track costs: spin along it, exact tracks, weights and lengths of parts."""

import numpy as np
import pytest

from layers.flight.aerodynamics import Coefficients
from layers.range.reduction import reduce_tracks
from layers.range.windows import _middle_part, truncation, windows
from tests.helpers.range_data import invented_ball, session
from tests.layers.range.test_reduction import steady


def test_analytic_spin_falls_along_a_track_as_published():
    """By exp(-k V t / R), k = 2e-5 of Smits and Smith, and is the launch's at its middle."""
    tracks, _ = session(steady, 3, 7, spins=(2000.0, 5000.0))
    found = reduce_tracks(tracks)
    radius, asked = 0.5 * tracks.diameter, []

    def law(reynolds, spin_ratio):
        speed = reynolds / tracks.reynolds_per_speed
        asked.append(spin_ratio * speed / radius)
        return steady(reynolds, spin_ratio)

    truncation(found, law)
    time = tracks.time - tracks.time[:, :1]
    rate = 2e-5 * found.speed / radius
    first = found.spins.spin * np.exp(rate * found.fit.middle)
    np.testing.assert_allclose(asked[0], first, rtol=1e-9)
    last = found.spins.spin * np.exp(-rate * (time[:, -1] - found.fit.middle))
    np.testing.assert_allclose(asked[-2], last, rtol=1e-9)
    np.testing.assert_allclose(asked[-1], found.spins.spin, rtol=1e-5)


def test_limits_an_exact_track_errs_by_its_truncation_alone():
    """Reduced without noise, a session misses the law at its middles by what is foretold."""
    tracks, _ = session(
        invented_ball, 10, 5, speeds=(20.0, 40.0), position_sd=0.0, time_sd=0.0, spin_sd=0.0
    )
    found = reduce_tracks(tracks)
    true = invented_ball(found.reynolds, found.spin_ratio)
    missed = np.stack([found.drag - true.drag, found.lift - true.lift], axis=1)
    errors = truncation(found, invented_ball)
    assert np.abs(errors).max() > 1e-3
    np.testing.assert_allclose(errors, missed, atol=0.2 * np.abs(errors).max())


def test_analytic_the_errors_of_a_part_are_relative_root_mean_squares():
    """Of the whole track: errors of the fit times the scatter found, over the mean coefficient."""
    tracks, _ = session(steady, 40, 2, position_sd=1.0e-3)
    found = reduce_tracks(tracks)
    assert found.scatter[0] > 1.5
    whole = windows(found, bent)[-1]
    assert whole.share == 1.0
    for place, sd in ((0, found.drag_sd), (1, found.lift_sd)):
        c = bent(found.reynolds, found.spin_ratio)
        size = np.mean(np.abs((c.drag, c.lift)[place]))
        measured = np.sqrt(np.mean(sd**2)) / size
        assert whole.measurement[place] == pytest.approx(measured, rel=0.03)
        cut = np.sqrt(np.mean(truncation(found, bent)[:, place] ** 2)) / size
        assert whole.truncation[place] == pytest.approx(cut, rel=3e-3)


def bent(reynolds, spin_ratio):
    """Return coefficients that change with speed and spin."""
    r, s = np.asarray(reynolds) / 1e5, np.asarray(spin_ratio)
    return Coefficients(0.2 + 0.05 * (r - 1.5) ** 2 + 0.1 * s, -0.1 - 0.5 * s * r, r > 0.0)


@pytest.mark.parametrize(
    ("count", "share", "first", "kept"),
    [(12, 0.3, 4, 4), (12, 0.5, 3, 6), (13, 0.5, 3, 6), (20, 0.4, 6, 8), (12, 1.0, 0, 12)],
)
def test_analytic_a_part_has_as_many_readings_before_as_after_it(count, share, first, kept):
    """One more after it where they are uneven; readings that are not used do not count."""
    used = np.ones((2, count + 3, 3), dtype=bool)
    used[1, :2], used[0, -3:], used[1, -1] = False, False, False
    found = _middle_part(used, share)
    for launch, offset in ((0, 0), (1, 2)):
        expected = np.zeros(count + 3, dtype=bool)
        expected[first + offset : first + offset + kept] = True
        np.testing.assert_array_equal(found[launch, :, 0], expected)
        np.testing.assert_array_equal(found[launch, :, 2], expected)
