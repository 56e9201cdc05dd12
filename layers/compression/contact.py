"""Contact of the surface with a flat plate: which points touch, and the plate's push on them."""

import numpy as np

from layers.arrays import BoolArray, FloatArray, IntArray
from layers.numerics.machine_code import njit

_EDGE_POINTS, _EDGE_WEIGHTS = np.polynomial.legendre.leggauss(6)


def contact_points(points: FloatArray, edges: IntArray) -> tuple[FloatArray, FloatArray]:
    """Shape values (p, 3) and areas 2 pi r ds (k, p), m2, of the surface's points."""
    x = _EDGE_POINTS
    shape = np.column_stack([0.5 * x * (x - 1.0), 1.0 - x * x, 0.5 * x * (x + 1.0)])
    along = np.column_stack([x - 0.5, -2.0 * x, x + 0.5])
    nodes = points[edges]
    position = np.einsum("pa,kac->kpc", shape, nodes)
    tangent = np.einsum("pa,kac->kpc", along, nodes)
    area = 2.0 * np.pi * position[..., 0] * np.hypot(tangent[..., 0], tangent[..., 1])
    return shape, area * _EDGE_WEIGHTS


@njit(cache=True)
def touch(
    points: FloatArray,
    u: FloatArray,
    height: float,
    edges: IntArray,
    shape: FloatArray,
    area: FloatArray,
    reach: float,
    touching: BoolArray,
) -> tuple[float, float, float, bool]:
    """Find the points of the surface that touch the plate.

    Parameters
    ----------
    points, u : (nodes, 2) array, (unknowns,) array
        Nodes before loading and displacements, m.
    height : float
        Height of the plate over the equator, m.
    edges, shape, area
        See `contact_points`.
    reach : float
        If positive, points that lay within this radius before loading count as touching, m.
    touching : (k, p) bool array
        Updated.

    Returns
    -------
    square : float
        Integral of penetration^2 over the touching surface, m4.
    radius, origin : float
        Radius of the rim of the contact, now and before loading, m.
    same : bool
        Whether the same points touched before.
    """
    square = radius = origin = r_before = o_before = gap_before = 0.0
    same = True
    for e in range(edges.shape[0]):
        for q in range(shape.shape[0]):
            gap, r, o = height, 0.0, 0.0
            for a in range(3):
                n = edges[e, a]
                gap -= shape[q, a] * (points[n, 1] + u[2 * n + 1])
                r += shape[q, a] * (points[n, 0] + u[2 * n])
                o += shape[q, a] * points[n, 0]
            touches = o < reach if reach > 0.0 else gap < 0.0
            same = same and touches == touching[e, q]
            touching[e, q] = touches
            if touches:
                square += area[e, q] * gap * gap
            if gap_before < 0.0 <= gap:
                x = gap_before / (gap_before - gap)
                radius = r_before + (r - r_before) * x
                origin = o_before + (o - o_before) * x
            gap_before, r_before, o_before = gap, r, o
    return square, radius, origin, same


@njit(cache=True)
def push(
    points: FloatArray,
    u: FloatArray,
    height: float,
    edges: IntArray,
    shape: FloatArray,
    stiffness: FloatArray,
    touching: BoolArray,
    band: FloatArray,
    force: FloatArray,
    pull: FloatArray,
) -> tuple[float, float]:
    """Add the plate's push on the touching points to stiffness and forces.

    Parameters
    ----------
    points, u, height, edges, shape
        See `touch`.
    stiffness : (k, p) array
        Penalty times the area of each point, N/m.
    touching : (k, p) bool array
        Which points touch.
    band : (unknowns, width) array
        Stiffness by rows from the diagonal on, N/m; added to.
    force, pull : (unknowns,) array
        Forces, N, added to; their derivative with the plate's height, N/m, filled.

    Returns
    -------
    total, rate : float
        The plate's force, N, and its derivative with the height, N/m.
    """
    pull[:] = 0.0
    total = rate = 0.0
    for e in range(edges.shape[0]):
        for q in range(shape.shape[0]):
            if not touching[e, q]:
                continue
            k, gap = stiffness[e, q], height
            for a in range(3):
                gap -= shape[q, a] * (points[edges[e, a], 1] + u[2 * edges[e, a] + 1])
            total -= k * gap
            rate += k
            for a in range(3):
                row = 2 * edges[e, a] + 1
                force[row] -= k * gap * shape[q, a]
                pull[row] -= k * shape[q, a]
                for b in range(3):
                    col = 2 * edges[e, b] + 1
                    if col >= row:
                        band[row, col - row] += k * shape[q, a] * shape[q, b]
    return total, rate
