"""A recorded strike by hand: sides of elements, motion by layer, parting, the drawn face."""

import math

import numpy as np
import pytest

from layers.energy import strike as module
from layers.energy.record import Patch
from layers.mass.inertia import mass, moment_of_inertia, solver_density
from layers.numerics.blocks import as_rows
from layers.numerics.hexes import CORNERS
from layers.strike import contact
from layers.strike import march as rows
from layers.strike.launch import Strike
from layers.strike.model import momentum_of
from layers.strike.settings import Settings
from layers.strike.start import start_of_strike
from tests.helpers.builds import random_bodies

SMALL = Settings(
    normal=4, lateral=3, upward=4, core_rings=2, cover_rings=2, thinnest_step=3e-6,
    precision="double",
)  # fmt: skip
DRIVER = Strike(0.2, 45.0, math.radians(13.0), math.radians(1.0), 0.3, 8e6, 0.03, roll_radius=0.3)


@pytest.fixture(scope="module")
def body():
    return random_bodies(2, 7)[1]


@pytest.fixture(scope="module")
def run(body):
    return start_of_strike(body, DRIVER, SMALL)


def test_sides_go_round_the_six_faces_of_a_hexahedron():
    """From corner to corner one local coordinate changes, and one stays the same for all four."""
    constants = set()
    for side in module._SIDES:
        around = CORNERS[list(side)]
        steps = np.abs(np.roll(around, -1, axis=0) - around).sum(axis=1)
        np.testing.assert_array_equal(steps, [2.0] * 4)
        (same,) = np.nonzero((around == around[0]).all(axis=0))
        constants.add((int(same[0]), around[0, same[0]]))
    assert constants == {(axis, end) for axis in range(3) for end in (-1.0, 1.0)}


def test_the_section_is_all_sides_in_the_plane_of_swing(run):
    grid, mesh = module._grid(run.model), run.model.mesh
    corners = grid.points[:, grid.quads]
    assert (corners[1] == 0.0).all()
    x, z = corners[[0, 2]]
    area = 0.5 * ((x[2] - x[0]) * (z[3] - z[1]) - (x[3] - x[1]) * (z[2] - z[0]))
    assert (np.abs(area) > 0.0).all()
    for quad, cell in zip(grid.quads.T, grid.cell_of, strict=True):
        assert set(quad) <= set(mesh.hexes[:, cell])
    # Block: an element each along x and z; rings: as many as its rim has edges in the plane.
    rim = SMALL.normal * 2 + SMALL.upward * 2
    rings = (mesh.hexes.shape[1] - 4 * 3 * 4) // mesh.faces.shape[1]
    assert len(grid.cell_of) == SMALL.normal * SMALL.upward + rings * rim
    assert len(set(grid.cell_of)) == len(grid.cell_of)


def test_analytic_motion_by_layer_adds_up_and_goes_with_the_mass(body, run):
    """v M v over both halves; of a translation each layer's share is that of its mass."""
    model = run.model
    v = np.random.default_rng(2).normal(size=model.points.shape)
    parts = module._kinetic_by_layer(body, model, v)
    assert len(parts) == len(body.density)
    assert parts.sum() == pytest.approx(float((v * momentum_of(model, v)).sum()), rel=1e-12)
    even = np.zeros_like(v)
    even[0] = 10.0
    volume = as_rows(model.constant)[module.kernels.VOLUME, : len(model.mesh.layer)]
    mass = np.bincount(model.mesh.layer, solver_density(body)[model.mesh.layer] * volume)
    # The mesh is lighter than the half ball by its flat sides; each node is scaled a little.
    np.testing.assert_allclose(module._kinetic_by_layer(body, model, even), 100.0 * mass, rtol=0.08)
    only = np.zeros_like(v)  # stretch of the columns across the last ring alone
    only[:, -len(model.surface.area) :] = 1.0
    bonded = module._kinetic_by_layer(body, model, only)
    assert bonded[-1] > model.chain.bond[-1].sum() * 3.0
    assert bonded[0] == 0.0


def test_analytic_the_ball_parts_from_the_whole_club(run):
    """Its centre's speed less the head's at the height of the face, both masses of the club."""
    v = np.zeros_like(run.velocity)
    v[0] = 70.0
    saved = run.velocity.copy(), run.club.copy()
    try:
        run.velocity[:], club = v, run.club
        club[[contact.HEAD_VX, contact.FACE_VX]] = 30.0, 36.0
        club[contact.TURN_RATE] = -50.0
        club[contact.FACE_Z] = club[contact.HEAD_Z] + 0.004
        head = 30.0 + 50.0 * 0.004
        club_speed = head + 0.03 / 0.2 * (36.0 - head)
        assert module._parting_speed(run) == pytest.approx(70.0 - club_speed)
    finally:
        run.velocity[:], run.club[:] = saved


def test_analytic_table_of_a_ball_that_moves_turns_and_opens(body):
    """Speed and spin are of the plane of swing; halves that part from each other vibrate."""
    run = start_of_strike(body, DRIVER, SMALL)
    before = run.velocity.copy(), run.club.copy()
    model, (x, _, z) = run.model, run.model.points
    run.velocity[:] = 60.0 - 200.0 * z, np.full_like(x, 2.0), -5.0 + 200.0 * x
    elements, layers = len(model.mesh.layer), len(body.density)
    sums = module._Sums(
        0.0, np.linspace(1.0, 2.0, elements), np.linspace(3.0, 1.0, elements),
        np.arange(rows.RESULT_ROWS, dtype=float),
    )  # fmt: skip
    peak = np.arange(1.0, layers + 1.0)
    table = module._table(body, run, before, sums, peak)
    whole = mass(body)
    assert table.whole["speed"] == pytest.approx(0.5 * whole * (60.0**2 + 5.0**2), rel=1e-9)
    assert table.whole["spin"] == pytest.approx(0.5 * moment_of_inertia(body) * 200.0**2, rel=1e-9)
    assert table.vibration.sum() == pytest.approx(0.5 * whole * 2.0**2, rel=1e-9)
    assert table.whole["head"] == pytest.approx(0.5 * 0.2 * 45.0**2)
    assert table.given == pytest.approx(0.5 * 0.2 * 45.0**2)
    assert table.whole["face friction"] == 2.0 * rows.LOSS_FRICTION  # of both halves
    assert table.whole["contact"] == 2.0 * rows.LOSS_CONTACT
    np.testing.assert_array_equal(table.stored, peak)
    for density, found in ((sums.loss, table.lost), (sums.bulk, table.numerical)):
        expected = 2.0 * np.bincount(model.mesh.layer, density * model.volume)
        np.testing.assert_allclose(found, expected, rtol=1e-9)
    # A ball that flies off before the head is struck has its own energy in what was given.
    thrown = before[0] + np.array([[10.0], [0.0], [0.0]])
    table = module._table(body, run, (thrown, before[1]), sums, peak)
    assert table.given == pytest.approx(0.5 * 0.2 * 45.0**2 + 0.5 * whole * 10.0**2)


def test_analytic_strain_is_the_mean_gradient_s(run):
    """Of a linear map F: the tensor F^T F and the volume ratio det F, in every element."""
    slope = np.array([[0.1, 0.04, -0.02], [0.03, -0.05, 0.06], [-0.01, 0.02, 0.08]])
    right, j = module._strain(run.model, slope @ run.model.points)
    f = slope + np.eye(3)
    np.testing.assert_allclose(right, np.broadcast_to(f.T @ f, right.shape), rtol=1e-9)
    np.testing.assert_allclose(j, np.linalg.det(f), rtol=1e-9)


def test_stops_are_summed_and_the_deepest_is_kept(body, run, monkeypatch):
    """By a march that tells of so many steps; losses of a step count for all its time."""
    told = iter([(4e-6, 2, 0.003, 5.0), (6e-6, 3, 0.002, 7.0)])
    asked = []

    def advance(self, longest, pause, history, result):
        elapsed, steps, deepest, force = next(told)
        asked.append((longest, pause))
        result[[rows.ELAPSED, rows.STEPS, rows.RECORDED]] = elapsed, steps, steps
        result[[rows.DEFORMATION, rows.LOSS_FRICTION]] = deepest, 1.0
        history[rows.NORMAL, :steps] = np.linspace(0.0, force, steps)

    elements = len(run.model.mesh.layer)
    rates = np.full(elements, 10.0), np.full(elements, 20.0)
    given = []
    monkeypatch.setattr(module.Run, "advance", advance)
    monkeypatch.setattr(module, "loss_rates", lambda *a: (given.append(a[-1]), rates)[1])
    sums = module._Sums(0.0, np.zeros(elements), np.zeros(elements), np.zeros(rows.RESULT_ROWS))
    assert module._advance(body, run, sums, 0.0) == (2e-6, 10.0)
    assert module._advance(body, run, sums, 5e-6) == (2e-6, 14.0)
    assert asked == [(1e-12, math.inf), (5e-6, math.inf)]  # at least a step
    assert given == pytest.approx([2e-6, 2e-6])
    assert sums.time == pytest.approx(1e-5)
    np.testing.assert_allclose(sums.loss, 10.0 * 1e-5)
    np.testing.assert_allclose(sums.bulk, 20.0 * 1e-5)
    assert (sums.result[rows.DEFORMATION], sums.result[rows.LOSS_FRICTION]) == (0.003, 2.0)


def test_a_march_is_stopped_at_every_eighth_step_as_its_losses_are_sampled(body, run, monkeypatch):
    """Looks tell of what was before their own step; their force and patch are of that step."""
    steps, elements = [], len(run.model.mesh.layer)
    force = iter(range(100, 200))

    def advance(of, run, sums, time):
        count = max(1, math.ceil(time / 1e-6))
        steps.append(count)
        sums.time += 1e-6 * count
        sums.loss += count
        sums.result[rows.DEFORMATION] += count
        return 1e-6, float(next(force))

    monkeypatch.setattr(module, "_advance", advance)
    monkeypatch.setattr(module, "patch_of", lambda run, before, step: (before, step))
    monkeypatch.setattr(module, "stored", lambda *_: (np.ones(elements), None))
    looks, sums = module._marched(body, run, 20e-6)
    assert steps == [1, 7] * 3
    np.testing.assert_allclose([look.time for look in looks], [0.0, 8e-6, 16e-6])
    assert sums.time == pytest.approx(24e-6)
    assert [look.loss[0] for look in looks] == [0.0, 8.0, 16.0]
    assert [look.deformation for look in looks] == [0.0, 8.0, 16.0]
    assert [look.force for look in looks] == [100.0, 102.0, 104.0]
    assert [look.patch[1] for look in looks] == [1e-6] * 3
    whole = 2.0 * np.bincount(run.model.mesh.layer, run.model.volume)
    np.testing.assert_allclose(looks[0].stored, whole)


def test_a_frame_draws_the_rolled_and_turned_face(body, run):
    points = run.model.points
    nothing = np.zeros((2, 3))
    patch = Patch(nothing, np.array([1e-6, 2e-6, 3e-6]), np.ones(3), np.ones(3, bool), nothing)
    club = run.club.copy()
    club[contact.TURN], club[[contact.FACE_X, contact.FACE_Z]] = 0.1, (-0.02, 0.003)
    elements = len(run.model.mesh.layer)
    look = module._Look(
        time=1e-4, u=np.zeros_like(run.u), velocity=points, club=club, loss=np.ones(elements),
        stored=np.zeros(len(body.density)), deformation=0.0, patch=patch, force=5.0,
    )  # fmt: skip
    frame = module._frame(run, look)
    assert frame.contact_area == pytest.approx(6e-6)
    volume = as_rows(run.model.constant)[module.kernels.VOLUME, :elements]
    expected = 2.0 * np.bincount(run.model.mesh.layer, volume)
    np.testing.assert_allclose(frame.lost, expected)
    np.testing.assert_allclose(frame.shear_strain, 0.0, atol=1e-12)
    roll = run.face[contact.CURVATURE]
    middle = frame.face[:, 12]
    np.testing.assert_allclose(middle, [-0.02, 0.003], atol=1e-15)
    up = np.array([-math.sin(0.1), math.cos(0.1)])
    out = np.array([math.cos(0.1), math.sin(0.1)])
    along = (frame.face - middle[:, None]).T
    np.testing.assert_allclose(along @ up, np.linspace(-0.024, 0.024, 25), atol=1e-15)
    np.testing.assert_allclose(along @ out, -0.5 * roll * (along @ up) ** 2, atol=1e-15)
