"""What is handed to a card: the slowest impacts first, builds of one mesh together."""

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from layers.gpu.batch import Batch, Throws, Wanted
from layers.gpu.source import Choices
from layers.gpu.strikes import CLUB, END, FACE_INVERSE_MASS, FADE, FRICTION, slowness
from layers.mass.inertia import mass as mass_of
from layers.mass.inertia import moment_of_inertia
from layers.strike import contact
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
    assert 0.0 < unit * 2.0**31 / 256.0 < mass


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
