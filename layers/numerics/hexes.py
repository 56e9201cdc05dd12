"""Geometry of eight-node hexahedra: volume, mean gradient and hourglass patterns.

All follow from seven vectors, the modes of an element's place: sums over its corners with the signs
of xi, eta, zeta and their products. The cofactors of dx/dxi are polynomials in the local
coordinates, so that their integrals over the element are products of modes, exactly.
"""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray, IntArray
from layers.numerics.blocks import as_blocks, as_rows
from layers.numerics.lanes import store
from layers.numerics.machine_code import njit
from layers.numerics.nodes import gather
from layers.numerics.vectors import NODE, aligned, width_of

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
_WIDTH = width_of(np.float64)
# Rows of `_fill_geometry`: gradient, pattern positions, metric, volume.
_POSITION, _METRIC, _VOLUME, _ROWS = 24, 36, 39, 40


class Shape(NamedTuple):
    """Geometry of elements side by side; vectors are three lanes.

    Attributes
    ----------
    slope : 6 vectors
        Mean gradient's parts with the signs of xi, eta, zeta, xi eta, eta zeta, zeta xi, 1/m.
    pattern : 4 vectors
        Modes xi eta, eta zeta, zeta xi, xi eta zeta of the place, m.
    volume : lanes
        m3.
    metric : 3 lanes
        |grad xi_j|^2 at the centre, 1/m2.
    """

    slope: Any
    pattern: Any
    volume: Any
    metric: Any


@njit(fastmath=True, forceinline=True)
def _modes(a: Any, b: Any, c: Any, d: Any, e: Any, f: Any, g: Any, h: Any) -> Any:
    """Add up a component over corners 0 to 7 with the signs of modes 1 to 7, by bits."""
    ab, cd, ef, gh = b + a, d + c, f + e, h + g
    ba, dc, fe, hg = b - a, d - c, f - e, h - g
    low, high = cd + ab, gh + ef
    side, other = cd - ab, gh - ef
    near, far = dc + ba, hg + fe
    cross, last = dc - ba, hg - fe
    return (
        far + near,
        other + side,
        last + cross,
        high - low,
        far - near,
        other - side,
        last - cross,
    )


@njit(fastmath=True, forceinline=True)
def _cross(a: Any, b: Any) -> Any:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


@njit(fastmath=True, forceinline=True)
def _dot(a: Any, b: Any) -> Any:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(fastmath=True, forceinline=True)
def _plus(a: Any, b: Any) -> Any:
    return a[0] + b[0], a[1] + b[1], a[2] + b[2]


@njit(fastmath=True, forceinline=True)
def _scaled(factor: Any, a: Any) -> Any:
    return factor * a[0], factor * a[1], factor * a[2]


@njit(fastmath=True, forceinline=True)
def shape_of(points: Any, hexes: Any, e: int) -> Any:
    """Return the `Shape` of a block of elements.

    Parameters
    ----------
    points : (n, 4) array
        Nodes, m, the fourth number of no use.
    hexes : (m, 8, width) array
        Corner nodes, numbered by bits.
    e : int
        Which block.
    """
    p0, p1 = gather(points, hexes, e, 0), gather(points, hexes, e, 1)
    p2, p3 = gather(points, hexes, e, 2), gather(points, hexes, e, 3)
    p4, p5 = gather(points, hexes, e, 4), gather(points, hexes, e, 5)
    p6, p7 = gather(points, hexes, e, 6), gather(points, hexes, e, 7)
    x = _modes(p0[0], p1[0], p2[0], p3[0], p4[0], p5[0], p6[0], p7[0])
    y = _modes(p0[1], p1[1], p2[1], p3[1], p4[1], p5[1], p6[1], p7[1])
    z = _modes(p0[2], p1[2], p2[2], p3[2], p4[2], p5[2], p6[2], p7[2])
    c1, c2, c3 = (x[0], y[0], z[0]), (x[1], y[1], z[1]), (x[2], y[2], z[2])
    c4, c5, c6 = (x[3], y[3], z[3]), (x[4], y[4], z[4]), (x[5], y[5], z[5])
    third = 1.0 / 3.0
    t3, t5, t6 = _scaled(third, c3), _scaled(third, c5), _scaled(third, c6)
    # Cofactors at the centre, then their integrals over the element.
    a0, a1, a2 = _cross(c2, c4), _cross(c4, c1), _cross(c1, c2)
    centre = 8.0 / _dot(a0, c1)
    metric = centre * centre
    s0, e1, e2 = _plus(a0, _cross(t3, c5)), _cross(t6, c3), _cross(t5, c6)
    whole = _dot(c1, s0) + _dot(c2, e1) + _dot(c4, e2)
    over = 1.0 / whole
    return Shape(
        (
            _scaled(over, s0),
            _scaled(over, _plus(a1, e1)),
            _scaled(over, _plus(a2, e2)),
            _scaled(over, _plus(_cross(t5, c1), _cross(c2, t6))),
            _scaled(over, _plus(_cross(t3, c2), _cross(c4, t5))),
            _scaled(over, _plus(_cross(c1, t3), _cross(t6, c4))),
        ),
        (c3, c6, c5, (x[6], y[6], z[6])),
        whole * (1.0 / 64.0),
        (metric * _dot(a0, a0), metric * _dot(a1, a1), metric * _dot(a2, a2)),
    )


@njit(fastmath=True, forceinline=True)
def corner_gradients(slope: Any, i: int) -> Any:
    """Return component i of the mean gradient at the eight corners, 1/m.

    Parameters
    ----------
    slope : 6 vectors
        See `Shape`.
    i : int
        Which component.
    """
    xi, eta, zeta = slope[0][i], slope[1][i], slope[2][i]
    cross, other, last = slope[3][i], slope[4][i], slope[5][i]
    low, high, side, far = eta - cross, eta + cross, zeta - last, zeta + last
    a, b, c, d = xi + low, xi - high, low - xi, xi + high
    p, q, r, s = side - other, far - other, side + other, far + other
    return (other - side) - a, b - q, c - r, d - s, p - a, b + q, c + r, d + s


@njit(cache=True)
def _fill_geometry(points: Any, hexes: Any, out: Any) -> None:
    """Write the geometry of all elements."""
    for e in range(hexes.shape[0]):
        shape = shape_of(points, hexes, e)
        for i in range(3):
            corners = corner_gradients(shape.slope, i)
            for a in range(8):
                store(out, e, 3 * a + i, corners[a])
            for k in range(4):
                store(out, e, _POSITION + 3 * k + i, shape.pattern[k][i])
            store(out, e, _METRIC + i, shape.metric[i])
        store(out, e, _VOLUME, shape.volume)


def corners_by_width(hexes: IntArray) -> npt.NDArray[np.int32]:
    """Cut corner nodes into blocks for `shape_of`, the last filled up with its last element.

    Parameters
    ----------
    hexes : (8, m) array
        Corner nodes, numbered by bits.
    """
    return np.asarray(as_blocks(_filled_up(hexes), np.int32, _WIDTH))


def _filled_up(hexes: IntArray) -> IntArray:
    return np.pad(hexes, ((0, 0), (0, -hexes.shape[1] % _WIDTH)), mode="edge")


def as_nodes(points: FloatArray) -> FloatArray:
    """Lay out (3, n) coordinates as (n, 4) vectors, the fourth number of no use."""
    nodes = aligned((points.shape[1], NODE), np.float64)
    nodes[:, :3] = points.T
    return np.asarray(nodes)


def hex_geometry(
    points: FloatArray, hexes: IntArray
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
    corners = corners_by_width(hexes)
    out = aligned((len(corners), _ROWS, _WIDTH), np.float64)
    _fill_geometry(as_nodes(points), corners, out)
    rows = as_rows(out)[:, : hexes.shape[1]]
    return rows[:_POSITION], rows[_VOLUME], rows[_METRIC:_VOLUME], rows[_POSITION:_METRIC]
