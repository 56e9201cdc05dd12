"""The quadratic elements of the quarter section: order, sides, symmetry, profile, volumes."""

import itertools

import numpy as np
import pytest

from layers.numerics.axisymmetric import gauss_shapes, gradients
from layers.numerics.layout import divided, layout

RADII = np.array([0.015, 0.021])
ANGLES = (0.0, 0.3, 0.7, 1.1, 0.5 * np.pi)


@pytest.fixture(scope="module")
def mesh():
    return layout(((0.5, 1.0), (1.0,)), ANGLES, 2)


def test_elements_are_counted_by_layer_and_turn_counter_clockwise(mesh):
    """A block of 2 by 2, two rings of four in the core, one in the shell; their volumes."""
    assert mesh.layer.tolist() == [0] * (4 + 8) + [1] * 4
    points = mesh.basis @ RADII
    slope, volume = gradients(points, mesh.elements)
    assert (volume > 0.0).all()
    whole = 2.0 / 3.0 * np.pi * RADII**3
    np.testing.assert_allclose(volume[mesh.layer == 0].sum(), whole[0], rtol=1e-3)
    np.testing.assert_allclose(volume.sum(), whole[1], rtol=1e-3)
    # Coordinates come back from the gradients: dr/dr = dz/dz = 1, r/r = 1.
    nodal = points[mesh.elements]
    expected = np.broadcast_to(np.array([[1.0, 0.0], [0.0, 1.0]]), (16, 4, 2, 2))
    np.testing.assert_allclose(slope[:, :, :2] @ nodal[:, None], expected, atol=1e-9)
    np.testing.assert_allclose((slope[:, :, 2] @ nodal)[..., 0], 1.0)
    # Shape functions at Gauss points: one in all, and of the points' places the place.
    shape = gauss_shapes(slope)
    np.testing.assert_allclose(shape.sum(axis=2), 1.0)
    corner = (1.0 + 1.0 / np.sqrt(3.0)) / 2.0
    near = corner**2 * (2.0 * corner - 2.0 + 2.0 / np.sqrt(3.0) - 2.0 * corner + 1.0)
    np.testing.assert_allclose(shape[:, 0, 0], near, rtol=1e-9)


def test_middles_of_sides_follow_the_corners(mesh):
    """Corners, then the middles after them; between nodes of one radius on its arc."""
    points = mesh.basis @ RADII
    nodal = points[mesh.elements]
    corners, middles = nodal[:, :4], nodal[:, 4:]
    half = 0.5 * (corners + np.roll(corners, -1, axis=1))
    size = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    assert (np.linalg.norm(half - middles, axis=2) < 0.15 * size).all()
    shell = nodal[-4:]
    radius = np.linalg.norm(shell, axis=2)
    np.testing.assert_allclose(np.sort(radius, axis=1),
                               [[0.015] * 3 + [0.018] * 2 + [0.021] * 3] * 4)  # fmt: skip
    assert len(np.unique(mesh.elements)) == len(points)


def test_nodes_are_numbered_from_the_surface_inward(mesh):
    """Surface from the pole on first; then by steps from it, so that couplings stay near."""
    points = mesh.basis @ RADII
    assert mesh.edges.ravel().tolist() == [0, 1, 2, 2, 3, 4, 4, 5, 6, 6, 7, 8]
    middle = [0.5 * (a + b) for a, b in itertools.pairwise(ANGLES)]
    angle = np.arctan2(points[:9, 0], points[:9, 1])
    np.testing.assert_allclose(angle, np.sort([*ANGLES, *middle]), atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(points[:9], axis=1), 0.021)
    steps = np.full(len(points), 99)
    steps[:9] = 0
    for _ in range(8):
        for row in mesh.elements:
            steps[row] = np.minimum(steps[row], steps[row].min() + 1)
    assert (np.diff(steps) >= 0).all()


def test_symmetry_holds_the_axis_across_and_the_equator_along(mesh):
    points = mesh.basis @ RADII
    count = 2 * len(points)
    assert len(mesh.fixed) == len(mesh.last) == -(-count // 4) * 4
    held = np.abs(points) < 1e-12
    np.testing.assert_array_equal(mesh.fixed[:count], held.ravel())
    assert mesh.fixed[count:].all()
    assert held[:, 0].sum() == 2 * 2 + 2 * 3 + 1
    assert held[:, 1].sum() == 2 * 2 + 2 * 3 + 1


def test_the_profile_is_the_least_that_holds_all_couplings(mesh):
    reach = np.arange(len(mesh.last))
    for row in mesh.elements:
        unknowns = np.concatenate([2 * row, 2 * row + 1])
        reach[unknowns] = np.maximum(reach[unknowns], unknowns.max())
    np.testing.assert_array_equal(mesh.last, np.maximum.accumulate(reach))


def test_analytic_intervals_are_divided_evenly():
    assert divided((0.4, 1.0), 2) == pytest.approx((0.2, 0.4, 0.7, 1.0))
    assert divided((1.0,), 3) == pytest.approx((1 / 3, 2 / 3, 1.0))
    assert divided((0.3, 1.0), 1) == (0.3, 1.0)
