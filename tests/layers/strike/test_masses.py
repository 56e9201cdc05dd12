"""Masses and contact of many builds of one mesh: what they are worked out from."""

import numpy as np
import pytest

from layers.numerics.cubed_sphere import Counts, half_sphere
from layers.numerics.hexes import hex_geometry
from layers.strike.masses import rows_of, unit_of


def counts(*rings: tuple[float, ...]) -> Counts:
    return Counts(8, 6, 8, rings, focus=0.7, block=0.55)


def test_analytic_volumes_of_a_half_sphere_and_of_its_outermost_ring():
    """A straight-sided mesh lies within the sphere; half of a ring is lumped at its outer nodes."""
    half = 2.0 * np.pi / 3.0
    for ring in ((1.0,), (0.5, 1.0)):
        core = unit_of(counts(ring), 3).core
        assert core.sum() == pytest.approx(half, rel=0.03)
        unit = unit_of(counts((1.0,), ring), 3)
        assert unit.column.sum() == pytest.approx(half / 2.0, rel=0.1)
        np.testing.assert_allclose(np.linalg.norm(unit.place[:, -len(unit.column) :], axis=0), 1.0)


def test_analytic_moments_are_sums_over_the_nodes():
    unit = unit_of(counts((0.5, 1.0)), 3)
    x, y, z = unit.place
    rows, scaled = (1.0, x**2 + z**2, x), (1.0, x**2 + y**2 + z**2, x)
    by_hand = [[float(np.sum(unit.core * a * b)) for b in scaled] for a in rows]
    np.testing.assert_allclose(unit.core_moments, by_hand, rtol=1e-12)
    # Of a half sphere of radius 1: integral of r^2 is 2 pi / 5, of x^2 + z^2 two thirds of it.
    assert unit.core_moments[0, 1] == pytest.approx(2.0 * np.pi / 5.0, rel=0.1)
    assert unit.core_moments[1, 0] == pytest.approx(4.0 * np.pi / 15.0, rel=0.1)


def test_a_column_s_share_is_that_of_a_ring_from_the_centre_whatever_the_rings():
    """Volumes go with the cubes of the radii: a thin outermost ring tells the same as a whole."""
    one = unit_of(counts((1.0,), (1.0,)), 3)
    for rings in (
        ((1.0,), (0.3, 0.5, 1.0)),
        ((0.4, 1.0), (1.0,), (1.0,)),
        ((1.0,), (0.5, 1.0), (0.9, 1.0)),
    ):
        unit = unit_of(counts(*rings), 3)
        np.testing.assert_allclose(unit.column, one.column, rtol=1e-9)
        np.testing.assert_allclose(unit.column_moments, one.column_moments, rtol=1e-9, atol=1e-12)
    assert not unit_of(counts((1.0,)), 3).column.any()  # a ball of one layer has no columns


def test_the_core_is_lumped_to_the_corners_of_its_elements():
    """An eighth of each element's volume, of the innermost layer alone."""
    rings = counts((0.5, 1.0), (1.0,))
    core = unit_of(rings, 3).core
    mesh = half_sphere(np.array([1.0, 2.0]), rings)
    _, volume, _, _ = hex_geometry(mesh.points, mesh.hexes)
    expected = np.zeros(mesh.points.shape[1])
    for element in np.flatnonzero(mesh.layer == 0):
        expected[mesh.hexes[:, element]] += volume[element] / 8.0
    np.testing.assert_allclose(core, expected[: len(core)], rtol=1e-12)
    assert not expected[len(core) :].any()


def test_rows_of_a_column_run_from_the_first_interface_to_the_surface():
    radius = np.array([[0.010, 0.018, 0.021], [0.012, 0.016, 0.021]])
    row, of_ring = rows_of(radius, ((0.5, 1.0), (0.25, 1.0), (1.0,)))
    np.testing.assert_allclose(
        row, [[0.010, 0.012, 0.018, 0.021], [0.012, 0.013, 0.016, 0.021]], rtol=1e-12
    )
    assert of_ring == [1, 1, 2]
