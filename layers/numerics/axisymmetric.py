"""Quadratic axisymmetric finite elements of a layered sphere, compiled: strains, stiffness, solve.

Eight-node quadrilaterals with two by two Gauss points (reduced integration, so that a nearly
incompressible material does not lock), total Lagrangian, over the upper quarter section (r, z).
Unknowns are numbered from the surface inward, two per node (r, z), which keeps the band narrow.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numba import njit

from layers.arrays import FloatArray, IntArray
from layers.numerics.mesh import sphere_mesh

# All of fastmath but the promise that no NaN or infinity occurs: the driver looks for them.
FASTMATH = {"contract", "reassoc", "arcp", "nsz"}

_GAUSS_2 = 1.0 / np.sqrt(3.0)
# Corner nodes counter-clockwise, then the middles of the sides that follow them.
_NODE_XI = np.array([-1.0, 1.0, 1.0, -1.0, 0.0, 1.0, 0.0, -1.0])
_NODE_ETA = np.array([-1.0, -1.0, 1.0, 1.0, -1.0, 0.0, 1.0, 0.0])


@dataclass(frozen=True)
class Layout:
    """Everything of a mesh that does not depend on the diameters.

    Attributes
    ----------
    basis : (nodes, 2, n) array
        Node coordinates per unit outer radius of each of the n layers: points = basis @ radius.
    elements : (m, 8) array
        Nodes of each element.
    layer : (m,) array
        Layer of each element.
    edges : (k, 3) array
        First, middle and last node of each edge of the outer surface, from the pole on.
    fixed : (unknowns,) bool array
        Unknowns that symmetry holds at zero, and the padding.
    last : (unknowns,) array
        Last unknown that each unknown is coupled to, never falling: the profile of the matrix.
        There are 2 an each node, padded to a multiple of four.
    """

    basis: FloatArray
    elements: IntArray
    layer: IntArray
    edges: IntArray
    fixed: npt.NDArray[np.bool_]
    last: IntArray


@lru_cache(maxsize=64)
def layout(rings: tuple[tuple[float, ...], ...], angles: tuple[float, ...], side: int) -> Layout:
    """Lay out quadratic elements over the quarter section of a sphere of len(rings) layers.

    Parameters
    ----------
    rings : tuple of n tuples
        Relative positions of the elements' outer edges in each layer, each ending with 1.
    angles : tuple
        Polar angles of the elements' edges, 0 to pi/2.
    side : int
        Elements along the block's side in r.

    Returns
    -------
    Layout
    """
    halved = tuple(_with_middles(np.array((0.0, *r)))[1:] for r in rings)
    fine_angles = _with_middles(np.array(angles))
    ones = np.ones(len(rings))
    mesh = sphere_mesh(ones, halved, fine_angles, 2 * side)
    # Points are linear in the radii: the step that one radius makes is its basis vector.
    parts = [
        sphere_mesh(ones + unit, halved, fine_angles, 2 * side).points - mesh.points
        for unit in np.eye(len(rings))
    ]
    tall = len(angles) - 1 - side
    quads, layer = mesh.quads, mesh.layer
    elements, owner = _merge_quads(quads, layer, side, tall, len(angles) - 1)
    order = _from_surface_inward(elements, mesh.surface, mesh.points.shape[0])
    number_of = np.full(mesh.points.shape[0], -1)
    number_of[order] = np.arange(len(order))
    elements = number_of[elements]
    basis = np.stack(parts, axis=-1)[order]
    surface = number_of[mesh.surface]
    edges = np.column_stack([surface[:-2:2], surface[1:-1:2], surface[2::2]])
    points = basis @ np.linspace(1.0, 2.0, len(rings))
    last = _profile(elements, len(order))
    fixed = np.ones(len(last), dtype=np.bool_)
    fixed[: points.size] = (np.abs(points) < 1e-9).reshape(-1)
    return Layout(basis, elements, owner, edges, fixed, last)


def _with_middles(edges: FloatArray) -> FloatArray:
    """Insert the middle of every interval."""
    out = np.empty(2 * len(edges) - 1)
    out[::2] = edges
    out[1::2] = 0.5 * (edges[:-1] + edges[1:])
    return out


def _merge_quads(
    quads: IntArray, layer: IntArray, side: int, tall: int, around: int
) -> tuple[IntArray, IntArray]:
    """Join two by two small quads into eight-node elements (the middle node drops out)."""
    block = 4 * side * tall
    grids = [np.arange(block).reshape(2 * tall, 2 * side)]
    grids.append(np.arange(block, len(quads)).reshape(-1, 2 * around))
    elements, owner = [], []
    for grid in grids:
        for i in range(0, grid.shape[0], 2):
            for j in range(0, grid.shape[1], 2):
                a, b = quads[grid[i, j]], quads[grid[i, j + 1]]
                d, c = quads[grid[i + 1, j]], quads[grid[i + 1, j + 1]]
                elements.append([a[0], b[1], c[2], d[3], a[1], b[2], c[3], d[0]])
                owner.append(layer[grid[i, j]])
    return np.array(elements), np.array(owner)


def _from_surface_inward(elements: IntArray, surface: IntArray, count: int) -> IntArray:
    """Order nodes by graph distance from the surface, neighbours close together."""
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for row in elements:
        for node in row:
            neighbours[node].update(int(n) for n in row)
    order = [int(n) for n in surface]
    seen = set(order)
    for node in order:
        for other in sorted(neighbours[node] - seen):
            seen.add(other)
            order.append(other)
    return np.array(order)


def _profile(elements: IntArray, count: int) -> IntArray:
    """Last coupled unknown of each unknown, made monotone so that fill-in stays inside."""
    last = np.arange(-(-count // 2) * 4)
    for row in elements:
        low, high = row, 2 * row.max() + 1
        for node in low:
            last[2 * node] = max(last[2 * node], high)
            last[2 * node + 1] = max(last[2 * node + 1], high)
    return np.maximum.accumulate(last)


@njit(cache=True)
def _shapes(xi: float, eta: float) -> FloatArray:
    """Serendipity shape functions and their derivatives along xi and eta, (3, 8)."""
    out = np.empty((3, 8))
    for a in range(8):
        xa, ya = _NODE_XI[a], _NODE_ETA[a]
        if a < 4:
            fx, fy, s = 1.0 + xi * xa, 1.0 + eta * ya, xi * xa + eta * ya - 1.0
            out[0, a] = 0.25 * fx * fy * s
            out[1, a] = 0.25 * xa * fy * (s + fx)
            out[2, a] = 0.25 * ya * fx * (s + fy)
        elif xa == 0.0:
            fy = 1.0 + eta * ya
            out[0, a] = 0.5 * (1.0 - xi * xi) * fy
            out[1, a] = -xi * fy
            out[2, a] = 0.5 * (1.0 - xi * xi) * ya
        else:
            fx = 1.0 + xi * xa
            out[0, a] = 0.5 * fx * (1.0 - eta * eta)
            out[1, a] = 0.5 * xa * (1.0 - eta * eta)
            out[2, a] = -eta * fx
    return out


@njit(cache=True)
def gradients(points: FloatArray, elements: IntArray) -> tuple[FloatArray, FloatArray]:
    """Shape-function gradients at the Gauss points of the undeformed elements.

    Parameters
    ----------
    points : (nodes, 2) array
        r, z of the nodes, m.
    elements : (m, 8) array

    Returns
    -------
    (m, 4, 3, 8) array
        dN/dr, dN/dz and N/r.
    (m, 4) array
        Volume of each Gauss point, the whole circumference 2 pi r included, m3.
    """
    count = elements.shape[0]
    slope = np.empty((count, 4, 3, 8))
    volume = np.empty((count, 4))
    for g in range(4):
        n = _shapes((2 * (g % 2) - 1) * _GAUSS_2, (2 * (g // 2) - 1) * _GAUSS_2)
        for e in range(count):
            r = r_xi = r_eta = z_xi = z_eta = 0.0
            for a in range(8):
                pr, pz = points[elements[e, a], 0], points[elements[e, a], 1]
                r += n[0, a] * pr
                r_xi += n[1, a] * pr
                r_eta += n[2, a] * pr
                z_xi += n[1, a] * pz
                z_eta += n[2, a] * pz
            det = r_xi * z_eta - r_eta * z_xi
            volume[e, g] = 2.0 * np.pi * r * det
            for a in range(8):
                slope[e, g, 0, a] = (n[1, a] * z_eta - n[2, a] * z_xi) / det
                slope[e, g, 1, a] = (n[2, a] * r_xi - n[1, a] * r_eta) / det
                slope[e, g, 2, a] = n[0, a] / r
    return slope, volume


@njit(cache=True, fastmath=FASTMATH)
def neo_hookean(
    f: FloatArray, shear: float, bulk: float, stress: FloatArray, a: FloatArray
) -> float:
    """First Piola-Kirchhoff stress and its derivative, axisymmetric; returns J.

    W = G/2 (J^(-2/3) tr C - 3) + K/2 (J - 1)^2. With H = F^-T:
    P = G J^(-2/3) (F - I1/3 H) + K (J - 1) J H, and A = dP/dF.

    Parameters
    ----------
    f : (5,) array
        F_rr, F_rz, F_zr, F_zz, F_tt.
    shear, bulk : float
        G and K, Pa.
    stress : (5,) array
        Filled with P, Pa.
    a : (5, 5) array
        Filled with dP/dF, Pa.
    """
    plane = f[0] * f[3] - f[1] * f[2]
    j = plane * f[4]
    h = (f[3] / plane, -f[2] / plane, -f[1] / plane, f[0] / plane, 1.0 / f[4])
    trace = f[0] * f[0] + f[1] * f[1] + f[2] * f[2] + f[3] * f[3] + f[4] * f[4]
    iso = shear * max(j, 1e-6) ** (-2.0 / 3.0)
    pressure = bulk * (j - 1.0) * j
    c_h = pressure - iso * trace / 3.0
    c_hh = bulk * (2.0 * j - 1.0) * j + iso * 2.0 / 9.0 * trace
    c_fh = -iso * 2.0 / 3.0
    for p in range(5):
        stress[p] = iso * f[p] + c_h * h[p]
        for q in range(5):
            a[p, q] = c_hh * h[p] * h[q] + c_fh * (h[p] * f[q] + f[p] * h[q])
        a[p, p] += iso
    # - c_h H dF^T H: component (i, I) of the derivative along (k, K) is H_iK H_kI.
    for i in range(2):
        for ii in range(2):
            for k in range(2):
                for kk in range(2):
                    a[2 * i + ii, 2 * k + kk] -= c_h * h[2 * i + kk] * h[2 * k + ii]
    a[4, 4] -= c_h * h[4] * h[4]
    return float(j)


@njit(cache=True, fastmath=FASTMATH)
def assemble(
    u: FloatArray,
    elements: IntArray,
    slope: FloatArray,
    volume: FloatArray,
    shear: FloatArray,
    bulk: FloatArray,
    band: FloatArray,
    force: FloatArray,
) -> float:
    """Add internal forces and tangent stiffness of all elements; returns the smallest J.

    Parameters
    ----------
    u : (2 nodes,) array
        Displacements, m.
    elements, slope, volume
        See `Layout` and `gradients`.
    shear, bulk : (m,) array
        G and K of each element, Pa.
    band : (2 nodes, width) array
        band[i, d] is the entry (i + d, i) of the symmetric stiffness, N/m.
    force : (2 nodes,) array
        Internal forces, N.
    """
    f, stress, a = np.empty(5), np.empty(5), np.empty((5, 5))
    ke, fe, ab = np.empty((16, 16)), np.empty(16), np.empty((5, 2))
    least = 1e300
    for e in range(elements.shape[0]):
        ke[:] = 0.0
        fe[:] = 0.0
        for g in range(4):
            f[0], f[1], f[2], f[3], f[4] = 1.0, 0.0, 0.0, 1.0, 1.0
            for n in range(8):
                node = elements[e, n]
                ur, uz = u[2 * node], u[2 * node + 1]
                f[0] += slope[e, g, 0, n] * ur
                f[1] += slope[e, g, 1, n] * ur
                f[2] += slope[e, g, 0, n] * uz
                f[3] += slope[e, g, 1, n] * uz
                f[4] += slope[e, g, 2, n] * ur
            least = min(least, neo_hookean(f, shear[e], bulk[e], stress, a))
            w = volume[e, g]
            for n in range(8):
                dr, dz, t = slope[e, g, 0, n], slope[e, g, 1, n], slope[e, g, 2, n]
                fe[2 * n] += w * (dr * stress[0] + dz * stress[1] + t * stress[4])
                fe[2 * n + 1] += w * (dr * stress[2] + dz * stress[3])
                for p in range(5):
                    ab[p, 0] = w * (a[p, 0] * dr + a[p, 1] * dz + a[p, 4] * t)
                    ab[p, 1] = w * (a[p, 2] * dr + a[p, 3] * dz)
                for m in range(n + 1):
                    mr, mz, mt = slope[e, g, 0, m], slope[e, g, 1, m], slope[e, g, 2, m]
                    for c in range(2):
                        ke[2 * n + c, 2 * m] += mr * ab[0, c] + mz * ab[1, c] + mt * ab[4, c]
                        ke[2 * n + c, 2 * m + 1] += mr * ab[2, c] + mz * ab[3, c]
        for n in range(8):
            for c in range(2):
                row = 2 * elements[e, n] + c
                force[row] += fe[2 * n + c]
                for m in range(n + 1):
                    for d in range(2):
                        col = 2 * elements[e, m] + d
                        if m == n and d > c:
                            continue
                        low = min(row, col)
                        band[low, max(row, col) - low] += ke[2 * n + c, 2 * m + d]
    return least


@njit(cache=True, fastmath=FASTMATH)
def factor(band: FloatArray, last: IntArray) -> bool:
    """Factor the stiffness in place, K = L D L^T; False if a pivot vanishes.

    Parameters
    ----------
    band : (unknowns, width) array
        band[i, d] is the entry (i + d, i); at the end D in the first column and L in the others.
        Three columns beyond the profile must be zero, and the unknowns a multiple of four.
    last : (unknowns,) array
        Last coupled unknown of each, never falling.
    """
    for k in range(0, band.shape[0], 4):
        stop = last[k + 3] + 1
        for q in range(4):
            own = band[k + q, : stop - k - q]
            for p in range(q):
                x = band[k + p, q - p] / band[k + p, 0]
                other = band[k + p, q - p : stop - k - p]
                for j in range(len(own)):
                    own[j] -= x * other[j]
            if not abs(own[0]) > 1e-300:
                return False
        _eliminate_four(band, k, stop)
        for q in range(4):
            own = band[k + q, 1 : stop - k - q]
            x = 1.0 / band[k + q, 0]
            for j in range(len(own)):
                own[j] *= x
    return True


@njit(cache=True, fastmath=FASTMATH)
def _eliminate_four(band: FloatArray, k: int, stop: int) -> None:
    """Take unknowns k to k + 3 out of the rest, two rows at a time: this spares memory traffic."""
    p0, p1 = 1.0 / band[k, 0], 1.0 / band[k + 1, 0]
    p2, p3 = 1.0 / band[k + 2, 0], 1.0 / band[k + 3, 0]
    # Unknowns are padded to a multiple of four and `stop` is even: rows come in pairs.
    for i in range(k + 4, stop, 2):
        o, size = i - k, stop - i
        c0, c1 = band[k, o : o + size], band[k + 1, o - 1 : o - 1 + size]
        c2, c3 = band[k + 2, o - 2 : o - 2 + size], band[k + 3, o - 3 : o - 3 + size]
        x0, x1, x2, x3 = c0[0] * p0, c1[0] * p1, c2[0] * p2, c3[0] * p3
        y0, y1, y2, y3 = c0[1] * p0, c1[1] * p1, c2[1] * p2, c3[1] * p3
        row, next_row = band[i, :size], band[i + 1, : size - 1]
        row[0] -= x0 * c0[0] + x1 * c1[0] + x2 * c2[0] + x3 * c3[0]
        for j in range(size - 1):
            z0, z1, z2, z3 = c0[j + 1], c1[j + 1], c2[j + 1], c3[j + 1]
            row[j + 1] -= x0 * z0 + x1 * z1 + x2 * z2 + x3 * z3
            next_row[j] -= y0 * z0 + y1 * z1 + y2 * z2 + y3 * z3


@njit(cache=True, fastmath=FASTMATH)
def back_substitute(band: FloatArray, last: IntArray, x: FloatArray) -> None:
    """Solve K x = b in place for two right-hand sides, x (2, unknowns), after `factor`."""
    count = band.shape[0]
    for k in range(count):
        size = last[k] - k
        column = band[k, 1 : size + 1]
        first, second = x[0, k + 1 : k + 1 + size], x[1, k + 1 : k + 1 + size]
        a, b = x[0, k], x[1, k]
        for i in range(size):
            first[i] -= column[i] * a
            second[i] -= column[i] * b
    for k in range(count - 1, -1, -1):
        size = last[k] - k
        column = band[k, 1 : size + 1]
        first, second = x[0, k + 1 : k + 1 + size], x[1, k + 1 : k + 1 + size]
        a = b = 0.0
        for i in range(size):
            a += column[i] * first[i]
            b += column[i] * second[i]
        x[0, k] = x[0, k] / band[k, 0] - a
        x[1, k] = x[1, k] / band[k, 0] - b


def divided(edges: tuple[float, ...], parts: int) -> tuple[float, ...]:
    """Divide each interval of (0, *edges) evenly."""
    whole = np.arange(len(edges) + 1)
    return tuple(np.interp(np.arange(1, len(edges) * parts + 1) / parts, whole, (0.0, *edges)))
