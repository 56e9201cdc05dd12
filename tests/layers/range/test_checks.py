"""What a session says of itself: drift, tilt and trend that are put into it come back."""

from dataclasses import replace

import numpy as np
import pytest

from layers.flight.aerodynamics import Coefficients
from layers.range.checks import LITTLE_SPIN, UNKNOWN, check_session
from layers.range.reduction import reduce_tracks
from layers.range.surface import Rows, fit_surface
from tests.helpers.range_data import session


def plain(reynolds, spin_ratio):
    s = np.asarray(spin_ratio, float)
    return Coefficients(0.22 + 0.3 * s, 0.8 * s, s >= 0.0)


@pytest.fixture(scope="module")
def found():
    tracks, _ = session(plain, 24, 5, speeds=(40.0, 75.0), position_sd=0.0, time_sd=0.0)
    return reduce_tracks(tracks)


@pytest.fixture(scope="module")
def surface(found):
    errors = np.full(24, 1e-4)
    rows = Rows(found.reynolds, found.spin_ratio, found.drag, found.lift, errors, errors)
    return fit_surface(rows)


def test_analytic_side_forces_of_drift_and_tilt(found):
    """CS = CD u / V + CL t, with errors by the normal equations of unequal weights."""
    sd = np.linspace(1e-3, 3e-3, 24)
    blown = replace(found, side=0.3 * found.drag / found.speed + 0.02 * found.lift, side_sd=sd)
    said = check_session(blown, None)
    assert said.drift.value == pytest.approx(0.3, rel=1e-9)
    assert said.tilt.value == pytest.approx(0.02, rel=1e-9)
    assert said.drift.launches == said.tilt.launches == 24
    a, b = found.drag / found.speed, found.lift
    normal = np.array([[a @ (a / sd**2), a @ (b / sd**2)], [a @ (b / sd**2), b @ (b / sd**2)]])
    errors = np.sqrt(np.diag(np.linalg.inv(normal)))
    assert (said.drift.error, said.tilt.error) == pytest.approx(tuple(errors), rel=1e-6)
    assert said.drift.sigmas == pytest.approx(0.3 / errors[0], rel=1e-6)


def test_analytic_trend_over_the_session(found, surface):
    """Drag that rises by 4 % of its mean and lift that falls by 6 % from the first to the last."""
    mean = surface.coefficients(found.reynolds, found.spin_ratio)
    order = np.arange(24) / 23.0 - 0.5
    size = [np.mean(np.abs(values)) for values in mean]
    drawn = replace(
        found,
        drag=mean[0] + 0.04 * size[0] * order,
        lift=mean[1] - 0.06 * size[1] * order,
        drag_sd=np.full(24, 2e-3),
        lift_sd=np.full(24, 3e-3),
    )
    drag, lift = check_session(drawn, surface).trend
    assert (drag.value, lift.value) == pytest.approx((0.04, -0.06), rel=1e-9)
    assert drag.launches == lift.launches == 24
    variance = 2e-3**2 + surface.drag.scatter**2, 3e-3**2 + surface.lift.scatter**2
    expected = np.sqrt(np.array(variance) / np.sum(order**2)) / size
    assert (drag.error, lift.error) == pytest.approx(tuple(expected), rel=1e-9)


def test_a_trend_is_weighed_about_its_weighted_middle(found, surface):
    """A step of all that is measured badly changes nothing to speak of."""
    mean = surface.coefficients(found.reynolds, found.spin_ratio)
    bad = np.arange(24) >= 16
    drawn = replace(
        found,
        drag=mean[0] + 0.05 * bad,
        drag_sd=np.where(bad, 1e3, 1e-3),
        lift=mean[1],
    )
    assert abs(check_session(drawn, surface).trend[0].value) < 1e-6


def take(found, count):
    """Return the first launches of a reduction."""
    kept = {
        name: values[:count]
        for name, values in found.__dict__.items()
        if isinstance(values, np.ndarray) and len(values) == 24
    }
    return replace(found, tracks=found.tracks.take(np.arange(count)), **kept)


def test_too_few_launches_say_nothing(found, surface):
    three, four = check_session(take(found, 3), surface), check_session(take(found, 4), surface)
    assert three.drift is three.tilt is three.trend[0] is three.trend[1] is UNKNOWN
    assert four.drift.launches == four.trend[0].launches == four.trend[1].launches == 4
    assert check_session(found, None).trend == (UNKNOWN, UNKNOWN)
    assert np.isnan(UNKNOWN.value)
    assert UNKNOWN.launches == 0


@pytest.mark.parametrize(("count", "known"), [(5, False), (6, True)])
def test_gravity_takes_six_launches_of_little_spin(found, count, known):
    """Others do not count: of more spin, near the critical Reynolds number, or without a lift."""
    s = np.where(np.arange(24) < count, 0.99 * LITTLE_SPIN, 1.01 * LITTLE_SPIN)
    s = s * np.linspace(0.5, 1.0, 24) if count > 5 else s
    drawn = replace(found, spin_ratio=np.where(np.arange(24) < count, s, 0.2))
    said = check_session(replace(drawn, reynolds=np.full(24, 1.01e5)), None).gravity
    assert (said is UNKNOWN) != known
    assert said.launches == (count if known else 0)
    slow = check_session(replace(drawn, reynolds=np.full(24, 0.99e5)), None)
    assert slow.gravity is UNKNOWN
    edge = np.where(np.arange(24) == 0, 1e5, 1e5 + 0.5)  # the first is not above it
    said = check_session(replace(drawn, reynolds=edge), None).gravity
    assert said is UNKNOWN
    at_once = replace(drawn, reynolds=np.full(24, 1e5 + 0.5))
    assert (check_session(at_once, None).gravity is UNKNOWN) != known
    blind = replace(drawn, reynolds=np.full(24, 1.01e5), lift=np.full(24, np.nan))
    assert check_session(blind, None).gravity is UNKNOWN


def test_little_spin_is_less_than_three_hundredths(found):
    s = np.where(np.arange(24) < 6, np.linspace(0.01, 0.0299, 24), 0.03)
    drawn = replace(found, spin_ratio=s, reynolds=np.full(24, 2e5))
    assert check_session(drawn, None).gravity.launches == 6


def test_analytic_gravity_is_what_lift_lacks_without_spin(found):
    """k V^2 CL = -g + k V^2 (a S + b S^3): put in, found again; a misfit widens the error."""
    s = np.linspace(0.002, 0.029, 24)
    rise = found.tracks.force_per_speed * found.speed**2
    lift = -0.05 / rise + 0.9 * s - 40.0 * s**3
    drawn = replace(
        found,
        spin_ratio=s,
        lift=lift,
        lift_sd=np.full(24, 1e-4),
        reynolds=np.full(24, 2e5),
    )
    said = check_session(drawn, None).gravity
    assert said.value == pytest.approx(0.05, rel=1e-6)
    assert said.launches == 24
    design = np.column_stack([-1.0 / rise, s, s**3]) / 1e-4
    error = np.sqrt(np.linalg.inv(design.T @ design)[0, 0])
    assert said.error == pytest.approx(error, rel=1e-6)
    wavy = replace(drawn, lift=lift + 1e-3 * np.resize([1.0, -1.0], 24))
    off = wavy.lift / 1e-4
    left = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
    factor = np.sqrt(left @ left / 21.0)
    assert factor > 5.0
    assert check_session(wavy, None).gravity.error == pytest.approx(factor * error, rel=1e-6)
