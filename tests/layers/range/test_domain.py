"""Hulls of rows: against SciPy's, distances by hand, and shapes without an inside."""

import numpy as np
import pytest
from scipy.spatial import ConvexHull, Delaunay

from layers.range.domain import Domain, hull_of
from tests.layers.flight.test_aerotable import AROUND

# A unit is 1e5 of Reynolds number and 0.1 of spin ratio: a right triangle of legs 0.8 and 0.6.
UNIT = np.array([1e5, 0.1])
TRIANGLE = UNIT * (np.array([[1.0, 1.0], [1.8, 1.0], [1.0, 1.6]]))
SIDES = ((0.0, -1.0), (-1.0, 0.0), (0.6, 0.8))


def test_analytic_corners_of_scattered_rows_are_scipy_s():
    rng = np.random.default_rng(3)
    rows = UNIT * rng.uniform(0.0, 1.0, (60, 2)) + [5e4, 0.0]
    # Rows that stand twice and in the middle of an edge make no corner.
    hull = ConvexHull(rows / UNIT)
    corners = rows[hull.vertices]
    rows = np.concatenate([rows, rows[:9], 0.5 * (corners + np.roll(corners, 1, axis=0))])
    found = hull_of(*rows.T)
    start = int(np.argmin(np.linalg.norm((corners - found.corners[0]) / UNIT, axis=1)))
    np.testing.assert_allclose(found.corners, np.roll(corners, -start, axis=0), rtol=1e-12)
    at = UNIT * rng.uniform(-0.3, 1.3, (400, 2)) + [5e4, 0.0]
    within = Delaunay(corners / UNIT).find_simplex(at / UNIT) >= 0
    np.testing.assert_array_equal(found.inside(*at.T), within)
    np.testing.assert_array_equal(found.outside(*at.T) == 0.0, within)


@pytest.mark.parametrize(("order", "up"), [([0, 1, 2], 1.0), ([2, 0, 1], -1.0)])
@pytest.mark.parametrize(("foot", "outward"), AROUND)
def test_analytic_distances_from_a_triangle_either_way_up(order, up, foot, outward):
    """Each side and corner: the nearest point, its distance, and what counts as inside."""
    turn = np.array([1.0, up])
    domain = hull_of(*((TRIANGLE / UNIT * turn + [0.0, 3.0]) * UNIT)[order].T)
    assert len(domain.corners) == 3
    foot = (np.array(foot) + 1.0) * turn + [0.0, 3.0]
    for distance in (0.4, 0.02):
        at = (foot + distance * np.array(outward) * turn) * UNIT
        assert domain.outside(*at) == pytest.approx(distance, rel=1e-9)
        np.testing.assert_allclose(domain.nearest(*at), foot * UNIT, rtol=1e-9)
        assert not domain.inside(*at)
    if outward in SIDES:  # a rounding beyond a side is none
        for beyond, inside in ((0.9e-6, True), (1.1e-6, False)):
            at = (foot + beyond * np.array(outward) * turn) * UNIT
            assert domain.inside(*at) == inside
    middle = (np.array([0.2, 0.2]) + 1.0) * turn + [0.0, 3.0]
    assert domain.outside(*(middle * UNIT)) == 0.0
    assert domain.inside(*(middle * UNIT))


def test_analytic_a_line_has_ends_and_no_inside():
    """Points on it are inside; beyond its ends they are as far as from the end."""
    line = hull_of(np.array([1.0e5, 1.4e5, 1.2e5, 1.8e5]), np.array([0.1, 0.13, 0.115, 0.16]))
    assert len(line.corners) == 2
    re, s = np.array([1.4e5, 2.6e5, 0.2e5, 1.1e5]), np.array([0.13, 0.22, 0.04, 0.1325])
    np.testing.assert_allclose(line.outside(re, s), [0.0, 1.0, 1.0, 0.2], atol=1e-9)
    assert line.inside(re, s).tolist() == [True, False, False, False]


def test_analytic_two_rows_and_one():
    """Fewer than three rows are their own corners; a point is as far as its distance."""
    two = hull_of(np.array([1e5, 1.3e5]), np.array([0.10, 0.14]))
    np.testing.assert_allclose(two.corners, [[1e5, 0.10], [1.3e5, 0.14]])
    near = two.nearest(np.array([1.15e5]), np.array([0.12]))
    np.testing.assert_allclose(np.concatenate(near), [1.15e5, 0.12])
    one = Domain(np.array([[1e5, 0.1]]))
    np.testing.assert_allclose(
        one.outside(np.array([1e5, 1.3e5]), np.array([0.1, 0.06])), [0.0, 0.5], atol=1e-12
    )
    assert one.inside(np.array([1e5, 1.3e5]), np.array([0.1, 0.06])).tolist() == [True, False]


@pytest.mark.parametrize(("by", "distance"), [(0.9e-9, 0.0), (1.1e-9, 1.1e-9)])
def test_a_rounding_beyond_the_hull_is_no_distance(by, distance):
    one = Domain(np.array([[1e5, 0.0]]))
    assert one.outside(np.array([1e5]), np.array([by * 0.1]))[0] == pytest.approx(distance)
