"""What is handed to a card: the slowest impacts first, builds of one mesh together."""

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from layers.errors import SolverError
from layers.gpu.batch import Batch, Throws, Wanted
from layers.gpu.source import RESULTS, Choices
from layers.gpu.strikes import (
    BROKEN,
    CLUB,
    CLUB_AFTER,
    DEFORMATION,
    END,
    ENDED,
    FACE_INVERSE_MASS,
    FADE,
    FIRST,
    FRICTION,
    GAP,
    LAST,
    LOWEST,
    SPIN,
    VX,
    VZ,
    launch_of,
    slowness,
)
from layers.mass.inertia import mass as mass_of
from layers.mass.inertia import moment_of_inertia
from layers.strike import contact
from layers.strike.model import build_model
from layers.strike.settings import LEVELS
from layers.strike.start import face_and_club
from layers.strike.swings import find_swing
from tests.helpers.builds import random_bodies
from tests.helpers.marching import SMALL

FAST = find_swing("driver fast").strike()
WEDGE = find_swing("wedge half moderate").strike()


@dataclass
class Recorder:
    """A device that keeps what it is given."""

    given: list = field(default_factory=list)
    name = "a recorder"
    throwing = (64, 2)

    def choices(self, precision):
        return Choices()

    def march(self, program, builds, which, parameters):
        self.given.append((program, builds, list(which), parameters))


@pytest.fixture(autouse=True)
def small(monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)


def batch(bodies, strikes, precision="double"):
    device = Recorder()
    Batch(device, [Wanted(body, tuple(strikes)) for body in bodies], precision, "default")
    return device.given


def test_the_slowest_impacts_go_first():
    """A gentle swing and a soft build last longest; equal ones go as they came."""
    body = random_bodies(1, 7)[0]
    soft = replace(body, shear_modulus=0.5 * body.shear_modulus)
    [(_, builds, which, parameters)] = batch([body, soft, body], [FAST, WEDGE])
    assert len(builds) == 3
    assert len(which) == len(parameters) == 6
    speed = parameters[:, CLUB + contact.HEAD_VX]
    slow = [slowness(b, SMALL) for b in (body, soft, body)]
    jobs = [
        (slow[k] * abs(s.club_speed * math.cos(s.dynamic_loft - s.attack_angle)) ** -0.2)
        for k in range(3)
        for s in (FAST, WEDGE)
    ]
    order = sorted(range(6), key=lambda j: (-jobs[j], j))
    assert which == [j // 2 for j in order]
    wanted = [face_and_club(body, (FAST, WEDGE)[j % 2])[1][contact.HEAD_VX] for j in order]
    np.testing.assert_allclose(speed, wanted)


def test_the_speed_along_the_face_s_normal_counts():
    """60 m/s at 80 degrees to the normal is 10.4 m/s, and takes longer than 30 m/s at 11."""
    body = random_bodies(1, 7)[0]
    level = replace(WEDGE, club_speed=30.0, dynamic_loft=0.8, attack_angle=0.6)
    steep = replace(WEDGE, club_speed=60.0, dynamic_loft=0.8, attack_angle=-0.6)
    [(_, _, _, parameters)] = batch([body], [level, steep])
    speeds = np.hypot(*parameters[:, [CLUB + contact.HEAD_VX, CLUB + contact.HEAD_VZ]].T)
    np.testing.assert_allclose(speeds, [60.0, 30.0])


def test_builds_of_one_mesh_march_together():
    two, three, four, five = random_bodies(4, 7)
    given = batch([two, three, two, five, four], [WEDGE])
    assert sorted(len(builds) for _, builds, _, _ in given) == [1, 1, 1, 2]


def test_analytic_parameters_of_an_impact():
    body = replace(random_bodies(1, 7)[0], friction_half_speed=20.0)
    [(_, _, _, [row])] = batch([body], [FAST])
    face, club = face_and_club(body, FAST)
    assert row[FRICTION] == face[contact.FRICTION]
    assert row[FADE] == face[contact.FADE] == pytest.approx(1.0 / 20.0)
    np.testing.assert_array_equal(
        row[FACE_INVERSE_MASS : FACE_INVERSE_MASS + 6],
        face[contact.FACE_INVERSE_MASS : contact.CURVATURE + 1],
    )
    assert row[12] == pytest.approx(body.outer_radius[-1])
    np.testing.assert_array_equal(row[CLUB : CLUB + contact.CLUB_ROWS], club)
    pause, grace, longest, stable, inertia, mass, x, z, unit = row[END:]
    assert (pause, grace, longest) == (40e-6, 0.05, 4e-3)
    damping = SMALL.bulk_viscosity
    assert stable == pytest.approx(0.95 * 2.0 * (math.sqrt(1.0 + damping**2) - damping))
    assert mass == pytest.approx(0.5 * mass_of(body), rel=1e-9)  # of the half that marches
    assert inertia == pytest.approx(moment_of_inertia(body), rel=1e-9)
    assert (x, z) == (0.0, 0.0)
    # In single precision the frame moves with the club, and whole numbers span 256 m/s.
    [(_, _, _, [row])] = batch([body], [FAST], "single")
    assert row[END + 6] == pytest.approx(0.72 * club[contact.HEAD_VX])
    assert row[END + 7] == pytest.approx(0.15 * club[contact.HEAD_VZ])
    heaviest = build_model(body, SMALL).node_mass.max()
    assert unit == pytest.approx(256.0 * heaviest / 2.0**31, rel=1e-9)


def test_limits_the_estimate_of_steps_follows_the_waves():
    """Four times the moduli: twice the frequency, and a contact (1/4)^(2/5) as long."""
    body = random_bodies(1, 7)[0]
    body = replace(body, relaxation_strength=0.0 * body.relaxation_strength)
    firm = replace(
        body, shear_modulus=4.0 * body.shear_modulus, bulk_modulus=4.0 * body.bulk_modulus
    )
    free = replace(SMALL, thinnest_step=1e-12)
    ratio = slowness(firm, free) / slowness(body, free)
    assert ratio == pytest.approx(2.0 * 4.0**-0.4)
    held = replace(SMALL, thinnest_step=1e-5)  # thin layers no longer count
    assert slowness(body, held) < slowness(body, free)
    heavy = replace(body, density=4.0 * body.density)
    assert slowness(heavy, free) == pytest.approx(0.5 * slowness(body, free))


def test_analytic_the_estimate_of_steps_of_an_even_ball():
    """sqrt(c^2 (60 / R^2 + 1 / (0.6 d)^2)) (R^2 / G)^(2/5), d a ring of the core; see the fit."""
    body = random_bodies(1, 7)[0]
    same = {
        name: np.full(2, getattr(body, name)[0])
        for name in ("density", "dynamic_modulus_ratio", "shear_modulus", "bulk_modulus")
    }
    strength = np.full_like(body.relaxation_strength, 0.1)
    radius = np.array([0.5, 1.0]) * body.outer_radius[-1]
    even = replace(body, outer_radius=radius, relaxation_strength=strength, **same)
    settings = replace(SMALL, thinnest_step=1.0)  # the cover's thickness does not count
    ratio = even.dynamic_modulus_ratio[0]
    shear = ratio * (1.0 + strength[0].sum()) * even.shear_modulus[0]
    square = (ratio * even.bulk_modulus[0] + 4.0 / 3.0 * shear) / even.density[0]
    ring = radius[0] / SMALL.core_rings
    core = square * (60.0 / radius[0] ** 2 + 1.0 / (0.6 * ring) ** 2)
    expected = math.sqrt(core) * (radius[1] ** 2 / shear) ** 0.4
    assert slowness(even, settings) == pytest.approx(expected)
    # A thin cover counts by its ring, up to the step that thin layers shall allow.
    thin = replace(even, outer_radius=radius * [1.99, 1.0])
    ring = np.diff(thin.outer_radius)[0] / SMALL.cover_rings
    for step, across in ((1e-12, square / ring**2), (1e-7, 1e14)):
        cover = 60.0 * square / radius[1] ** 2 + across
        expected = math.sqrt(cover) * (radius[1] ** 2 / shear) ** 0.4
        assert slowness(thin, replace(SMALL, thinnest_step=step)) == pytest.approx(expected)


def row_of(given=()):
    """Return the results of an impact on a club."""
    row = np.zeros(RESULTS)
    row[[VX, VZ, SPIN, FIRST, LAST, DEFORMATION, ENDED]] = 60.0, -3.0, 250.0, 1e-5, 6.1e-4, 0.01, 1
    club = np.zeros(contact.CLUB_ROWS)
    club[[contact.HEAD_VX, contact.HEAD_VZ]] = 30.0, 4.0
    club[[contact.FACE_VX, contact.FACE_VZ]] = 36.0, 8.0
    club[contact.TURN_RATE] = -20.0
    row[CLUB_AFTER : CLUB_AFTER + contact.CLUB_ROWS] = club
    for place, value in given:
        row[place] = value
    return row


@pytest.mark.parametrize("strike", [WEDGE, FAST])
def test_analytic_a_launch_is_read_off_its_row(strike):
    """Its velocity turned by the loft; the head's is that of both its masses."""
    body = random_bodies(1, 7)[0]
    out = launch_of(body, strike, row_of())
    assert out.ball_speed == pytest.approx(math.hypot(60.0, 3.0))
    assert out.launch_angle == pytest.approx(strike.dynamic_loft - math.atan2(3.0, 60.0))
    assert (out.spin, out.peak_deformation) == (250.0, 0.01)
    assert out.contact_time == pytest.approx(6e-4)
    share = 0.0 if strike.face_stiffness is None else strike.face_mass / strike.club_mass
    assert out.club_speed_after == pytest.approx(math.hypot(30.0 + 6.0 * share, 4.0 + 4.0 * share))
    assert (out.club_turn_rate, out.flag) == (-20.0, "")
    assert out.history.time.size == 0
    assert math.isnan(out.momentum_residual)
    assert "did not leave" in launch_of(body, strike, row_of([(ENDED, 0.0)])).flag
    assert "struck again 41 us" in launch_of(body, strike, row_of([(GAP, 41e-6)])).flag
    for bad in ((BROKEN, 1.0), (SPIN, math.nan), (VX, math.inf)):
        with pytest.raises(SolverError, match=r"^the impact broke down: .* layer 2 of 2"):
            launch_of(body, strike, row_of([(LOWEST, 0.9), bad]))


def test_throws_of_one_mesh_march_together_and_bad_speeds_are_left_out():
    two, three, *_ = random_bodies(4, 7)
    device = Recorder()
    made = Throws(device, [(two, (40.0, 500.0)), (three, (30.0,)), (two, (20.0, 45.0))], "default")
    [(program, builds, which, speeds), (_, _, other, _)] = device.given
    assert (program.threads, program.blocks) == (64, 2)
    assert len(builds) == 2
    assert which == [0, 1, 1]
    assert speeds[:, 0].tolist() == [40.0, 20.0, 45.0]
    assert other == [0]
    assert set(made._refused) == {(0, 1)}
