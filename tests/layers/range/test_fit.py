"""Fits of tracks in parts: exact motion comes back, what is held, and where a fit gives up."""

from dataclasses import replace

import numpy as np
import pytest

from layers.range.fit import DRAG, LIFT, SIDE, SLOPE_SD, _start, fit_tracks, since_first
from layers.range.motion import march
from layers.range.tracks import Setup, Tracks

MASS, DIAMETER, DENSITY, VISCOSITY = 0.0459, 0.0427, 1.2, 1.8e-5
K = DENSITY * np.pi * DIAMETER**2 / 8.0 / MASS
TIMES = np.linspace(0.0, 0.33, 12)


def flown(start, coefficients, growth=(0.0, 0.0, 0.0), times=TIMES, setup=None):
    """Return one launch flown exactly: coefficients at its middle, and their growth in a second."""
    middle = times.mean()

    def at(now, _):
        return (np.array(coefficients) + np.array(growth) * (now - middle))[:, None]

    setup = setup or Setup()
    states = march(
        np.array(start, dtype=float)[:, None],
        times[:, None],
        lambda now, speed: at(float(now[0]), speed),
        np.array([K]),
        np.array([setup.gravity]),
        np.array(setup.drift),
    )[:, :, 0]
    one, none = np.ones(1), np.full((1, len(times)), np.nan)
    return Tracks(
        ("A",), ("",), ("",), np.arange(2, 2 + len(times))[None], times[None], states[None, :, :3],
        none, none, MASS * one, DIAMETER * one, DENSITY * one, VISCOSITY * one,
    )  # fmt: skip


START = (0.5, 1.0, -0.2, 60.0, 4.0, 0.3)


def fitted(tracks, setup=None, used=None, **more):
    used = np.isfinite(tracks.position) if used is None else used
    return fit_tracks(tracks, setup or Setup(), used, **more)


def test_analytic_every_parameter_of_an_exact_track_comes_back():
    """Position, velocity, drag, lift and side force, in still and in moving air."""
    for setup in (Setup(), Setup(gravity=9.79, drift=(0.5, -0.2, 0.8))):
        fit = fitted(flown(START, (0.25, 0.15, 0.04), setup=setup), setup)
        expected = [*START, 0.25, 0.15, 0.04, 0.0, 0.0]
        np.testing.assert_allclose(fit.parameters[0], expected, atol=1e-7)
        assert fit.converged.all()
        assert np.abs(fit.residual).max() < 1e-9
        through = np.array(START[3:]) - setup.drift
        assert fit.speed[0, 0] == pytest.approx(np.linalg.norm(through), rel=1e-7)


def test_the_coefficients_hold_at_the_mean_time_of_the_readings_along_x():
    """Drag and lift that grow: those at the middle come back, whichever readings are left."""
    tracks = flown(START, (0.25, 0.15, 0.0), (0.01, -0.02, 0.0))
    used = np.ones((1, 12, 3), dtype=bool)
    used[0, 8:, 0] = False
    fit = fitted(tracks, used=used)
    assert fit.middle[0] == pytest.approx(TIMES[:8].mean(), rel=1e-12)
    assert not fit.leverage[~used].any()
    shift = TIMES[:8].mean() - TIMES.mean()
    assert fit.parameters[0, DRAG] == pytest.approx(0.25 + 0.01 * shift, abs=2e-4)
    whole = fitted(tracks)
    assert whole.parameters[0, DRAG] == pytest.approx(0.25, abs=1e-4)
    assert whole.parameters[0, LIFT] == pytest.approx(0.15, abs=1e-4)


def test_limits_of_slopes_that_are_hardly_and_well_measured():
    """In 0.03 s the readings say nothing of a slope: its error is the prior's. The longer and the
    surer the track, the nearer the slope is to the true one, from below.
    """
    short = fitted(flown(START, (0.25, 0.15, 0.0), times=0.1 * TIMES))
    np.testing.assert_allclose([short.sd_of(9)[0], short.sd_of(10)[0]], SLOPE_SD, rtol=0.01)
    assert SLOPE_SD == 0.1
    tracks = flown(START, (0.25, 0.15, 0.0), (0.05, -0.05, 0.0), times=4.0 * TIMES)
    sure = fitted(tracks, Setup(position_sd=1e-6, time_sd=0.0))
    np.testing.assert_allclose(sure.parameters[0, 9:], [0.05, -0.05], rtol=1e-3)
    rough = fitted(
        flown(START, (0.25, 0.15, 0.0), (0.05, -0.05, 0.0), times=0.8 * TIMES),
        Setup(position_sd=2e-3, time_sd=0.0),
    )
    # A normal prior and linear readings: the slopes are the true ones less their covariance's
    # share of the prior's.
    share = np.eye(2) - rough.covariance[0, 9:, 9:] / SLOPE_SD**2
    assert ((np.diag(share) > 0.2) & (np.diag(share) < 0.9)).all()
    np.testing.assert_allclose(rough.parameters[0, 9:], share @ [0.05, -0.05], rtol=0.02)


def test_analytic_leverage_is_what_a_fit_follows_a_reading_by():
    tracks = flown(START, (0.25, 0.15, 0.04))
    fit = fitted(tracks)
    for j, axis in ((0, 0), (5, 1), (11, 2), (3, 0)):
        ends = []
        for by in (1e-4, -1e-4):
            position = tracks.position.copy()
            position[0, j, axis] += by
            ends.append(fitted(replace(tracks, position=position)).path[0, j, axis])
        assert fit.leverage[0, j, axis] == pytest.approx((ends[0] - ends[1]) / 2e-4, rel=1e-4)
    # Nine parameters are free and two are held by their prior in part.
    shares = 1.0 - np.diag(fit.covariance[0])[9:] / SLOPE_SD**2
    assert fit.leverage.sum() == pytest.approx(9.0 + shares.sum(), rel=1e-6)


def test_analytic_a_reading_s_deviation_has_its_time_s_in_it():
    """Position's and speed times time's as squares, times the scatter of the axis."""
    setup = Setup(position_sd=1e-3, time_sd=2e-5)
    fit = fitted(flown(START, (0.25, 0.15, 0.0)), setup, scatter=np.array([1.0, 2.0, 3.0]))
    expected = np.array([1.0, 2.0, 3.0]) * np.hypot(1e-3, 2e-5 * np.array([60.0, 4.0, 0.3]))
    np.testing.assert_allclose(fit.sd[0, 0], expected, rtol=1e-6)
    # Twice the scatter is twice the error of what only that axis tells.
    plain = fitted(flown(START, (0.25, 0.15, 0.0)), setup)
    assert fit.sd_of(SIDE)[0] == pytest.approx(3.0 * plain.sd_of(SIDE)[0], rel=0.01)


def test_a_track_without_heights_bears_its_weight_by_the_lift_that_is_said():
    setup = Setup(gravity=0.0)  # flown level: lift's pull upward and weight are not in it
    level = flown((0.0, 1.0, 0.0, 60.0, 0.0, 0.0), (0.25, 0.0, 0.0), setup=setup)
    seen = replace(level, position=np.where([True, False, False], level.position, np.nan))
    fit = fitted(seen)
    assert fit.parameters[0, DRAG] == pytest.approx(0.25, abs=1e-7)
    assert fit.free[0].tolist() == [True, False, False] * 3 + [True, False]
    assert fit.parameters[0, LIFT] == 0.0
    # With a lift the ball turns off the level: both pulls are in the model then.
    lifted = flown((0.0, 1.0, 0.0, 60.0, 0.0, 0.0), (0.25, 0.3, 0.0))
    seen = replace(lifted, position=np.where([True, False, False], lifted.position, np.nan))
    fit = fitted(seen, lift=np.array([0.3]))
    assert fit.parameters[0, DRAG] == pytest.approx(0.25, abs=1e-6)
    assert fit.parameters[0, LIFT] == 0.3
    assert fit.sd_of(LIFT)[0] == 0.0


@pytest.mark.parametrize(
    ("place", "value", "fits"),
    [(0, 999.5, True), (0, 1000.5, False), (1, -999.5, True), (1, -1000.5, False),
     (3, 199.5, True), (3, 200.5, False), (5, -199.5, True), (5, -200.5, False),
     (6, 1.95, True), (6, 2.05, False), (8, -1.95, True), (8, -2.05, False)],
)  # fmt: skip
def test_a_fit_goes_to_the_ends_of_its_parameters_and_no_farther(place, value, fits):
    """1 km, 200 m/s, coefficients of 2."""
    given = [0.0, 1.0, 0.0, 60.0, 2.0, 0.0, 0.25, 0.15, 0.0]
    given[place] = value
    fit = fitted(flown(given[:6], given[6:], times=0.4 * TIMES))
    assert fit.converged[0] == fits
    if fits:
        np.testing.assert_allclose(fit.parameters[0, :9], given, atol=1e-4)


def test_analytic_the_start_is_a_straight_line_through_each_axis():
    """Readings not in use do not count; an axis without readings starts at rest at 0."""
    times = np.array([[0.0, 0.1, 0.25, 0.3, 0.5]])
    line = np.array([2.0, 1.0, -0.5]) + times[0, :, None] * np.array([50.0, -3.0, 0.4])
    line[2] += 7.0
    used = np.array([True, True, False, True, True])[None, :, None] & np.array([True, True, False])
    axes = np.array([[True, True, False]])
    tracks = replace(flown(START, (0.25, 0.15, 0.0)), time=times, position=line[None])
    p = _start(tracks, used, times, axes)[0]
    np.testing.assert_allclose(p[:6], [2.0, 1.0, 0.0, 50.0, -3.0, 0.0], atol=1e-12)


def test_times_go_on_where_readings_end():
    time = np.array([[1.0, 1.2, 1.5, np.nan], [0.0, 0.1, np.nan, np.nan]])
    np.testing.assert_allclose(since_first(time), [[0.0, 0.2, 0.5, 0.5], [0.0, 0.1, 0.1, 0.1]])
