"""The patch of a strike: both halves, where the ball's surface lies on the face."""

import math

import numpy as np
import pytest

from layers.energy.contact import Before, patch_of
from layers.energy.strike import SHORTEST
from layers.strike import contact
from layers.strike import march as rows
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
