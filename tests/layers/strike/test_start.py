"""An impact about to begin, and what is read off one that is over: no march in between."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.errors import InputError, SolverError
from layers.mass.inertia import mass, moment_of_inertia
from layers.strike import balance, contact
from layers.strike import march as rows
from layers.strike import strike as module
from layers.strike.launch import Strike
from layers.strike.settings import Settings
from layers.strike.start import (
    Run,
    check_sound,
    face_and_club,
    start_of_strike,
    start_of_throw,
)
from layers.strike.stored import stored
from tests.helpers.builds import random_bodies

TINY = Settings(
    normal=2, lateral=2, upward=2, core_rings=1, cover_rings=1, thinnest_step=2e-6,
    precision="double",
)  # fmt: skip
PLAIN = Strike(0.2, 45.0, math.radians(13.0), math.radians(1.0))
SPRUNG = replace(PLAIN, face_stiffness=8e6)


@pytest.fixture(scope="module")
def body():
    drawn = random_bodies(1, 7)[0]
    strength = np.column_stack([drawn.relaxation_strength[:, :1], [0.1, 0.2]])
    time = np.column_stack([drawn.relaxation_time[:, :1], [1e-3, 2e-3]])
    return replace(
        drawn, relaxation_strength=strength, relaxation_time=time, friction=0.35,
        friction_wet=0.2, friction_half_speed=25.0,
    )  # fmt: skip


@pytest.fixture
def run(body):
    return start_of_strike(body, PLAIN, TINY)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("club_mass", 0.02, 2.0),
        ("club_speed", 1.0, 80.0),
        ("dynamic_loft", -0.2, 1.4),
        ("attack_angle", -0.7, 0.7),
        ("friction", 0.0, 3.0),
        ("face_stiffness", 1e5, 1e10),
        ("inertia", 1e-6, 1.0),
        ("depth", 0.0, 0.1),
        ("impact_height", -0.04, 0.04),
        ("roll_radius", 0.05, 10.0),
    ],
)
def test_each_number_of_a_strike_has_its_ends(body, name, low, high):
    for value in (low, high):
        face_and_club(body, replace(PLAIN, **{name: value}))
    for value in (low - 0.01 * high, 1.01 * high):
        said = f"{name} is {value:g}, but must be from {low:g} to {high:g}."
        with pytest.raises(InputError) as told:
            face_and_club(body, replace(PLAIN, **{name: value}))
        assert str(told.value) == said


def test_the_face_is_at_most_half_of_the_head(body):
    for face_mass in (0.001, 0.1):
        face_and_club(body, replace(SPRUNG, face_mass=face_mass))
    for face_mass in (0.00099, 0.1001):
        bad = replace(SPRUNG, face_mass=face_mass)
        with pytest.raises(
            InputError, match=f"face_mass is {face_mass:g} kg, but must be from 0.0"
        ):
            face_and_club(body, bad)
        face_and_club(body, replace(bad, face_stiffness=None))  # a rigid face has none


def test_a_strike_told_no_more_is_by_a_rigid_flat_dry_head_that_cannot_turn(body):
    face, club = face_and_club(body, PLAIN)
    rigid = [contact.FACE_INVERSE_MASS, contact.SPRING, contact.HEAD_INVERSE_INERTIA]
    assert not face[[*rigid, contact.DEPTH, contact.CURVATURE]].any()
    assert face[contact.HEAD_INVERSE_MASS] == pytest.approx(2.0 / 0.2)  # of half the head
    radius = body.outer_radius[-1]
    assert club[[contact.FACE_X, contact.FACE_Z]].tolist() == [-radius, 0.0]
    assert club[[contact.HEAD_X, contact.HEAD_Z]].tolist() == [-radius, 0.0]
    assert club[[contact.TURN, contact.TURN_RATE]].tolist() == [0.0, 0.0]
    # Along the face's normal and down the face, by the angle between them.
    way = 45.0 * np.array([math.cos(math.radians(12.0)), -math.sin(math.radians(12.0))])
    np.testing.assert_allclose(club[[contact.FACE_VX, contact.FACE_VZ]], way)
    np.testing.assert_allclose(club[[contact.HEAD_VX, contact.HEAD_VZ]], way)
    assert face_and_club(body, SPRUNG)[0][contact.FACE_INVERSE_MASS] == pytest.approx(2.0 / 0.03)


def test_friction_is_the_club_s_or_the_cover_s_dry_or_wet_and_fading(body):
    frictions = [contact.FRICTION, contact.FADE]
    own = face_and_club(body, PLAIN)[0][frictions]
    wet = face_and_club(body, replace(PLAIN, surface="wet"))[0][frictions]
    given = face_and_club(body, replace(PLAIN, friction=0.0))[0][frictions]
    assert own.tolist() == pytest.approx([0.35, 1.0 / 25.0])
    assert wet.tolist() == pytest.approx([0.2, 1.0 / 25.0])
    assert given.tolist() == [0.0, 0.0]


def test_a_ball_at_rest_and_one_that_is_thrown(body, run):
    assert not run.nodes.any()
    assert not run.speeds.any()
    assert run.fastest == pytest.approx(45.0)
    assert run.damping == TINY.bulk_viscosity
    model = run.model
    law = run.face[
        [contact.STIFFNESS, contact.DAMPING, contact.SHEAR_STIFFNESS, contact.SHEAR_DAMPING]
    ]
    np.testing.assert_array_equal(law, model.law)
    points = model.surface.faces.shape[1] * TINY.points**2
    assert run.stretch.shape == (2, points)
    assert not run.stretch.any()
    width = model.constant.shape[2]
    whole = np.zeros((len(model.hexes), 13, width))
    whole[:, [0, 1, 2, 3, 7, 8, 9]] = 1.0  # volume ratio, and two tensors at rest
    np.testing.assert_array_equal(run.state, whole)
    thrown = start_of_throw(body, 40.0, 0.3, 0.25, TINY)
    np.testing.assert_allclose(thrown.velocity[0], -40.0 * math.cos(0.3))
    np.testing.assert_allclose(thrown.velocity[2], 40.0 * math.sin(0.3))
    assert not thrown.velocity[1].any()
    assert thrown.fastest == pytest.approx(40.0)
    assert thrown.face[contact.FRICTION] == 0.25
    assert not thrown.face[contact.FACE_INVERSE_MASS :].any()  # a plate that cannot move
    assert thrown.club[contact.FACE_X] == -body.outer_radius[-1]
    assert not thrown.club[[contact.FACE_VX, contact.FACE_VZ, contact.HEAD_VX]].any()


def test_throws_have_their_ends(body):
    start_of_throw(body, 150.0, 0.0, 0.3, TINY)
    start_of_throw(body, 1e-3, 1.499, 0.3, TINY)
    for speed in (0.0, 150.1, math.nan):
        with pytest.raises(InputError, match=f"^speed is {speed:g} m/s, but must be above 0 and"):
            start_of_throw(body, speed, 0.1, 0.3, TINY)
    for angle in (-1e-9, 1.5):
        with pytest.raises(InputError, match=f"^angle is {angle:g} rad, but must be from 0 to bel"):
            start_of_throw(body, 40.0, angle, 0.3, TINY)


@pytest.mark.parametrize("precision", ["single", "double"])
def test_the_march_is_given_its_far_and_central_node_and_the_stable_step(
    body, monkeypatch, precision
):
    """2 (sqrt(1 + d^2) - d) over the frequency of central differences with lagging damping."""
    marched = []
    for name in ("single", "double"):
        monkeypatch.setattr(
            rows, f"march_{name}", lambda *given, name=name: marched.append((name, given))
        )
    run = start_of_strike(body, PLAIN, replace(TINY, precision=precision, bulk_viscosity=0.75))
    run.advance(1.0, 2.0, "history", "result")
    [(name, given)] = marched
    assert name == precision
    far, centre, *_, longest, pause, stable, history, result = given[13:]
    points = run.model.points
    np.testing.assert_allclose(points[:, far], [body.outer_radius[-1], 0.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(points[:, centre], 0.0, atol=1e-12)
    assert (longest, pause, history, result) == (1.0, 2.0, "history", "result")
    assert stable == pytest.approx(0.95 * 2.0 * 0.5)


def test_a_march_that_broke_down_is_told(body, run):
    result = np.zeros(rows.RESULT_ROWS)
    check_sound(body, run, result)
    result[rows.BROKEN] = 1.0
    with pytest.raises(SolverError, match=r"^the impact broke down: an element of .* at 45 m/s"):
        check_sound(body, run, result)
    result[rows.BROKEN] = 0.0
    run.speeds[3, 1] = math.nan
    with pytest.raises(SolverError, match=r"^the impact broke down: "):
        check_sound(body, run, result)


# What is read off: by an impact that is over as soon as it begins.


def ended(monkeypatch, spin, way):
    """Let every impact end at once with a ball that moves and spins like a rigid body."""
    asked = []

    def advance(run, longest, pause, history, result):
        asked.append((longest, pause))
        x, _, z = run.model.points
        run.velocity[0], run.velocity[2] = way[0] - spin * z, way[1] + spin * x
        result[[rows.ENDED, rows.RECORDED]] = 1.0, 2
        result[[rows.FIRST, rows.LAST, rows.DEFORMATION]] = 1e-5, 4.1e-4, 0.009
        history[:, :2] = np.arange(10.0).reshape(5, 2)
        run.club[[contact.HEAD_VX, contact.HEAD_VZ]] = 30.0, 4.0
        run.club[[contact.FACE_VX, contact.FACE_VZ]] = 36.0, 8.0
        run.club[contact.TURN_RATE] = -20.0

    monkeypatch.setattr(Run, "advance", advance)
    return asked


def felt(history):
    np.testing.assert_array_equal(history.time, [0.0, 1.0])
    np.testing.assert_array_equal(history.normal_force, [4.0, 6.0])  # of both halves
    np.testing.assert_array_equal(history.tangential_force, [8.0, 10.0])
    np.testing.assert_array_equal(history.slip_speed, [6.0, 7.0])
    np.testing.assert_array_equal(history.sticking_share, [8.0, 9.0])


@pytest.mark.parametrize("strike", [PLAIN, SPRUNG])
def test_analytic_the_launch_of_a_ball_that_moves_as_one(body, monkeypatch, strike):
    """Its velocity turned by the loft; the head's is that of both its masses."""
    asked = ended(monkeypatch, 250.0, (60.0, -3.0))
    out = module.strike_ball(body, strike, TINY)
    assert asked == [(4e-3, 40e-6)]
    assert out.ball_speed == pytest.approx(math.hypot(60.0, 3.0))
    assert out.launch_angle == pytest.approx(math.radians(13.0) - math.atan2(3.0, 60.0))
    assert out.spin == pytest.approx(250.0)
    assert (out.contact_time, out.peak_deformation) == (pytest.approx(4e-4), 0.009)
    share = 0.0 if strike.face_stiffness is None else 0.03 / 0.2
    assert out.club_speed_after == pytest.approx(math.hypot(30.0 + 6.0 * share, 4.0 + 4.0 * share))
    assert out.club_turn_rate == -20.0
    felt(out.history)
    weight, inertia = mass(body), moment_of_inertia(body)
    assert out.energy["ball, translation"] == pytest.approx(0.5 * weight * (60.0**2 + 3.0**2))
    assert out.energy["ball, spin"] == pytest.approx(0.5 * inertia * 250.0**2)
    assert out.energy["ball, vibration"] == pytest.approx(0.0, abs=1e-9 * weight * 60.0**2)
    assert out.energy["given"] == pytest.approx(0.5 * 0.2 * 45.0**2)
    parts = sum(energy for name, energy in out.energy.items() if name != "given")
    assert parts == pytest.approx(out.energy["given"])


def test_analytic_the_rebound_of_a_ball_that_moves_as_one(body, monkeypatch):
    ended(monkeypatch, 250.0, (18.0, 5.0))
    out = module.throw_ball(body, 40.0, math.pi / 3.0, 0.3, TINY)
    assert out.cor == pytest.approx(18.0 / 20.0)
    along = 40.0 * math.sin(math.pi / 3.0)
    point = 5.0 - 250.0 * body.outer_radius[-1]
    assert out.tangential_ratio == pytest.approx(point / along)
    assert (out.normal_speed, out.tangential_speed) == pytest.approx((18.0, 5.0))
    assert (out.spin, out.contact_time) == pytest.approx((250.0, 4e-4))
    felt(out.history)
    assert out.energy["given"] == pytest.approx(0.5 * mass(body) * 40.0**2)
    assert math.isnan(module.throw_ball(body, 40.0, 0.0, 0.3, TINY).tangential_ratio)


def test_levels_and_precisions_are_refused_by_name(body):
    with pytest.raises(InputError, match=r"^level is 'x', but must be one of: default, fine\.$"):
        module.club_impact(body, PLAIN, "x")
    said = r"^precision is 'half', but must be one of: single, double\.$"
    with pytest.raises(InputError, match=said):
        module.barrier_oblique(body, 40.0, 0.1, 0.3, "default", "half")


# The balances.


def heavy_club(spring):
    """Return half a head of 3 kg, a face of 2 kg in it, that both move and turn."""
    face, club = np.zeros(contact.FACE_ROWS), np.zeros(contact.CLUB_ROWS)
    face[contact.FACE_INVERSE_MASS], face[contact.HEAD_INVERSE_MASS] = 1.0, 2.0  # of a half: kg
    face[contact.HEAD_INVERSE_INERTIA], face[contact.SPRING] = 0.5, spring
    face[contact.DEPTH] = 0.02
    club[[contact.FACE_X, contact.FACE_Z]] = 0.30, 0.10
    club[[contact.HEAD_X, contact.HEAD_Z]] = 0.27, 0.06
    club[[contact.FACE_VX, contact.FACE_VZ]] = 5.0, 1.0
    club[[contact.HEAD_VX, contact.HEAD_VZ]] = 3.0, 2.0
    club[[contact.TURN, contact.TURN_RATE]] = math.atan2(4.0, 3.0), 7.0
    return face, club


def test_analytic_momentum_and_energy_of_a_club():
    """Sums of m v, x p_z - z p_x and I omega; of m v^2 / 2 of both halves, and of the spring."""
    face, club = heavy_club(1e4)
    momentum = balance._club_momentum(club, face)
    turned = (0.30 * 1.0 - 0.10 * 5.0) + 0.5 * (0.27 * 2.0 - 0.06 * 3.0) + 2.0 * 7.0
    assert momentum.tolist() == pytest.approx([5.0 + 0.5 * 3.0, 1.0 + 0.5 * 2.0, turned])
    moving = 5.0**2 + 1.0**2 + 0.5 * (3.0**2 + 2.0**2) + 2.0 * 7.0**2
    out = math.hypot(0.03, 0.04) - 0.02  # the face stands so far out of the head
    assert balance.club_energy(club, face) == pytest.approx(moving + 1e4 * out**2)
    assert balance.club_energy(club, heavy_club(0.0)[0]) == pytest.approx(moving)
    assert balance.club_energy(club, np.zeros(contact.FACE_ROWS)) == 0.0  # a plate
    assert not balance._club_momentum(club, np.zeros(contact.FACE_ROWS)).any()


def test_analytic_energy_of_a_blown_up_ball_and_losses_of_both_halves(body, run):
    """K / 2 (J - 1)^2 a volume of every layer; what the half's march has lost counts twice."""
    model = run.model
    run.nodes[:, :3] = 0.02 * model.points.T
    result = np.arange(100.0, 100.0 + rows.RESULT_ROWS)
    still = np.zeros_like(model.points)
    face, club = heavy_club(1e4)
    before = (still.copy(), 2.0 * club)
    before[0][0] = -10.0
    parts = balance.energy_parts(
        model, run.u, still, run.state, before, club, face, result, np.zeros(3), 0.0, 1.0
    )
    bulk = (body.dynamic_modulus_ratio * body.bulk_modulus)[model.mesh.layer]
    strain = 2.0 * float(0.5 * bulk * (1.02**3 - 1.0) ** 2 @ model.volume)
    assert parts["ball, strain"] == pytest.approx(strain, rel=1e-9)
    assert parts["hourglass"] == pytest.approx(0.0, abs=1e-12 * strain)
    for name, row in (
        ("friction", rows.LOSS_FRICTION), ("contact damping", rows.LOSS_CONTACT),
        ("relaxation", rows.LOSS_RELAXATION), ("bulk viscosity", rows.LOSS_BULK),
    ):  # fmt: skip
        assert parts[name] == 2.0 * (100.0 + row)
    assert not any(parts[f"ball, {name}"] for name in ("translation", "spin", "vibration"))
    assert parts["club"] == balance.club_energy(club, face)
    given = 0.5 * mass(body) * 10.0**2 + balance.club_energy(2.0 * club, face)
    assert parts["given"] == pytest.approx(given, rel=1e-9)
    rest = sum(value for name, value in parts.items() if name not in ("given", "residual"))
    assert parts["residual"] == pytest.approx(given - rest, rel=1e-9)
    # One node moved aside: hourglass shapes of the elements around it, of both halves.
    run.nodes[5, 0] += 1e-4
    _, hourglass = stored(model, run.u, run.state)
    parts = balance.energy_parts(
        model, run.u, still, run.state, before, club, face, result, np.zeros(3), 0.0, 1.0
    )
    assert hourglass.sum() > 0.0
    assert parts["hourglass"] == pytest.approx(hourglass.sum())


def test_analytic_each_failing_balance_is_told_over_what_was_exchanged():
    """Of the ball's spin against the torque, and of the club's momenta against the ball's."""
    x = np.array([[0.1, -0.2], [0.0, 0.0], [0.05, 0.1]])
    before = np.array([[-1.0, -1.0], [0.0, 0.0], [0.0, 0.0]])
    after = before + np.array([[3.0, 1.0], [0.0, 0.0], [0.5, -0.25]])
    exchanged, lever = 4.0, 0.2
    turned = float((x[0] * after[2] - x[2] * after[0]).sum())
    result = np.zeros(rows.RESULT_ROWS)
    result[rows.TORQUE] = turned
    plate, none = np.zeros(contact.FACE_ROWS), np.zeros(contact.CLUB_ROWS)

    def residual(club=none, face=plate, was=none):
        return balance.momentum_residual(after, x, before, was, club, face, result)

    assert residual() == 0.0
    result[rows.TORQUE] = turned - 0.3
    assert residual() == pytest.approx(0.3 / (exchanged * lever))
    result[rows.TORQUE] = turned
    head, was = np.zeros(contact.FACE_ROWS), none.copy()
    head[contact.HEAD_INVERSE_MASS] = 0.5  # half a head of 4 kg
    was[[contact.HEAD_X, contact.HEAD_VX, contact.HEAD_VZ]] = 0.1, 10.0, 1.0
    club = was.copy()
    club[contact.HEAD_VX], club[contact.HEAD_VZ] = 10.0 - 4.0 / 2.0, 1.0 - 0.25 / 2.0
    assert residual(club, head, was) == pytest.approx(0.0, abs=1e-15)
    club[contact.HEAD_VZ] += 0.1
    assert residual(club, head, was) == pytest.approx(2.0 * 0.1 / exchanged)
    club[contact.HEAD_VZ] -= 0.1
    head[contact.HEAD_INVERSE_INERTIA] = 10.0
    club[contact.TURN_RATE] = -10.0 * (turned + 0.1 * 2.0 * (1.0 - 0.25 / 2.0 - 1.0))
    assert residual(club, head, was) == pytest.approx(0.0, abs=1e-15)
    club[contact.TURN_RATE] += 10.0 * 0.05
    assert residual(club, head, was) == pytest.approx(0.05 / (exchanged * lever))
