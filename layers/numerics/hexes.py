"""Geometry of eight-node hexahedra: volume, mean gradient and hourglass patterns."""

from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.numerics.machine_code import njit

# Local coordinates of the corners: bits 1, 2, 4 of the corner's number.
CORNERS: FloatArray = np.array([[1.0 if a >> i & 1 else -1.0 for i in range(3)] for a in range(8)])
# Patterns xi eta, eta zeta, zeta xi, xi eta zeta at the corners.
PATTERNS: FloatArray = np.stack(
    [
        CORNERS[:, 0] * CORNERS[:, 1],
        CORNERS[:, 1] * CORNERS[:, 2],
        CORNERS[:, 2] * CORNERS[:, 0],
        CORNERS.prod(axis=1),
    ]
)


def _gauss_slopes() -> FloatArray:
    """Local slopes of the corner functions at the 2 x 2 x 2 points and the centre, (9, 8, 3)."""
    points = np.vstack([CORNERS / np.sqrt(3.0), np.zeros(3)])
    terms = 1.0 + CORNERS[None] * points[:, None]
    slopes = np.empty((9, 8, 3))
    for i in range(3):
        others = [k for k in range(3) if k != i]
        slopes[:, :, i] = CORNERS[:, i] * terms[..., others].prod(axis=2) / 8.0
    return slopes


_SLOPES: FloatArray = _gauss_slopes()


@njit(cache=True)
def _cofactors(x: Any, slopes: Any, jacobian: Any, cofactor: Any) -> float:
    """Cofactors of dx/dxi (coordinate i, local j) and its determinant."""
    for i in range(3):
        for j in range(3):
            value = 0.0
            for a in range(8):
                value += x[i, a] * slopes[a, j]
            jacobian[i, j] = value
    for i in range(3):
        p, q = (i + 1) % 3, (i + 2) % 3
        for j in range(3):
            r, s = (j + 1) % 3, (j + 2) % 3
            cofactor[i, j] = jacobian[p, r] * jacobian[q, s] - jacobian[p, s] * jacobian[q, r]
    return float(
        jacobian[0, 0] * cofactor[0, 0]
        + jacobian[0, 1] * cofactor[0, 1]
        + jacobian[0, 2] * cofactor[0, 2]
    )


@njit(cache=True)
def _fill_geometry(
    points: Any, hexes: Any, slopes: Any, gradient: Any, volume: Any, metric: Any
) -> float:
    jacobian, cofactor, x = np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 8))
    lowest = 1.0
    for e in range(hexes.shape[1]):
        for a in range(8):
            x[:, a] = points[:, hexes[a, e]]
        for g in range(8):
            determinant = _cofactors(x, slopes[g], jacobian, cofactor)
            lowest = min(lowest, determinant)
            volume[e] += determinant
            for a in range(8):
                for i in range(3):
                    for j in range(3):
                        gradient[3 * a + i, e] += cofactor[i, j] * slopes[g, a, j]
        for row in range(24):
            gradient[row, e] /= volume[e]
        determinant = _cofactors(x, slopes[8], jacobian, cofactor)
        for j in range(3):
            for i in range(3):
                metric[j, e] += (cofactor[i, j] / determinant) ** 2
    return lowest


def hex_geometry(
    points: FloatArray, hexes: Any
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean gradient, volume, local metric and pattern positions of hexahedra.

    Parameters
    ----------
    points : (3, n) array
        Node coordinates, m.
    hexes : (8, m) array
        Corner nodes, numbered by bits.

    Returns
    -------
    gradient : (24, m) array
        (1/V) of the integral of dN_a/dx_i in row 3 a + i, 1/m: exact for the trilinear map, so
        that a constant stress is in equilibrium (Flanagan and Belytschko 1981).
    volume : (m,) array
        m3.
    metric : (3, m) array
        |grad xi_j|^2 at the centre, 1/m2.
    pattern_position : (12, m) array
        sum_a pattern_alpha(a) x_j(a) in row 3 alpha + j, m.
    """
    count = hexes.shape[1]
    gradient, volume = np.zeros((24, count)), np.zeros(count)
    metric = np.zeros((3, count))
    if _fill_geometry(points, hexes, _SLOPES, gradient, volume, metric) <= 0.0:
        raise ValueError("an element of the mesh is turned inside out")
    position = np.einsum("pa,iae->pie", PATTERNS, points[:, hexes]).reshape(12, count)
    return gradient, volume, metric, position
