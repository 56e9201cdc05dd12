"""The patch of a strike: both halves, where the ball's surface lies on the face."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.energy import contact as module
from layers.energy.contact import Before, patch_of
from layers.energy.strike import SHORTEST
from layers.strike import contact
from layers.strike import march as rows
from layers.strike import near as vicinity
from layers.strike.launch import Strike
from layers.strike.settings import Settings
from layers.strike.start import start_of_strike
from tests.helpers.builds import random_bodies

COARSE = Settings(normal=4, lateral=3, upward=6, core_rings=2, cover_rings=1, precision="double")
WEDGE = Strike(0.3, 36.0, math.radians(46.0), math.radians(-5.0), inertia=5e-5, depth=0.01)


@pytest.fixture(scope="module")
def seen():
    """Return the patch of one step, with the march before it."""
    run = start_of_strike(random_bodies(1, 7)[0], WEDGE, COARSE)
    result, history = np.zeros(rows.RESULT_ROWS), np.zeros((rows.HISTORY_ROWS, 512))
    run.advance(1.2e-4, math.inf, history, result)
    before = Before(run.u.copy(), run.club.copy(), run.stretch.copy())
    run.advance(SHORTEST, math.inf, history, result)
    return run, before, patch_of(run, before, float(result[rows.ELAPSED]))


def test_both_halves_are_mirror_images(seen):
    _, _, patch = seen
    half = patch.place.shape[1] // 2
    assert half > 3
    np.testing.assert_array_equal(patch.place[0, :half], -patch.place[0, half:])
    np.testing.assert_array_equal(patch.place[1, :half], patch.place[1, half:])
    np.testing.assert_array_equal(patch.slip[0, :half], -patch.slip[0, half:])
    np.testing.assert_array_equal(patch.slip[1, :half], patch.slip[1, half:])
    for name in ("area", "pressure", "sliding"):
        values = getattr(patch, name)
        np.testing.assert_array_equal(values[:half], values[half:])
    assert (patch.pressure > 0.0).all()


def test_points_lie_where_the_deformed_surface_is(seen):
    """Each is a point of its quadrilateral, by the nodes' places of then in the face's axes."""
    run, before, patch = seen
    surface = run.model.surface
    x, y, z = (run.model.points + before.u)[:, surface.nodes]
    turn = before.club[contact.TURN]
    x, z = x - before.club[contact.FACE_X], z - before.club[contact.FACE_Z]
    height = z * math.cos(turn) - x * math.sin(turn)
    places = np.stack(
        [
            np.einsum("pc,cf->fp", surface.shape, nodal[surface.faces]).ravel()
            for nodal in (y, height)
        ]
    )
    half = patch.place.shape[1] // 2
    for here in patch.place[:, :half].T:
        assert np.abs(places - here[:, None]).sum(axis=0).min() < 1e-12
    weight = np.repeat(surface.weight, len(surface.shape))
    assert set(np.round(patch.area, 18)) <= set(np.round(weight, 18))


def test_distance_and_velocity_over_a_rolled_and_turning_face_are_the_march_s():
    """Two programs of one formula; height is along the turned face from its point of touch."""
    run = start_of_strike(random_bodies(1, 7)[0], replace(WEDGE, roll_radius=0.25), COARSE)
    rng = np.random.default_rng(3)
    run.velocity[:] = 10.0 * rng.normal(size=run.velocity.shape)
    before = Before(1e-4 * rng.normal(size=run.u.shape), run.club.copy(), run.stretch.copy())
    before.club[contact.TURN], before.club[contact.TURN_RATE] = 0.1, -40.0
    before.club[contact.FACE_Z] += 0.003
    near, height, over = module._approach(run, before)
    surface = run.model.surface
    found = vicinity.near_of.py_func(surface, run.model.chain.pivot[-1])
    contact.approach.py_func(
        run.model.points, before.u, run.velocity, surface, run.face, before.club, found
    )
    np.testing.assert_allclose(near, found.gap, rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(over, found.swift, rtol=1e-9, atol=1e-12)
    x, _, z = (run.model.points + before.u)[:, surface.nodes]
    x, z = x - before.club[contact.FACE_X], z - before.club[contact.FACE_Z]
    np.testing.assert_allclose(height, z * math.cos(0.1) - x * math.sin(0.1), rtol=1e-12)


def test_analytic_pressures_give_the_velocities_that_they_were_found_from():
    """N = -(k g + r w) / (1 + r dt a) of the velocities before, w' = w + dt B N after."""
    run = start_of_strike(random_bodies(1, 7)[0], WEDGE, COARSE)
    surface, step = run.model.surface, 1e-6
    count = len(surface.shape)
    corners = np.repeat(surface.faces.T, count, axis=0)
    shape = np.tile(surface.shape, (surface.faces.shape[1], 1))
    weight, pivot = np.repeat(surface.weight, count), run.model.chain.pivot[-1]
    rng = np.random.default_rng(4)
    gap = rng.uniform(-3e-4, 0.0, len(corners))
    before = rng.uniform(-40.0, 200.0, len(surface.nodes))
    stiff, damp = run.face[[contact.STIFFNESS, contact.DAMPING]]
    resist = 0.5 * step * stiff + damp
    ease = ((surface.area * pivot)[corners] * shape).sum(axis=1)
    at = (before[corners] * shape).sum(axis=1)
    force = np.maximum(-(stiff * gap + resist * at) / (1.0 + resist * step * ease), 0.0)
    assert 0.1 < (force == 0.0).mean() < 0.9
    after = before.copy()
    np.add.at(after, corners, step * pivot[corners] * shape * (weight * force)[:, None])
    then = (after[corners] * shape).sum(axis=1)
    found = module._pressure(run, gap, then, corners, shape, weight, step)
    np.testing.assert_allclose(found, force, rtol=1e-6, atol=1e-6 * force.max())
