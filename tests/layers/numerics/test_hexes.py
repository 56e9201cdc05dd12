"""Geometry of hexahedra against numerical integration.

Kind: analytic: two points a direction integrate the cofactors of a trilinear map exactly.
"""

import numpy as np
import pytest

from layers.numerics.hexes import CORNERS, PATTERNS, hex_geometry


def slopes(local: np.ndarray) -> np.ndarray:
    """Local slopes of the corner functions at a point, (8, 3)."""
    terms = (1.0 + CORNERS * local) / 2.0
    others = [[k for k in range(3) if k != i] for i in range(3)]
    return np.stack([CORNERS[:, i] / 2.0 * terms[:, others[i]].prod(axis=1) for i in range(3)], 1)


def integrated(x: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
    """Mean gradient (24,), volume and metric (3,) of an element with corners x, (3, 8)."""
    gradient, volume = np.zeros((8, 3)), 0.0
    for corner in CORNERS / np.sqrt(3.0):
        jacobian = x @ slopes(corner)
        volume += np.linalg.det(jacobian)
        gradient += np.linalg.det(jacobian) * slopes(corner) @ np.linalg.inv(jacobian)
    centre = np.linalg.inv(x @ slopes(np.zeros(3)))
    return (gradient / volume).ravel(), volume, (centre**2).sum(axis=1)


@pytest.fixture(scope="module")
def crooked():
    """Eleven hexahedra with crooked sides, which share no node; no whole number of blocks."""
    shift = np.random.default_rng(5).uniform(-0.3, 0.3, (3, 11, 8))
    points = (CORNERS.T[:, None] + shift).reshape(3, -1)
    return points, np.arange(88).reshape(11, 8).T


def test_geometry_is_that_of_numerical_integration(crooked):
    points, hexes = crooked
    gradient, volume, metric, position = hex_geometry(points, hexes)
    assert gradient.shape == (24, 11)
    for e in range(11):
        x = points[:, hexes[:, e]]
        expected = integrated(x)
        assert gradient[:, e] == pytest.approx(expected[0], abs=1e-13)
        assert volume[e] == pytest.approx(expected[1], rel=1e-13)
        assert metric[:, e] == pytest.approx(expected[2], rel=1e-12)
        assert position[:, e] == pytest.approx((PATTERNS @ x.T).ravel(), abs=1e-13)


def test_the_comparison_would_notice_a_moved_corner(crooked):
    points, hexes = crooked
    before = hex_geometry(points, hexes)[0]
    points = points.copy()
    points[0, 0] += 1e-6
    assert np.abs(hex_geometry(points, hexes)[0] - before)[:, 0].max() > 1e-8
