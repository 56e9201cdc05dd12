"""How flights answer to drag, lift and launch: closed forms, differences of whole flights, sums."""

from dataclasses import replace

import numpy as np
import pytest

from layers.errors import SolverError
from layers.flight.aerodynamics import Coefficients, ferguson_2022, smits_smith_1994
from layers.flight.air import Air, humid_air
from layers.flight.influence import FIGURES, LAUNCH, influence
from layers.flight.motion import GRAVITY, STEP
from layers.flight.regions import bumps, middles, shares
from layers.flight.trajectory import fly
from layers.flight.turf import bounce_and_roll
from layers.flight.uncertainty import LaunchErrors, difference_spread, flight_spread, sum_spread

DEG, RPM = np.pi / 180.0, np.pi / 30.0
BALL = {"mass": 0.0459, "diameter": 0.0427}
DRIVE = (76.4, 10.4 * DEG, 2545.0 * RPM)
IRON = (53.6, 16.3 * DEG, 7097.0 * RPM)
VACUUM = Air(0.0, 1.8e-5)


def whole(launch, law, tilt=0.0, wind=(0.0, 0.0, 0.0)):
    flight = fly(*launch, **BALL, law=law, spin_axis_tilt=tilt, wind=wind)
    total = bounce_and_roll(flight, BALL["diameter"]).total
    parts = (flight.carry, total, flight.apex, flight.descent_angle, flight.time, flight.lateral)
    return np.array([part[0] for part in parts])


def moved(law, which, change):
    """Return a law with a coefficient changed by a function of Re and S."""

    def changed(reynolds, spin_ratio):
        c = law(reynolds, spin_ratio)
        return replace(c, **{which: getattr(c, which) + change(reynolds, spin_ratio)})

    return changed


# --- analytic ---------------------------------------------------------------------------------


def test_analytic_derivatives_of_the_parabola():
    speed, angle, _ = DRIVE
    got = influence(*DRIVE, **BALL, air=VACUUM, spin_decay=0.0)
    carry, apex = got.of("carry"), got.of("apex")
    double = 2.0 * angle
    assert got.values[carry] == pytest.approx(speed**2 * np.sin(double) / GRAVITY, rel=1e-9)
    by_speed, by_angle = got.launch[carry, :2]
    assert by_speed == pytest.approx(2.0 * speed * np.sin(double) / GRAVITY, rel=1e-6)
    assert by_angle == pytest.approx(2.0 * speed**2 * np.cos(double) / GRAVITY, rel=1e-6)
    assert got.launch[apex, 0] == pytest.approx(speed * np.sin(angle) ** 2 / GRAVITY, rel=1e-6)
    assert got.launch[got.of("descent_angle"), 1] == pytest.approx(1.0, rel=1e-6)
    assert np.abs(got.drag).max() == 0.0


def test_limits_thin_air_costs_what_the_parabola_says():
    # To first order in density the parabola loses carry by its own known drag integral.
    thin = Air(1e-4, 1.8e-5)

    def law(reynolds, spin_ratio):
        ones = np.ones_like(reynolds)
        return Coefficients(0.25 * ones, 0.0 * ones, ones > 0.0)

    got = influence(*DRIVE, **BALL, law=law, air=thin, spin_decay=0.0)
    with_drag = fly(*DRIVE, **BALL, law=law, air=thin, spin_decay=0.0).carry[0]
    without = DRIVE[0] ** 2 * np.sin(2.0 * DRIVE[1]) / GRAVITY
    assert with_drag - without == pytest.approx(0.25 * got.drag[0].sum(), rel=1e-4)


def test_analytic_conditions_along_the_parabola():
    """Air that neither drags nor lifts: Re, S, way and time of each step by v = v0 - g t."""
    air, speed, angle, spin = Air(1.2, 1.8e-5), *DRIVE

    def law(reynolds, spin_ratio):
        ones = np.ones_like(reynolds)
        return Coefficients(0.0 * ones, 0.0 * ones, ones > 0.0)

    got = influence(*DRIVE, **BALL, law=law, air=air, spin_decay=0.0)
    time = 2.0 * speed * np.sin(angle) / GRAVITY
    assert got.duration.sum() == pytest.approx(time, rel=1e-9)
    assert (got.duration[:-1] == STEP).all()
    middle = np.cumsum(got.duration) - 0.5 * got.duration
    now = np.hypot(speed * np.cos(angle), speed * np.sin(angle) - GRAVITY * middle)
    np.testing.assert_allclose(got.reynolds, 1.2 * 0.0427 * now / 1.8e-5, rtol=1e-9)
    np.testing.assert_allclose(got.spin_ratio, 0.5 * 0.0427 * spin / now, rtol=1e-9)
    np.testing.assert_allclose(got.distance, now * got.duration, rtol=1e-9)
    np.testing.assert_array_equal(got.drag_coefficient, np.zeros(len(now)))


# --- against differences of whole flights ------------------------------------------------------


@pytest.mark.parametrize("law", [ferguson_2022, smits_smith_1994])
@pytest.mark.parametrize("launch", [DRIVE, IRON])
def test_steps_add_up_to_a_change_of_the_whole_law(law, launch):
    settings = {"tilt": 0.05, "wind": (-3.0, 0.0, 4.0)}
    got = influence(*launch, **BALL, law=law, spin_axis_tilt=0.05, wind=(-3.0, 0.0, 4.0))
    np.testing.assert_allclose(got.values, whole(launch, law, **settings), rtol=1e-12)
    for which in ("drag", "lift"):
        up, down = (
            whole(launch, moved(law, which, lambda re, _, by=by: by + 0.0 * re), **settings)
            for by in (1e-4, -1e-4)
        )
        size = np.abs(getattr(got, which)).sum(axis=1)
        error = np.abs(getattr(got, which).sum(axis=1) - (up - down) / 2e-4)
        assert (error < 2e-5 * size).all()


def test_launch_derivatives_are_those_of_whole_flights():
    got = influence(*DRIVE, **BALL, spin_axis_tilt=0.02)
    for place, step in enumerate((1e-3, 1e-5, 1e-2, 1e-4)):
        ends = []
        for sign in (1.0, -1.0):
            launch = np.array([*DRIVE, 0.02])
            launch[place] += sign * step
            ends.append(whole(tuple(launch[:3]), ferguson_2022, launch[3]))
        np.testing.assert_allclose(
            got.launch[:, place], (ends[0] - ends[1]) / (2.0 * step), rtol=2e-5, atol=1e-7
        )
    assert len(LAUNCH) == got.launch.shape[1]


def test_guard_a_drag_left_out_is_seen():
    # What the sum check above holds to 2e-5 moves by more than 1 % when one late step is dropped.
    got = influence(*DRIVE, **BALL)
    assert abs(got.drag[0, 5]) > 0.01 * np.abs(got.drag[0].sum())


def test_a_flight_is_still_and_straight_where_nothing_is_said():
    """No wind, no tilt, the usual air and law, as `fly` has them."""
    given = {"wind": (0.0, 0.0, 0.0), "spin_axis_tilt": 0.0, "air": humid_air()}
    told, untold = influence(*IRON, **BALL, **given), influence(*IRON, **BALL)
    np.testing.assert_array_equal(untold.values, told.values)
    np.testing.assert_array_equal(untold.launch, told.launch)


# --- regions ----------------------------------------------------------------------------------


def test_regions_cover_the_plane_and_shares_add_up():
    rng = np.random.default_rng(1)
    belongs = bumps(rng.uniform(2e4, 3e5, 500), rng.uniform(0.0, 1.5, 500))
    np.testing.assert_allclose(belongs.sum(axis=1), 1.0, rtol=1e-14)
    at_middles = bumps(*middles().T)
    np.testing.assert_allclose(at_middles, np.eye(len(at_middles)), atol=1e-12)
    got = influence(*IRON, **BALL)
    parts = shares(got)
    assert parts.time.sum() == pytest.approx(got.values[got.of("time")], rel=1e-12)
    np.testing.assert_allclose(parts.drag.sum(axis=1), got.drag.sum(axis=1), rtol=1e-9)
    np.testing.assert_allclose(parts.lift.sum(axis=1), got.lift.sum(axis=1), rtol=1e-9)


def test_regions_reach_from_a_wedge_s_top_to_a_fast_drive():
    """Their middles, pinned: no source tells them; what a pattern's map shows depends on them."""
    re, s = middles().reshape(8, 7, 2)[:, 0, 0], middles().reshape(8, 7, 2)[0, :, 1]
    np.testing.assert_array_equal(re, np.array([40, 60, 80, 100, 125, 150, 175, 200]) * 1000.0)
    np.testing.assert_array_equal(100.0 * s, [5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0])


def test_a_region_s_share_is_what_a_bump_over_it_does():
    parts = shares(influence(*DRIVE, **BALL))
    busiest = np.argsort(-np.abs(parts.drag[0]))[:4]
    for region in busiest:
        up, down = (
            whole(
                DRIVE,
                moved(
                    ferguson_2022, "drag", lambda re, s, by=by, r=region: by * bumps(re, s)[:, r]
                ),
            )
            for by in (1e-3, -1e-3)
        )
        assert parts.drag[0, region] == pytest.approx((up - down)[0] / 2e-3, rel=0.02)


# --- errors -----------------------------------------------------------------------------------


CENTRES = [(r, s) for r in (0.8e5, 1.5e5) for s in (0.08, 0.16, 0.3)]


class Known:
    """A surface with a Matern-like covariance that can also be drawn: a few smooth modes."""

    common_error = 0.004

    def _modes(self, reynolds, spin_ratio):
        return np.array(
            [
                np.exp(-0.5 * (((reynolds - r) / 4e4) ** 2 + ((spin_ratio - s) / 0.08) ** 2))
                for r, s in CENTRES
            ]
        )

    def __call__(self, reynolds, spin_ratio):
        return ferguson_2022(reynolds, spin_ratio)

    def covariance(self, re_a, s_a, re_b, s_b):
        both = self._modes(re_a, s_a).T @ self._modes(re_b, s_b)
        return 0.004**2 * both, 0.006**2 * both

    def draws(self, n, seed):
        rng = np.random.default_rng(seed)
        count = len(CENTRES)
        found = []
        for _ in range(n):
            drag, lift = 0.004 * rng.standard_normal(count), 0.006 * rng.standard_normal(count)
            day = 1.0 + self.common_error * rng.standard_normal()

            def law(re, s, drag=drag, lift=lift, day=day):
                c, modes = ferguson_2022(re, s), self._modes(re, s)
                return Coefficients(
                    day * (c.drag + drag @ modes), day * (c.lift + lift @ modes), c.inside
                )

            found.append(law)
        return found


def test_first_order_errors_add_up_mode_by_mode():
    # The surface's errors are 12 independent modes: fly each, one deviation up and down.
    surface = Known()
    squares = np.zeros(len(FIGURES))
    for which, size in (("drag", 0.004), ("lift", 0.006)):
        for mode in range(len(CENTRES)):
            up, down = (
                whole(
                    DRIVE,
                    moved(surface, which, lambda r, s, b=by, m=mode: b * surface._modes(r, s)[m]),
                )
                for by in (0.1 * size, -0.1 * size)
            )
            squares += ((up - down) / 0.2) ** 2
    spread = flight_spread(influence(*DRIVE, **BALL, law=surface), surface)
    still = [FIGURES.index(name) for name in ("carry", "apex", "descent_angle", "time")]
    np.testing.assert_allclose(spread.surface[still], np.sqrt(squares)[still], rtol=5e-3)


@pytest.mark.slow
def test_first_order_errors_are_those_of_draws():
    surface, launch = Known(), LaunchErrors(0.3, 0.2 * DEG, 60.0 * RPM)
    spread = flight_spread(influence(*DRIVE, **BALL, law=surface), surface, launch)
    rng = np.random.default_rng(5)
    drawn = np.array(
        [
            whole(np.array(DRIVE) + launch.array()[:3] * rng.standard_normal(3), law)
            for law in surface.draws(200, 4)
        ]
    )
    # 200 draws know a standard deviation to 5 %; total has a kink where bounces begin to slide.
    for figure in ("carry", "apex", "descent_angle", "time"):
        place = FIGURES.index(figure)
        assert spread.deviation[place] == pytest.approx(drawn[:, place].std(), rel=0.15)
        assert abs(drawn[:, place].mean() - spread.values[place]) < 0.5 * spread.deviation[place]


def test_two_flights_through_one_surface_share_its_errors():
    surface = Known()
    one = influence(*DRIVE, **BALL, law=surface)
    near = influence(76.0, *DRIVE[1:], **BALL, law=surface)
    alone = flight_spread(one, surface)
    same = difference_spread(one, near, (surface, surface))
    other_table = difference_spread(one, near, (surface, Known()))
    other_day = difference_spread(one, near, (surface, Known()), one_day=False)
    carry = FIGURES.index("carry")
    assert same.values[carry] == pytest.approx(one.values[carry] - near.values[carry])
    assert same.deviation[carry] < 0.05 * alone.deviation[carry]
    assert other_table.surface[carry] == pytest.approx(
        np.sqrt(2.0) * alone.surface[carry], rel=0.02
    )
    assert other_table.day[carry] < 0.05 * alone.day[carry]
    assert other_day.day[carry] == pytest.approx(np.sqrt(2.0) * alone.day[carry], rel=0.02)
    itself = difference_spread(one, one, (surface, surface))
    assert itself.deviation.max() < 1e-7 * alone.deviation.max()


def test_a_range_of_carries_has_the_errors_of_its_longest_less_its_shortest_flight():
    surface, carry = Known(), FIGURES.index("carry")
    squares, still = 0.0, whole(DRIVE, surface)[carry] - whole(IRON, surface)[carry]
    for which, size in (("drag", 0.004), ("lift", 0.006)):
        for mode in range(len(CENTRES)):
            law = moved(surface, which, lambda r, s, b=size, m=mode: b * surface._modes(r, s)[m])
            here, there = (whole(shot, law)[carry] for shot in (DRIVE, IRON))
            squares += (here - there - still) ** 2
    long, short = (influence(*shot, **BALL, law=surface) for shot in (DRIVE, IRON))
    span = sum_spread([(1.0, long, surface), (-1.0, short, surface)])
    assert span.surface[carry] == pytest.approx(np.sqrt(squares), rel=0.02)
    # Another pattern's range through its own table: errors of the rows add, the day's cancels.
    other = Known()
    both = sum_spread(
        [(1.0, long, surface), (-1.0, short, surface), (-1.0, long, other), (1.0, short, other)]
    )
    assert both.surface[carry] == pytest.approx(np.sqrt(2.0) * span.surface[carry], rel=1e-9)
    assert both.day[carry] == pytest.approx(0.0, abs=1e-9)
    assert both.values[carry] == 0.0


def test_a_day_s_common_error_scales_both_coefficients():
    surface = Known()
    got = influence(*DRIVE, **BALL, law=surface)
    expected = ferguson_2022(got.reynolds, got.spin_ratio)
    np.testing.assert_allclose(got.drag_coefficient, expected.drag)
    np.testing.assert_allclose(got.lift_coefficient, expected.lift)

    def scaled(by):
        def law(reynolds, spin_ratio):
            c = ferguson_2022(reynolds, spin_ratio)
            return replace(c, drag=by * c.drag, lift=by * c.lift)

        return whole(DRIVE, law)

    change = (scaled(1.001) - scaled(0.999)) / 0.002
    day = flight_spread(got, surface).day
    # A flight's coefficients change over a step, so that the steps' middles miss a little.
    np.testing.assert_allclose(day[[0, 2, 3, 4]], 0.004 * np.abs(change)[[0, 2, 3, 4]], rtol=5e-3)


def test_analytic_errors_of_independent_causes_add_as_squares():
    surface = Known()
    one = influence(*DRIVE, **BALL, law=surface, spin_axis_tilt=0.02)
    two = influence(*IRON, **BALL, law=surface)
    launch = LaunchErrors(0.3, 0.2 * DEG, 60.0 * RPM, 1.0 * DEG)
    of_one, of_two = (
        np.sqrt(np.sum((f.launch * [0.3, 0.2 * DEG, 60.0 * RPM, 1.0 * DEG]) ** 2, axis=1))
        for f in (one, two)
    )
    spread = flight_spread(one, surface, launch)
    np.testing.assert_allclose(spread.launch, of_one)
    parts = spread.surface**2 + spread.day**2 + spread.launch**2
    np.testing.assert_allclose(spread.deviation, np.sqrt(parts))
    np.testing.assert_allclose(spread.half_width, 1.96 * spread.deviation)
    both = difference_spread(one, two, (surface, Known()), (launch, launch))
    np.testing.assert_allclose(both.launch, np.hypot(of_one, of_two))
    np.testing.assert_allclose(both.values, one.values - two.values)
    alone = difference_spread(one, two, (None, surface), (None, launch))
    np.testing.assert_allclose(alone.launch, of_two)
    other = flight_spread(two, surface)
    np.testing.assert_allclose(alone.surface, other.surface)
    np.testing.assert_allclose(alone.day, other.day)
    neither = difference_spread(one, two, (None, None))
    assert not neither.deviation.any()


def test_analytic_a_surface_s_covariance_is_carried_over_both_flights():
    """Variance of the difference is that of the first less the second, with what both share."""
    surface = Known()
    one, two = (influence(*launch, **BALL, law=surface) for launch in (DRIVE, IRON))
    variance = np.zeros(len(FIGURES))
    for which, size in (("drag", 0.004), ("lift", 0.006)):
        parts = [getattr(f, which) @ surface._modes(f.reynolds, f.spin_ratio).T for f in (one, two)]
        variance += size**2 * np.sum((parts[0] - parts[1]) ** 2, axis=1)
    spread = difference_spread(one, two, (surface, surface))
    np.testing.assert_allclose(spread.surface, np.sqrt(variance), rtol=1e-6, atol=1e-12)


def test_shares_of_time_and_way_are_those_of_the_steps():
    got = influence(*IRON, **BALL)
    parts, belongs = shares(got), bumps(got.reynolds, got.spin_ratio)
    np.testing.assert_allclose(parts.distance, got.distance @ belongs)
    np.testing.assert_allclose(parts.time, got.duration @ belongs)
    assert parts.distance.sum() > got.values[got.of("carry")]


def test_a_launch_is_exact_where_nothing_is_said():
    assert not LaunchErrors().array().any()


def test_exact_coefficients_leave_the_launch_alone():
    flown = influence(*DRIVE, **BALL)
    spread = flight_spread(flown, None, LaunchErrors(ball_speed=0.5))
    np.testing.assert_allclose(spread.deviation, 0.5 * np.abs(flown.launch[:, 0]))
    assert not flight_spread(flown, None).deviation.any()


def test_a_ball_that_never_lands_is_refused():
    with pytest.raises(SolverError, match="still up"):
        influence(*DRIVE, **BALL, wind=(0.0, 60.0, 0.0))
