"""Quadratic axisymmetric finite elements of a layered sphere, compiled: strains and stiffness.

Eight-node quadrilaterals with two by two Gauss points (reduced integration, so that a nearly
incompressible material does not lock), total Lagrangian, over the upper quarter section (r, z).
Unknowns are numbered from the surface inward, two per node (r, z), which keeps the band narrow.
"""

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.numerics.machine_code import njit

# All of fastmath but the promise that no NaN or infinity occurs: the driver looks for them.
FASTMATH = {"contract", "reassoc", "arcp", "nsz"}

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
    shear, bulk : (m, 4) array
        G and K at the Gauss points, Pa.
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
            least = min(least, neo_hookean(f, shear[e, g], bulk[e, g], stress, a))
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
