"""Quadratic axisymmetric finite elements of a layered sphere, compiled: strains and stiffness.

Eight-node quadrilaterals with two by two Gauss points (reduced integration, so that a nearly
incompressible material does not lock), total Lagrangian, over the upper quarter section (r, z).
Unknowns are numbered from the surface inward, two per node (r, z), which keeps the band narrow.
"""

from typing import Any, NamedTuple

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.numerics.lanes import load, nought, store
from layers.numerics.machine_code import njit
from layers.numerics.vectors import aligned, width_of

# All of fastmath but the promise that no NaN or infinity occurs: the driver looks for them.
FASTMATH = {"contract", "reassoc", "arcp", "nsz"}

_SIDE = width_of(np.float64)  # elements side by side
_GAUSS_2 = 1.0 / np.sqrt(3.0)
# Corner nodes counter-clockwise, then the middles of the sides that follow them.
_NODE_XI = np.array([-1.0, 1.0, 1.0, -1.0, 0.0, 1.0, 0.0, -1.0])
_NODE_ETA = np.array([-1.0, -1.0, 1.0, 1.0, -1.0, 0.0, 1.0, 0.0])


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


def gauss_shapes(slope: FloatArray) -> FloatArray:
    """Return the shape functions at the Gauss points, (m, 4, 8), from `gradients`.

    They sum to one, so N/r over its sum is N.
    """
    return np.asarray(slope[:, :, 2] / slope[:, :, 2].sum(axis=2, keepdims=True))


class Elements(NamedTuple):
    """Elements with their material, in blocks of eight that are computed side by side.

    Attributes
    ----------
    nodes : (b, 8, 8) int array
        Nodes of each element; the last block is filled up with elements of no volume.
    slope : (b, 96, 8) array
        dN/dr, dN/dz and N/r: of Gauss point g, direction i and node n in row 24 g + 8 i + n.
    volume : (b, 4, 8) array
        Of each Gauss point, m3.
    moduli : (b, 8, 8) array
        Shear modulus at each Gauss point, then bulk modulus, Pa.
    """

    nodes: Any
    slope: Any
    volume: Any
    moduli: Any


def element_blocks(
    elements: IntArray, slope: FloatArray, volume: FloatArray, shear: FloatArray, bulk: FloatArray
) -> Elements:
    """Lay elements out in blocks.

    Parameters
    ----------
    elements, slope, volume
        See `Layout` and `gradients`.
    shear, bulk : (m, 4) array
        G and K at the Gauss points, Pa.
    """
    count = len(elements)
    filled = np.minimum(np.arange(-(-count // _SIDE) * _SIDE), count - 1).reshape(-1, _SIDE)

    def blocks(rows: Any, dtype: Any = np.float64) -> Any:
        out = aligned((len(filled), rows[0].size, _SIDE), dtype)
        out[:] = rows.reshape(count, -1)[filled].transpose(0, 2, 1)
        return out

    weight = blocks(volume)
    weight[-1, :, count - _SIDE * (len(filled) - 1) :] = 0.0
    return Elements(
        blocks(elements, np.int64),
        blocks(slope),
        weight,
        blocks(np.concatenate([shear, bulk], axis=1)),
    )


@njit(cache=True, fastmath=FASTMATH)
def _deform(block: Any, slope: Any, e: int, near: Any, isochoric: Any) -> float:
    """Deformation gradients (rows 5 g on of `block`) and J^(-2/3) of a block; the smallest J."""
    least = 1e300
    for g in range(4):
        f0 = f3 = f4 = 1.0 + nought(slope)
        f1 = f2 = nought(slope)
        for n in range(8):
            at = 24 * g + n
            dr, dz, t = load(slope, e, at), load(slope, e, at + 8), load(slope, e, at + 16)
            ur, uz = load(near, 0, 2 * n), load(near, 0, 2 * n + 1)
            f0, f1, f2 = f0 + dr * ur, f1 + dz * ur, f2 + dr * uz
            f3, f4 = f3 + dz * uz, f4 + t * ur
        store(block, 0, 5 * g, f0)
        store(block, 0, 5 * g + 1, f1)
        store(block, 0, 5 * g + 2, f2)
        store(block, 0, 5 * g + 3, f3)
        store(block, 0, 5 * g + 4, f4)
        store(isochoric, 0, g, (f0 * f3 - f1 * f2) * f4)
        for lane in range(_SIDE):
            j = isochoric[0, g, lane]
            least = min(least, j)
            isochoric[0, g, lane] = max(j, 1e-6) ** (-2.0 / 3.0)
    return least


@njit(fastmath=FASTMATH, forceinline=True)
def neo_hookean(f: Any, shear: Any, bulk: Any, isochoric: Any) -> Any:
    """First Piola-Kirchhoff stress and its derivative, axisymmetric.

    W = G/2 (J^(-2/3) tr C - 3) + K/2 (J - 1)^2. With H = F^-T:
    P = G J^(-2/3) (F - I1/3 H) + K (J - 1) J H, and A = dP/dF.

    Parameters
    ----------
    f : 5 numbers or lanes
        F_rr, F_rz, F_zr, F_zz, F_tt.
    shear, bulk : number or lanes
        G and K, Pa.
    isochoric : number or lanes
        J^(-2/3).

    Returns
    -------
    stress : 5 numbers or lanes
        P, Pa.
    tangent : 15 numbers or lanes
        A_pq, q >= p, row by row, Pa.
    """
    plane = f[0] * f[3] - f[1] * f[2]
    j = plane * f[4]
    over = 1.0 / plane
    h = (f[3] * over, -1.0 * f[2] * over, -1.0 * f[1] * over, f[0] * over, 1.0 / f[4])
    trace = f[0] * f[0] + f[1] * f[1] + f[2] * f[2] + f[3] * f[3] + f[4] * f[4]
    iso = shear * isochoric
    c = bulk * (j - 1.0) * j - iso * trace * (1.0 / 3.0)
    b = bulk * (2.0 * j - 1.0) * j + iso * trace * (2.0 / 9.0)
    e = iso * (-2.0 / 3.0)
    stress = (
        iso * f[0] + c * h[0],
        iso * f[1] + c * h[1],
        iso * f[2] + c * h[2],
        iso * f[3] + c * h[3],
        iso * f[4] + c * h[4],
    )
    # b H H + e (H F + F H) = H G + G H; less c H dF^T H, whose A_(iI)(kK) is H_iK H_kI.
    g = (
        0.5 * b * h[0] + e * f[0],
        0.5 * b * h[1] + e * f[1],
        0.5 * b * h[2] + e * f[2],
        0.5 * b * h[3] + e * f[3],
        0.5 * b * h[4] + e * f[4],
    )
    tangent = (
        2.0 * h[0] * g[0] + iso - c * h[0] * h[0],
        h[0] * g[1] + g[0] * h[1] - c * h[1] * h[0],
        h[0] * g[2] + g[0] * h[2] - c * h[0] * h[2],
        h[0] * g[3] + g[0] * h[3] - c * h[1] * h[2],
        h[0] * g[4] + g[0] * h[4],
        2.0 * h[1] * g[1] + iso - c * h[1] * h[1],
        h[1] * g[2] + g[1] * h[2] - c * h[0] * h[3],
        h[1] * g[3] + g[1] * h[3] - c * h[1] * h[3],
        h[1] * g[4] + g[1] * h[4],
        2.0 * h[2] * g[2] + iso - c * h[2] * h[2],
        h[2] * g[3] + g[2] * h[3] - c * h[3] * h[2],
        h[2] * g[4] + g[2] * h[4],
        2.0 * h[3] * g[3] + iso - c * h[3] * h[3],
        h[3] * g[4] + g[3] * h[4],
        2.0 * h[4] * g[4] + iso - c * h[4] * h[4],
    )
    return stress, tangent


@njit(fastmath=FASTMATH, forceinline=True)
def _stresses(e: int, g: int, blocks: Any, room: Any) -> None:
    """Stress of a Gauss point, and the rise of stress with each node's displacements.

    All times the point's volume: rows 5 g on of `room.stress`, 80 g + 10 n on of `room.rates`.
    """
    b, weight = 5 * g, load(blocks.volume, e, g)
    f = (
        load(room.f, 0, b),
        load(room.f, 0, b + 1),
        load(room.f, 0, b + 2),
        load(room.f, 0, b + 3),
        load(room.f, 0, b + 4),
    )
    shear, bulk = weight * load(blocks.moduli, e, g), weight * load(blocks.moduli, e, 4 + g)
    p, a = neo_hookean(f, shear, bulk, load(room.isochoric, 0, g))
    store(room.stress, 0, b, p[0])
    store(room.stress, 0, b + 1, p[1])
    store(room.stress, 0, b + 2, p[2])
    store(room.stress, 0, b + 3, p[3])
    store(room.stress, 0, b + 4, p[4])
    for n in range(8):
        at, row = 24 * g + n, 80 * g + 10 * n
        r, z = load(blocks.slope, e, at), load(blocks.slope, e, at + 8)
        t = load(blocks.slope, e, at + 16)
        store(room.rates, 0, row, a[0] * r + a[1] * z + a[4] * t)
        store(room.rates, 0, row + 1, a[1] * r + a[5] * z + a[8] * t)
        store(room.rates, 0, row + 2, a[2] * r + a[6] * z + a[11] * t)
        store(room.rates, 0, row + 3, a[3] * r + a[7] * z + a[13] * t)
        store(room.rates, 0, row + 4, a[4] * r + a[8] * z + a[14] * t)
        store(room.rates, 0, row + 5, a[2] * r + a[3] * z)
        store(room.rates, 0, row + 6, a[6] * r + a[7] * z)
        store(room.rates, 0, row + 7, a[9] * r + a[10] * z)
        store(room.rates, 0, row + 8, a[10] * r + a[12] * z)
        store(room.rates, 0, row + 9, a[11] * r + a[13] * z)


@njit(fastmath=FASTMATH, forceinline=True)
def _pair(e: int, n: int, m: int, slope: Any, rates: Any) -> Any:
    """Stiffness between nodes n and m: rr, rz, zr, zz (component of n, then of m)."""
    rr = rz = zr = zz = nought(slope)
    for g in range(4):
        at, row = 24 * g + m, 80 * g + 10 * n
        r, z, t = load(slope, e, at), load(slope, e, at + 8), load(slope, e, at + 16)
        rr = (
            rr + r * load(rates, 0, row) + z * load(rates, 0, row + 1) + t * load(rates, 0, row + 4)
        )
        rz = rz + r * load(rates, 0, row + 2) + z * load(rates, 0, row + 3)
        zr = zr + r * load(rates, 0, row + 5) + z * load(rates, 0, row + 6)
        zr = zr + t * load(rates, 0, row + 9)
        zz = zz + r * load(rates, 0, row + 7) + z * load(rates, 0, row + 8)
    return rr, rz, zr, zz


@njit(fastmath=FASTMATH, forceinline=True)
def _node_force(e: int, n: int, slope: Any, stress: Any) -> Any:
    """Return the internal force on node n, along r and z."""
    along, up = nought(slope), nought(slope)
    for g in range(4):
        at, b = 24 * g + n, 5 * g
        r, z, t = load(slope, e, at), load(slope, e, at + 8), load(slope, e, at + 16)
        along = along + r * load(stress, 0, b) + z * load(stress, 0, b + 1)
        along = along + t * load(stress, 0, b + 4)
        up = up + r * load(stress, 0, b + 2) + z * load(stress, 0, b + 3)
    return along, up


class _Room(NamedTuple):
    """Room for one block, (1, rows, 8): deformation, J^(-2/3), stress, its rates, a result."""

    near: Any
    f: Any
    isochoric: Any
    stress: Any
    rates: Any
    out: Any


@njit(cache=True, fastmath=FASTMATH)
def assemble(u: FloatArray, blocks: Elements, band: FloatArray, force: FloatArray) -> float:
    """Add internal forces and tangent stiffness of all elements; returns the smallest J.

    Parameters
    ----------
    u : (2 nodes,) array
        Displacements, m.
    blocks : Elements
    band : (2 nodes, width) array
        band[i, d] is the entry (i + d, i) of the symmetric stiffness, N/m.
    force : (2 nodes,) array
        Internal forces, N.
    """
    room = _Room(
        np.empty((1, 16, _SIDE)),
        np.empty((1, 20, _SIDE)),
        np.empty((1, 4, _SIDE)),
        np.empty((1, 20, _SIDE)),
        np.empty((1, 320, _SIDE)),
        np.empty((1, 4, _SIDE)),
    )
    least = 1e300
    for e in range(blocks.nodes.shape[0]):
        nodes = blocks.nodes[e]
        for n in range(8):
            for lane in range(_SIDE):
                room.near[0, 2 * n, lane] = u[2 * nodes[n, lane]]
                room.near[0, 2 * n + 1, lane] = u[2 * nodes[n, lane] + 1]
        least = min(least, _deform(room.f, blocks.slope, e, room.near, room.isochoric))
        for g in range(4):
            _stresses(e, g, blocks, room)
        for n in range(8):
            along, up = _node_force(e, n, blocks.slope, room.stress)
            store(room.out, 0, 0, along)
            store(room.out, 0, 1, up)
            for lane in range(_SIDE):
                force[2 * nodes[n, lane]] += room.out[0, 0, lane]
                force[2 * nodes[n, lane] + 1] += room.out[0, 1, lane]
            for m in range(n + 1):
                rr, rz, zr, zz = _pair(e, n, m, blocks.slope, room.rates)
                store(room.out, 0, 0, rr)
                store(room.out, 0, 1, rz)
                store(room.out, 0, 2, zr)
                store(room.out, 0, 3, zz)
                _scatter(room.out, nodes[n], nodes[m], m == n, band)
    return least


@njit(cache=True, fastmath=FASTMATH)
def _scatter(out: Any, rows: Any, columns: Any, same: bool, band: Any) -> None:
    """Add the stiffness between two nodes of each element of a block to the band."""
    for lane in range(_SIDE):
        row, col = 2 * rows[lane], 2 * columns[lane]
        if same:
            band[row, 0] += out[0, 0, lane]
            band[row, 1] += out[0, 1, lane]
            band[row + 1, 0] += out[0, 3, lane]
        elif row > col:
            band[col, row - col] += out[0, 0, lane]
            band[col + 1, row - col - 1] += out[0, 1, lane]
            band[col, row - col + 1] += out[0, 2, lane]
            band[col + 1, row - col] += out[0, 3, lane]
        else:
            band[row, col - row] += out[0, 0, lane]
            band[row, col - row + 1] += out[0, 1, lane]
            band[row + 1, col - row - 1] += out[0, 2, lane]
            band[row + 1, col - row] += out[0, 3, lane]
