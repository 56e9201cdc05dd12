"""Which readings are left out of a fit, which launches out of a session, and what is said of it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from layers.errors import InputError
from layers.flight.aerodynamics import ferguson_2022
from layers.range.fit import DRAG, LIFT, fit_tracks
from layers.range.reduction import _gross, _scatter, _unbelievable, reduce_tracks
from layers.range.tracks import Setup
from tests.helpers.range_data import session
from tests.layers.range.test_reduction import steady


def exact(count, readings=12, seed=3):
    stations = np.linspace(0.0, 20.0, readings)
    return session(steady, count, seed, stations, position_sd=0.0, time_sd=0.0, spin_sd=0.0)[0]


def slipped(tracks, *slips):
    """Return tracks with readings moved: launch, reading, axis, m."""
    position = tracks.position.copy()
    for launch, reading, axis, by in slips:
        position[launch, reading, axis] += by
    return replace(tracks, position=position)


@pytest.mark.parametrize(("share", "named"), [(0.99, 0), (1.01, 1)])
def test_analytic_a_slip_is_named_at_a_false_alarm_of_2_percent_a_session(share, named):
    """Twelve readings on three axes: 36 chances of either sign. The slip is studentised: what is
    left of it is one less its leverage, in standard deviations of what is left.
    """
    tracks, setup = exact(1), Setup(time_sd=0.0)
    fit = fit_tracks(tracks, setup, np.ones((1, 12, 3), dtype=bool))
    limit = norm.isf(0.02 / 36.0 / 2.0)
    by = share * limit * setup.position_sd / np.sqrt(1.0 - fit.leverage[0, 5, 2])
    found = reduce_tracks(slipped(tracks, (0, 5, 2, by)), setup)
    assert len(found.outliers) == named
    if named:
        outlier = found.outliers[0]
        assert (outlier.launch, outlier.line, outlier.column) == ("L001", 7, "z_m")
        assert outlier.deviation == pytest.approx(by, rel=1e-3)
        assert outlier.sigmas == pytest.approx(share * limit, rel=1e-3)


def test_a_slip_is_measured_by_the_scatter_there_is():
    """Readings three times as rough as stated: by the median of their deviations over 0.6745."""
    tracks, _ = session(steady, 30, 9, position_sd=1.5e-3, time_sd=0.0)
    found = reduce_tracks(slipped(tracks, (4, 6, 0, 0.03)), Setup(time_sd=0.0))
    worst = max(found.outliers, key=lambda outlier: outlier.sigmas)
    assert (worst.launch, worst.column) == ("L005", "x_m")
    assert worst.sigmas == pytest.approx(0.03 / 1.5e-3, rel=0.25)


@pytest.mark.parametrize(("by", "named"), [(0.36, 0), (0.5, 1)])
def test_scatter_is_not_taken_below_a_tenth_of_what_is_stated(by, named):
    """Readings to a micrometre: a slip counts ten times at most; the limit is 4.2 of it."""
    tracks, _ = session(steady, 6, 3, position_sd=1e-6, time_sd=0.0)
    setup = Setup(time_sd=0.0)
    found = reduce_tracks(slipped(tracks, (2, 5, 2, by * setup.position_sd)), setup)
    assert len(found.outliers) == named


@pytest.mark.parametrize(("readings", "named"), [(4, 0), (5, 1)])
def test_an_axis_keeps_four_readings(readings, named):
    """A slip along the range, where four parameters are fitted to no more readings."""
    tracks = slipped(exact(2, readings), (1, 2, 0, 0.2))
    found = reduce_tracks(tracks)
    assert len(found.outliers) == named
    assert found.used[1, :, 0].sum() == 4


def test_one_slip_a_launch_and_round_is_left_out_in_six_rounds():
    """Seven slips, each half the one before: the least stays."""
    slips = [(0, 3 + 3 * i, 1, 0.4 * 0.5**i) for i in range(7)]
    found = reduce_tracks(slipped(exact(1, 30), *slips))
    assert [o.line for o in found.outliers] == [2 + reading for _, reading, _, _ in slips[:6]]


@pytest.mark.parametrize(("axis", "sign"), [(0, 1.0), (1, -1.0)])
@pytest.mark.parametrize(("share", "gross"), [(0.98, False), (1.02, True)])
def test_analytic_a_gross_slip_is_off_by_half_a_metre_and_what_a_path_bends(
    axis, sign, share, gross
):
    """0.5 m + 6 m/s2 t^2 off the line of median slope, t the track's time."""
    times = np.linspace(0.0, 0.4, 9)
    line = times[:, None] * np.array([50.0, 2.0, 0.0])
    line[4, axis] += sign * share * (0.5 + 6.0 * 0.4**2)
    tracks = replace(
        exact(1, 9), time=3.0 + times[None], position=line[None], line=np.arange(9)[None]
    )
    found = _gross(tracks)
    assert found[0, 4, axis] == gross
    assert found.sum() == gross


def test_too_few_readings_show_no_gross_slip():
    for readings, seen in ((4, False), (5, True)):
        times = np.linspace(0.0, 0.4, readings)
        line = times[:, None] * np.array([50.0, 0.0, 0.0])
        line[1, 1] += 30.0
        tracks = replace(exact(1, readings), time=times[None], position=line[None])
        assert _gross(tracks)[0, 1, 1] == seen


@pytest.mark.parametrize(("spare", "told"), [(29.9, False), (30.0, True)])
def test_analytic_scatter_takes_thirty_spare_readings(spare, told):
    """Root of the squares of residuals over stated deviations, by what their leverage leaves."""
    residual = np.full((4, 15, 3), 2e-3)
    residual[0, 0] = np.nan
    used = np.isfinite(residual)
    leverage = np.full(residual.shape, 1.0 - spare / 59.0)
    free = np.ones((4, 11), dtype=bool)
    free[:, 1] = False
    fit = SimpleNamespace(
        residual=residual, sd=np.full(residual.shape, 1e-3), leverage=leverage, free=free
    )
    found = _scatter(fit, used)
    assert np.isnan(found[1])
    expected = np.sqrt(59.0 * 4.0 / spare) if told else np.nan
    np.testing.assert_allclose(found[[0, 2]], expected, rtol=1e-12)


QUANTITIES = ("reynolds", "spin_ratio", "drag", "lift")
RANGES = {
    "reynolds": (1e4, 1e6),
    "spin_ratio": (0.0, 3.0),
    "drag": (0.05, 1.5),
    "lift": (-0.5, 1.5),
}


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_numbers_that_no_table_takes_are_refused_beyond_their_ends(quantity):
    """Three launches: at the ends, below, above; the first fault of a launch is told."""
    low, high = RANGES[quantity]
    plain = {"reynolds": 1.5e5, "spin_ratio": 0.1, "drag": 0.25, "lift": 0.15}
    values = {name: np.full(5, value) for name, value in plain.items()}
    values[quantity] = np.array([low, high, low - 0.01, high + 0.01, low - 0.01])
    values["lift"][4] = 9.0
    found = SimpleNamespace(
        **values,
        tracks=SimpleNamespace(launch=("A", "B", "C", "D", "E")),
        fit=SimpleNamespace(converged=np.ones(5, dtype=bool)),
    )
    said = _unbelievable(found)
    assert sorted(said) == ["C", "D", "E"]
    column = {"drag": "drag_coefficient", "lift": "lift_coefficient"}.get(quantity, quantity)
    words = f"must be from {low:g} to {high:g}; check positions, times, spin, mass and diameter"
    for name, value in (("C", low - 0.01), ("D", high + 0.01)):
        assert (
            said[name] == f"launch {name}: its readings make {column} {value:.3g}, but it {words}"
        )
    assert column in said["E"]


def test_a_launch_without_a_fit_does_not_hide_the_next():
    found = SimpleNamespace(
        reynolds=np.array([1e5, 1e5, 1e3]),
        spin_ratio=np.full(3, 0.1),
        drag=np.full(3, 0.25),
        lift=np.full(3, np.nan),
        tracks=SimpleNamespace(launch=("A", "B", "C")),
        fit=SimpleNamespace(converged=np.array([True, False, True])),
    )
    said = _unbelievable(found)
    assert said["B"] == "launch B: no trajectory fits its readings"
    assert list(said) == ["B", "C"]


def test_a_launch_is_refused_for_gross_slips_along_the_range_alone():
    """Two of five readings are far off: along x too few are left; heights do not count."""
    tracks = exact(3, 5)
    position = tracks.position.copy()
    position[0, 2, 0] += 30.0
    position[0, 3, 0] += 60.0
    position[1, 1:3, 1] += 30.0
    found = reduce_tracks(replace(tracks, position=position))
    assert list(found.refused) == ["L001"]
    assert "along x, but drag takes at least 4" in found.refused["L001"]


def test_three_launches_are_told_where_none_can_be_reduced():
    tracks = exact(4)
    position = tracks.position.copy()
    position[:, 3:] = np.nan
    position[1, 1:] = np.nan
    with pytest.raises(InputError) as found:
        reduce_tracks(replace(tracks, position=position), what="mine.csv")
    few = "along x, but drag takes at least 4"
    assert str(found.value) == (
        f"mine.csv: launch L001 has 3 usable readings {few}; launch L002 has 1 usable reading "
        f"{few}; launch L003 has 3 usable readings {few}; no launch could be reduced."
    )


def test_tracks_without_heights_have_a_published_lift():
    """That of their spin and speed; where no spin is known, of none."""
    tracks, _ = session(steady, 3, 2, screens=True, spins=(2000.0, 6000.0), position_sd=0.0)
    spin = tracks.spin.copy()
    spin[1] = np.nan
    found = reduce_tracks(replace(tracks, spin=spin))
    ratio = np.nan_to_num(found.spin_ratio)
    law = ferguson_2022(found.reynolds, ratio)
    np.testing.assert_allclose(found.fit.parameters[:, LIFT], law.lift, rtol=1e-3)
    radius = 0.5 * tracks.diameter
    np.testing.assert_allclose(
        found.spin_ratio[[0, 2]], (found.spins.spin * radius / found.speed)[[0, 2]]
    )
    # Its error: an unmeasured climb of one degree adds the sine of the lift to the drag.
    own = found.fit.sd_of(DRAG)
    np.testing.assert_allclose(found.drag_sd, np.hypot(own, np.deg2rad(1.0) * law.lift), rtol=1e-3)


def test_the_setup_s_errors_where_nothing_is_said():
    """0.5 mm, 2 us, 20 rpm, 2 and 1 degrees (docs/range.md, `orbwright range reduce --help`)."""
    setup = Setup()
    found = (setup.position_sd, setup.time_sd, setup.spin_sd, setup.mark_sd, setup.climb_sd)
    expected = (0.5e-3, 2e-6, 20.0 * 2.0 * np.pi / 60.0, np.radians(2.0), np.radians(1.0))
    assert found == pytest.approx(expected, rel=1e-12)
    assert setup.gravity == 9.80665
    assert setup.drift == (0.0, 0.0, 0.0)
