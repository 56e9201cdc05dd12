"""Tracks of known truth come back: motion in closed form, bias and intervals, outliers, spin."""

from dataclasses import replace

import numpy as np
import pytest

from layers.errors import InputError
from layers.flight.aerodynamics import Coefficients
from layers.range.checks import check_session
from layers.range.motion import march
from layers.range.reduction import reduce_tracks
from layers.range.session import reduce_session
from layers.range.tracks import Setup
from layers.range.windows import _middle_part, truncation, windows
from tests.helpers.range_data import RPM, invented_ball, session


def steady(reynolds, spin_ratio):
    """Coefficients that nothing changes, so that no track is too long."""
    flat = np.ones(np.shape(reynolds))
    return Coefficients(0.25 * flat, 0.15 * flat, flat > 0.0)


def true_at_middle(found, true, law):
    """Return the true drag and lift of each launch at the middle of its track, (n, 2)."""
    spin = np.array(
        [
            np.interp(middle, times - times[0], spins)
            for middle, times, spins in zip(found.fit.middle, true.time, true.spin, strict=True)
        ]
    )
    c = law(found.reynolds, spin * 0.5 * found.tracks.diameter / found.speed)
    return np.stack([c.drag, c.lift], axis=1)


def test_analytic_straight_flight():
    """Without gravity and lift a ball of steady drag flies x = ln(1 + k CD v t) / (k CD)."""
    times = np.linspace(0.0, 0.4, 9)[:, None]
    start = np.array([[0.0], [1.0], [0.0], [60.0], [0.0], [0.0]])
    k, drag = 0.0187, 0.25

    def coefficients(now, speed):
        return np.array([np.full(1, drag), np.zeros(1), np.zeros(1)])

    states = march(start, times, coefficients, np.array([k]), np.zeros(1), np.zeros(3))
    expected = np.log1p(k * drag * 60.0 * times[:, 0]) / (k * drag)
    np.testing.assert_allclose(states[:, 0, 0], expected, atol=1e-8)


def test_exact_tracks_give_exact_coefficients():
    tracks, _ = session(steady, 12, 4, position_sd=0.0, time_sd=0.0)
    found = reduce_tracks(tracks)
    np.testing.assert_allclose(found.drag, 0.25, rtol=1e-5)
    np.testing.assert_allclose(found.lift, 0.15, rtol=1e-5)
    np.testing.assert_allclose(found.side, 0.0, atol=1e-6)
    heavier = reduce_tracks(replace(tracks, mass=1.01 * tracks.mass))
    assert np.abs(heavier.drag / 0.25 - 1.0).min() > 0.009  # guard: 1 % of mass is seen


@pytest.fixture(scope="module")
def two_hundred():
    """Return a session of 200 launches, reduced, and its truth; its surface's shape by 60 rows."""
    tracks, true = session(invented_ball, 200, 101)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("layers.range.process._MOST_FITTED", 60)
        return reduce_session(tracks), true


def test_bias_and_intervals_of_200_launches(two_hundred):
    """0.5 mm and 2 us: bias within 0.3 %, intervals of 95 % hold 92 to 98 %."""
    found, true = two_hundred
    r = found.reduction
    truth = true_at_middle(r, true, invented_ball)
    off = np.stack([r.drag, r.lift], axis=1) - truth
    assert (np.abs(off.mean(axis=0) / np.abs(truth).mean(axis=0)) < 0.003).all()
    held = (np.abs(off) < 1.96 * found.errors).mean(axis=0)
    assert ((held >= 0.92) & (held <= 0.98)).all(), held
    narrow = (np.abs(off) < 1.5 * found.errors).mean(axis=0)
    assert (narrow < 0.92).all()  # guard: intervals a quarter narrower fail
    np.testing.assert_allclose(r.scatter, 1.0, atol=0.05)
    assert r.spins.decay.size == 200
    sure = r.spins.decay_sd < 1e-5
    z = (r.spins.decay - 2e-5)[sure] / r.spins.decay_sd[sure]
    assert abs(z.mean()) < 0.4
    assert 0.8 < z.std() < 1.2


def test_standard_errors_follow_noise_that_is_misstated():
    """Readings three times as noisy as the setup says: intervals hold as before."""
    tracks, _ = session(steady, 200, 9, position_sd=1.5e-3)
    found = reduce_tracks(tracks)
    np.testing.assert_allclose(found.scatter, 3.0, rtol=0.06)
    for value, sd, true in ((found.drag, found.drag_sd, 0.25), (found.lift, found.lift_sd, 0.15)):
        assert 0.92 <= (np.abs(value - true) < 1.96 * sd).mean() <= 0.98


def test_both_errors_of_the_window(two_hundred):
    """Measurement falls and truncation grows with the part of the track that is used."""
    found, _ = two_hundred
    measured = np.array([w.measurement for w in found.windows])
    cut = np.array([w.truncation for w in found.windows])
    assert (np.diff(measured, axis=0) < 0.0).all()
    assert (cut[-1] > 3.0 * cut[0]).all()
    small = reduce_tracks(session(steady, 6, 2)[0])
    assert np.abs(truncation(small, steady)).max() < 1e-6
    assert len(windows(small, steady)) >= 4


def test_windows_are_the_middle_parts_of_the_track():
    """Twelve readings over 20 m: the nearest number to each share, four at least."""
    found = windows(reduce_tracks(session(steady, 6, 2)[0]), steady)
    assert [w.share for w in found] == [0.3, 0.4, 0.5, 0.6, 0.8, 1.0]
    assert [w.readings for w in found] == [4.0, 5.0, 6.0, 7.0, 10.0, 12.0]
    expected = [(w.readings - 1.0) * 20.0 / 11.0 for w in found]
    np.testing.assert_allclose([w.length for w in found], expected, atol=0.01)
    for window in found:
        np.testing.assert_allclose(window.total, np.hypot(window.measurement, window.truncation))
    one = np.zeros((1, 9, 3), dtype=bool)
    one[0, 1:8] = True
    assert _middle_part(one, 0.6)[0, :, 0].tolist() == [False] * 2 + [True] * 4 + [False] * 3
    # Five readings of a track without heights say nothing of lift.
    tracks, _ = session(steady, 4, 3, np.linspace(0.0, 12.0, 5), screens=True)
    flat = windows(reduce_tracks(tracks), steady)
    assert [w.readings for w in flat] == [4.0, 5.0]
    assert np.isnan([w.measurement[1] for w in flat]).all()


def test_a_launch_whose_spin_is_not_known_has_no_truncation():
    tracks, _ = session(steady, 3, 2)
    spin = tracks.spin.copy()
    spin[1] = np.nan
    found = reduce_tracks(replace(tracks, spin=spin))
    errors = truncation(found, invented_ball)
    assert np.isnan(errors[1]).all()
    assert np.isfinite(errors[[0, 2]]).all()
    none = reduce_tracks(replace(tracks, spin=np.full_like(spin, np.nan)))
    assert windows(none, steady) == ()
    assert np.isnan(truncation(none, steady)).all()


def test_screens_without_heights_hold_their_own_intervals():
    tracks, true = session(invented_ball, 400, 1, speeds=(40.0, 75.0), screens=True)
    found = reduce_tracks(tracks)
    assert np.isnan(found.lift).all()
    assert np.isnan(found.side).all()
    off = found.drag - true_at_middle(found, true, invented_ball)[:, 0]
    assert abs(off.mean() / found.drag.mean()) < 0.003
    assert 0.92 <= (np.abs(off) < 1.96 * found.drag_sd).mean() <= 0.98
    blind = reduce_tracks(tracks, Setup(climb_sd=0.0))
    assert (np.abs(off) < 1.96 * blind.drag_sd).mean() < 0.5  # guard: climb is the error


def test_outliers_are_named_and_can_be_kept():
    tracks, _ = session(steady, 20, 8)
    position = tracks.position.copy()
    position[3, 5, 0] += 0.005
    position[7, 2, 1] -= 0.006
    tracks = replace(tracks, position=position)
    found = reduce_tracks(tracks)
    named = {(o.launch, o.line, o.column) for o in found.outliers}
    assert named == {("L004", 2 + 3 * 12 + 5, "x_m"), ("L008", 2 + 7 * 12 + 2, "y_m")}
    assert found.outliers[0].deviation == pytest.approx(0.005, abs=0.0015)
    kept = reduce_tracks(tracks, keep=True)
    assert {(o.launch, o.line, o.column) for o in kept.outliers} == named
    assert kept.used.sum() == found.used.sum() + 2
    assert abs(found.drag[3] - 0.25) < abs(kept.drag[3] - 0.25)


def test_a_gross_slip_leads_no_fit_astray():
    tracks, _ = session(steady, 4, 8)
    position = tracks.position.copy()
    position[1, 3, 0] = 100.0
    position[2, 1, 1] = -40.0
    found = reduce_tracks(replace(tracks, position=position))
    assert {(o.launch, o.column) for o in found.outliers} == {("L002", "x_m"), ("L003", "y_m")}
    np.testing.assert_allclose(found.drag, 0.25, atol=0.003)
    assert np.isfinite([o.sigmas for o in found.outliers]).all()


def test_marks_tell_the_spin_or_say_that_two_fit():
    stations = np.array([0.0, 1.0, 2.7, 5.9, 8.0, 11.3, 13.1, 16.9, 20.0])
    tracks, true = session(steady, 15, 6, stations, spins=(1500.0, 6000.0))
    since = true.time - true.time[:, :1]
    steps = 0.5 * (true.spin[:, 1:] + true.spin[:, :-1]) * np.diff(since, axis=1)
    turned = np.concatenate([np.ones((15, 1)), 1.0 + np.cumsum(steps, axis=1)], axis=1)
    rng = np.random.default_rng(0)
    mark = (turned + rng.normal(0.0, np.deg2rad(2.0), turned.shape)) % (2.0 * np.pi)
    none = np.full_like(tracks.spin, np.nan)
    found = reduce_tracks(replace(tracks, spin=none, mark=mark))
    each = zip(found.fit.middle, since, true.spin, strict=True)
    middle = [np.interp(m, t, s) for m, t, s in each]
    sure = np.isfinite(found.spins.spin)
    assert sure.sum() >= 12
    z = ((found.spins.spin - middle) / found.spins.spin_sd)[sure]
    assert np.abs(z).max() < 4.0
    even = np.linspace(0.0, 20.0, 4)
    tracks, _ = session(steady, 3, 6, even, spins=(2000.0, 3000.0))
    unsure = replace(tracks, spin=np.full_like(tracks.spin, np.nan), mark=tracks.time * 250.0)
    found = reduce_tracks(unsure)
    assert np.isnan(found.spins.spin).all()
    assert np.isfinite(found.spins.ambiguous).all()
    told = reduce_tracks(replace(unsure, spin=np.where(tracks.time == 0.0, np.nan, 250.0)))
    np.testing.assert_allclose(told.spins.spin, 250.0, atol=1.0)


@pytest.mark.parametrize("speeds", [(20.0, 25.0), (60.0, 75.0)])
def test_a_reading_of_spin_beside_a_mark_makes_it_no_less_sure(speeds):
    stations = np.array([0.0, 1.0, 2.7, 5.9, 8.0, 11.3, 13.1, 16.9, 20.0])
    tracks, true = session(steady, 12, 6, stations, speeds=speeds, spins=(1500.0, 6000.0))
    since = true.time - true.time[:, :1]
    steps = 0.5 * (true.spin[:, 1:] + true.spin[:, :-1]) * np.diff(since, axis=1)
    turned = np.concatenate([np.ones((12, 1)), 1.0 + np.cumsum(steps, axis=1)], axis=1)
    rng = np.random.default_rng(0)
    mark = (turned + rng.normal(0.0, np.deg2rad(2.0), turned.shape)) % (2.0 * np.pi)
    one = np.where(np.arange(9) == 4, tracks.spin, np.nan)
    found = reduce_tracks(replace(tracks, spin=one, mark=mark))
    each = zip(found.fit.middle, since, true.spin, strict=True)
    middle = np.array([np.interp(m, t, s) for m, t, s in each])
    assert np.isfinite(found.spins.spin).all()
    z = (found.spins.spin - middle) / found.spins.spin_sd
    assert np.abs(z).max() < 4.0
    assert np.isnan(found.spins.ambiguous).all()


def test_checks_see_gravity_and_drift():
    tracks, _ = session(invented_ball, 60, 0, spins=(0.0, 600.0), speeds=(40.0, 75.0))
    right = check_session(reduce_tracks(tracks), None)
    wrong = check_session(reduce_tracks(tracks, Setup(gravity=9.70)), None)
    assert abs(right.gravity.sigmas) < 3.0
    assert wrong.gravity.value == pytest.approx(0.10665 + right.gravity.value, abs=2e-3)
    assert wrong.gravity.sigmas > 5.0
    assert abs(right.drift.sigmas) < 3.0
    blown = check_session(reduce_tracks(tracks, Setup(drift=(0.0, 0.0, 0.4))), None)
    assert blown.drift.value == pytest.approx(right.drift.value - 0.4, abs=0.02)


def test_a_launch_of_too_few_readings_is_refused_by_name():
    tracks, _ = session(steady, 3, 1)
    position = tracks.position.copy()
    position[1, 3:] = np.nan
    found = reduce_tracks(replace(tracks, position=position))
    assert found.tracks.launch == ("L001", "L003")
    assert "L002 has 3 usable readings" in found.refused["L002"]
    alone = replace(tracks, position=position).take(np.array([1]))
    with pytest.raises(InputError, match="at least 4; no launch could be reduced"):
        reduce_tracks(alone)


def test_spin_from_readings_follows_its_decay():
    tracks, true = session(steady, 10, 3, spins=(2000.0, 5000.0), spin_sd=1.0 * RPM)
    found = reduce_tracks(tracks, Setup(spin_sd=1.0 * RPM))
    np.testing.assert_allclose(found.spins.decay, 2e-5, atol=4e-6)
    middle = true.spin.mean(axis=1)
    np.testing.assert_allclose(found.spins.spin, middle, rtol=2e-3)
