"""Compiled loops over the elements of the oblique impact: strain, stress, nodal forces, energy.

Nodal arrays hold a node's x, y, z and an unused fourth number a row. Element arrays are cut into
blocks of as many elements as lie side by side (see `layers.numerics.lanes`), each (rows, width) in
one piece of memory; the last block is filled up with elements of no volume. The loops work in the
precision of the arrays that they are given.

Total Lagrangian eight-node hexahedra with the mean gradient B of Flanagan and Belytschko (1981,
Int. J. Numer. Methods Eng. 17, 679). The four hourglass patterns resist with an elastic stiffness.
"""

from typing import Any

from layers.numerics.lanes import highest, load, maximum, nought, store, total
from layers.numerics.machine_code import njit
from layers.numerics.nodes import add_at, gather
from layers.numerics.tensors import (
    add_square,
    inverse_cube_root,
    pair_trace,
    product_trace,
    symmetric_cofactors,
    symmetric_square,
    times,
)

# Rows of the element constants. 0..23: mean gradient, 3 corner + direction.
POSITION_PATTERN = 24  # 12 rows: pattern alpha of the coordinate j in 3 alpha + j
HOURGLASS = 36  # 4 rows: stiffness of each pattern, N/m
VOLUME, SHEAR, BULK, VISCOSITY, FREQUENCY, RELIEF = 40, 41, 42, 43, 44, 45
CONSTANT_ROWS = 46
# Rows of each branch's constants: modulus g G, share 1 - exp(-step / tau) that a step gains, 1/tau.
STRENGTH, GAIN, RATE = 0, 1, 2
BRANCH_ROWS = 3
# Parts of the dissipated energy that the element loop samples.
RELAXATION_LOSS, BULK_LOSS = 0, 1
# Frequencies are squared in this unit, 1/s2, which keeps their eighth powers within single range.
_FREQUENCY_UNIT = 1e13


@njit(fastmath=True, forceinline=True)
def _add_slope(g: Any, u: Any, constant: Any, e: int, corner: int) -> Any:
    """Add one corner's part of the mean gradient of the displacements, 3 component + direction."""
    b = 3 * corner
    b0, b1, b2 = load(constant, e, b), load(constant, e, b + 1), load(constant, e, b + 2)
    return (
        g[0] + b0 * u[0],
        g[1] + b1 * u[0],
        g[2] + b2 * u[0],
        g[3] + b0 * u[1],
        g[4] + b1 * u[1],
        g[5] + b2 * u[1],
        g[6] + b0 * u[2],
        g[7] + b1 * u[2],
        g[8] + b2 * u[2],
    )


@njit(fastmath=True, forceinline=True)
def _four_patterns(u0: Any, u1: Any, u2: Any, u3: Any) -> Any:
    """Signed sums of a component over four corners: same, side and cross signs."""
    return (u0 + u3) - (u1 + u2), (u0 + u1) - (u2 + u3), (u0 + u2) - (u1 + u3)


@njit(fastmath=True, forceinline=True)
def _half(u: Any, hexes: Any, constant: Any, e: int, first: int, g: Any) -> Any:
    """Take four corners from `first` on: mean gradient so far, signed sums of each component."""
    u0, u1 = gather(u, hexes, e, first), gather(u, hexes, e, first + 1)
    u2, u3 = gather(u, hexes, e, first + 2), gather(u, hexes, e, first + 3)
    g = _add_slope(g, u0, constant, e, first)
    g = _add_slope(g, u1, constant, e, first + 1)
    g = _add_slope(g, u2, constant, e, first + 2)
    g = _add_slope(g, u3, constant, e, first + 3)
    x = _four_patterns(u0[0], u1[0], u2[0], u3[0])
    y = _four_patterns(u0[1], u1[1], u2[1], u3[1])
    z = _four_patterns(u0[2], u1[2], u2[2], u3[2])
    return g, x, y, z


@njit(fastmath=True, forceinline=True)
def _hourglass(low: Any, high: Any, g0: Any, g1: Any, g2: Any, constant: Any, e: int) -> Any:
    """Pattern forces of one component.

    Patterns xi eta, eta zeta, zeta xi, xi eta zeta (corners are numbered by bits), less what the
    mean gradient alone would show on this element's shape.
    """
    h0, h1, h2, h3 = low[0] + high[0], low[1] - high[1], low[2] - high[2], high[0] - low[0]
    p, k = POSITION_PATTERN, HOURGLASS
    m0 = g0 * load(constant, e, p) + g1 * load(constant, e, p + 1) + g2 * load(constant, e, p + 2)
    m1 = g0 * load(constant, e, p + 3) + g1 * load(constant, e, p + 4)
    m1 = m1 + g2 * load(constant, e, p + 5)
    m2 = g0 * load(constant, e, p + 6) + g1 * load(constant, e, p + 7)
    m2 = m2 + g2 * load(constant, e, p + 8)
    m3 = g0 * load(constant, e, p + 9) + g1 * load(constant, e, p + 10)
    m3 = m3 + g2 * load(constant, e, p + 11)
    return (
        (h0 - m0) * load(constant, e, k),
        (h1 - m1) * load(constant, e, k + 1),
        (h2 - m2) * load(constant, e, k + 2),
        (h3 - m3) * load(constant, e, k + 3),
    )


@njit(fastmath=True, forceinline=True)
def _mean_stress(p: Any, q: Any, constant: Any, e: int) -> Any:
    """Stress row times volume, less what the pattern forces q do along the element's own shape."""
    volume, at = load(constant, e, VOLUME), POSITION_PATTERN
    m0 = q[0] * load(constant, e, at) + q[1] * load(constant, e, at + 3)
    m0 = m0 + q[2] * load(constant, e, at + 6) + q[3] * load(constant, e, at + 9)
    m1 = q[0] * load(constant, e, at + 1) + q[1] * load(constant, e, at + 4)
    m1 = m1 + q[2] * load(constant, e, at + 7) + q[3] * load(constant, e, at + 10)
    m2 = q[0] * load(constant, e, at + 2) + q[1] * load(constant, e, at + 5)
    m2 = m2 + q[2] * load(constant, e, at + 8) + q[3] * load(constant, e, at + 11)
    return p[0] * volume - m0, p[1] * volume - m1, p[2] * volume - m2


@njit(fastmath=True, forceinline=True)
def _corner_forces(q: Any) -> Any:
    """Return sums and differences of a component's pattern forces: each corner takes two."""
    return q[0] + q[1], q[0] - q[1], q[2] + q[3], q[2] - q[3]


@njit(fastmath=True, forceinline=True)
def _pull(
    pull: Any, hexes: Any, constant: Any, e: int, corner: int, m: Any, x: Any, y: Any, z: Any
) -> None:
    """Add one corner's force: mean stress rows m along B, and its hourglass parts."""
    b = 3 * corner
    b0, b1, b2 = load(constant, e, b), load(constant, e, b + 1), load(constant, e, b + 2)
    add_at(
        pull,
        hexes,
        e,
        corner,
        m[0][0] * b0 + m[0][1] * b1 + m[0][2] * b2 + x,
        m[1][0] * b0 + m[1][1] * b1 + m[1][2] * b2 + y,
        m[2][0] * b0 + m[2][1] * b1 + m[2][2] * b2 + z,
    )


@njit(fastmath=True, forceinline=True)
def _pull_corners(pull: Any, hexes: Any, constant: Any, e: int, m: Any, q: Any) -> None:
    """Add the forces on all corners: B^T of the mean stress and of the pattern forces q."""
    xs, xd, xt, xe = _corner_forces(q[0])
    ys, yd, yt, ye = _corner_forces(q[1])
    zs, zd, zt, ze = _corner_forces(q[2])
    nothing = nought(constant)
    _pull(pull, hexes, constant, e, 0, m, xs + xe, ys + ye, zs + ze)
    _pull(pull, hexes, constant, e, 1, m, nothing - xd - xe, nothing - yd - ye, nothing - zd - ze)
    _pull(pull, hexes, constant, e, 2, m, xt - xs, yt - ys, zt - zs)
    _pull(pull, hexes, constant, e, 3, m, xd - xt, yd - yt, zd - zt)
    _pull(pull, hexes, constant, e, 4, m, xd - xe, yd - ye, zd - ze)
    _pull(pull, hexes, constant, e, 5, m, xe - xs, ye - ys, ze - zs)
    _pull(pull, hexes, constant, e, 6, m, nothing - xd - xt, nothing - yd - yt, nothing - zd - zt)
    _pull(pull, hexes, constant, e, 7, m, xs + xt, ys + yt, zs + zt)


@njit(fastmath=True, forceinline=True)
def _relax(state: Any, row: int, branch: Any, b: int, e: int, inverse: Any) -> Any:
    """Advance one branch's internal tensor; return the mean of its values before and after.

    dA/dt = (Cbar^-1 - A) / tau by its exponential with the newest Cbar^-1 runs half a step early;
    the mean of its values before and after the step is then right to second order.
    """
    gain = load(branch, e, b + GAIN)
    a0, a1 = load(state, e, row), load(state, e, row + 1)
    a2, a3 = load(state, e, row + 2), load(state, e, row + 3)
    a4, a5 = load(state, e, row + 4), load(state, e, row + 5)
    d0, d1, d2 = gain * (inverse[0] - a0), gain * (inverse[1] - a1), gain * (inverse[2] - a2)
    d3, d4, d5 = gain * (inverse[3] - a3), gain * (inverse[4] - a4), gain * (inverse[5] - a5)
    store(state, e, row, a0 + d0)
    store(state, e, row + 1, a1 + d1)
    store(state, e, row + 2, a2 + d2)
    store(state, e, row + 3, a3 + d3)
    store(state, e, row + 4, a4 + d4)
    store(state, e, row + 5, a5 + d5)
    return (
        a0 + 0.5 * d0,
        a1 + 0.5 * d1,
        a2 + 0.5 * d2,
        a3 + 0.5 * d3,
        a4 + 0.5 * d4,
        a5 + 0.5 * d5,
    )


@njit(fastmath=True, forceinline=True)
def _relaxation_loss(branch: Any, b: int, e: int, a: Any, right: Any, inverse: Any) -> Any:
    """Dissipation rate per volume, (g G / 2 tau) (tr(Cbar A) + tr(Cbar^-1 A^-1) - 6).

    The sum is tr(A^-1 D Cbar D), D = Cbar^-1 - A, which loses no digits to the 6.
    """
    cofactors = symmetric_cofactors(a)
    determinant = a[0] * cofactors[0] + a[3] * cofactors[3] + a[5] * cofactors[5]
    d = (
        inverse[0] - a[0],
        inverse[1] - a[1],
        inverse[2] - a[2],
        inverse[3] - a[3],
        inverse[4] - a[4],
        inverse[5] - a[5],
    )
    rate = pair_trace(cofactors, d, right) / determinant
    return 0.5 * load(branch, e, b + STRENGTH) * load(branch, e, b + RATE) * rate


@njit(fastmath=True, cache=True)
def element_forces(
    u: Any,
    hexes: Any,
    constant: Any,
    branch: Any,
    state: Any,
    pull: Any,
    step: float,
    sampled: bool,
    loss: Any,
) -> None:
    """Advance every element by one step and sum the internal forces on the nodes.

    Parameters
    ----------
    u : (n, 4) array
        Nodal displacements, m; a motion of all nodes alike is left out where they are single.
    hexes : (m, 8, width) array
        Corner nodes, of m blocks.
    constant, branch : (m, CONSTANT_ROWS, width), (m, BRANCH_ROWS p, width) array
        Constants of the elements and of their p branches.
    state : (m, 1 + 6 p, width) array
        Last volume ratio and the branches' internal tensors; changed.
    pull : (n, 4) array
        Written: how the elements pull on each node, N, opposite to the force on it.
    step : float
        Time since the last call, s.
    sampled : bool
        Whether to write the dissipation rates.
    loss : (2,) array
        Written when sampled: relaxation and bulk-viscosity dissipation rate, W.
    """
    branches = branch.shape[1] // BRANCH_ROWS
    none = nought(constant)
    relaxation_loss, bulk_loss = none, none
    pull[:] = 0.0
    for e in range(hexes.shape[0]):
        g = (none, none, none, none, none, none, none, none, none)
        g, lx, ly, lz = _half(u, hexes, constant, e, 0, g)
        g, hx, hy, hz = _half(u, hexes, constant, e, 4, g)
        qx = _hourglass(lx, hx, g[0], g[1], g[2], constant, e)
        qy = _hourglass(ly, hy, g[3], g[4], g[5], constant, e)
        qz = _hourglass(lz, hz, g[6], g[7], g[8], constant, e)
        x0, x1, x2 = 1.0 + g[0], g[1], g[2]
        y0, y1, y2 = g[3], 1.0 + g[4], g[5]
        z0, z1, z2 = g[6], g[7], 1.0 + g[8]

        right = (
            x0 * x0 + y0 * y0 + z0 * z0,
            x1 * x1 + y1 * y1 + z1 * z1,
            x2 * x2 + y2 * y2 + z2 * z2,
            x0 * x1 + y0 * y1 + z0 * z1,
            x1 * x2 + y1 * y2 + z1 * z2,
            x2 * x0 + y2 * y0 + z2 * z0,
        )
        j = x0 * (y1 * z2 - y2 * z1) + x1 * (y2 * z0 - y0 * z2) + x2 * (y0 * z1 - y1 * z0)
        root = inverse_cube_root(j, constant.itemsize == 8)
        scale = root * root  # J^(-2/3)
        c0, c1, c2, c3, c4, c5 = symmetric_cofactors(right)
        inverse_j = 1.0 / j
        unit = inverse_j * inverse_j
        stretch = inverse_j * root  # Cbar^-1 = J^(2/3) C^-1, C^-1 = cofactors / J^2
        bar = (stretch * c0, stretch * c1, stretch * c2, stretch * c3, stretch * c4, stretch * c5)

        modulus = load(constant, e, SHEAR)
        t0, t1, t2 = modulus, modulus, modulus
        t3, t4, t5 = none, none, none
        for k in range(branches):
            b = BRANCH_ROWS * k
            a = _relax(state, 1 + 6 * k, branch, b, e, bar)
            strength = load(branch, e, b + STRENGTH)
            t0, t1, t2 = t0 + strength * a[0], t1 + strength * a[1], t2 + strength * a[2]
            t3, t4, t5 = t3 + strength * a[3], t4 + strength * a[4], t5 + strength * a[5]
            if sampled:
                r = (
                    scale * right[0],
                    scale * right[1],
                    scale * right[2],
                    scale * right[3],
                    scale * right[4],
                    scale * right[5],
                )
                rate = _relaxation_loss(branch, b, e, a, r, bar)
                relaxation_loss = relaxation_loss + rate * load(constant, e, VOLUME)

        last = load(state, e, 0)
        store(state, e, 0, j)
        speed = (j - last) * (1.0 / step)
        viscous = load(constant, e, VISCOSITY) * speed
        if sampled:
            bulk_loss = bulk_loss + viscous * speed * load(constant, e, VOLUME)
        pressure = load(constant, e, BULK) * (j - 1.0) + viscous
        trace = product_trace(right, (t0, t1, t2, t3, t4, t5))
        # S = J^(-2/3) (T - 1/3 (C:T) C^-1) + p J C^-1, T = G I + sum g_j G A_j
        w = (pressure * j - scale * trace * (1.0 / 3.0)) * unit
        s0, s1, s2 = scale * t0 + w * c0, scale * t1 + w * c1, scale * t2 + w * c2
        s3, s4, s5 = scale * t3 + w * c3, scale * t4 + w * c4, scale * t5 + w * c5

        px = (x0 * s0 + x1 * s3 + x2 * s5, x0 * s3 + x1 * s1 + x2 * s4, x0 * s5 + x1 * s4 + x2 * s2)
        py = (y0 * s0 + y1 * s3 + y2 * s5, y0 * s3 + y1 * s1 + y2 * s4, y0 * s5 + y1 * s4 + y2 * s2)
        pz = (z0 * s0 + z1 * s3 + z2 * s5, z0 * s3 + z1 * s1 + z2 * s4, z0 * s5 + z1 * s4 + z2 * s2)
        m = (
            _mean_stress(px, qx, constant, e),
            _mean_stress(py, qy, constant, e),
            _mean_stress(pz, qz, constant, e),
        )
        _pull_corners(pull, hexes, constant, e, m, (qx, qy, qz))
    if sampled:
        loss[RELAXATION_LOSS], loss[BULK_LOSS] = total(relaxation_loss), total(bulk_loss)


@njit(fastmath=True, cache=True)
def highest_frequency(u: Any, hexes: Any, constant: Any) -> float:
    """Estimate the highest squared circular frequency of the elements as now deformed, 1/s2.

    On a regular grid the stiffest motion is a plane wave that alternates from node to node along
    the shortest way through the elements: its squared frequency is 8 c^2 times the largest
    eigenvalue of sum_a b_a b_a^T (a single free element's is up to three times that, but its
    neighbours hold it). The eigenvalue is taken as tr(m^8)^(1/8), at most 15 % high. The part
    across the thickness (the third local axis) is divided by the extra inertia that acts on it.

    Parameters
    ----------
    u : (n, 4) array
        Displacements, m.
    hexes : (blocks, rows, width) int array
        Nodes of the elements.
    constant : (blocks, rows, width) array
        Constants of the elements, see the rows of this module.
    """
    bound = none = nought(constant)
    for e in range(hexes.shape[0]):
        g = (none, none, none, none, none, none, none, none, none)
        for corner in range(8):
            g = _add_slope(g, gather(u, hexes, e, corner), constant, e, corner)
        x0, x1, x2 = 1.0 + g[0], g[1], g[2]
        y0, y1, y2 = g[3], 1.0 + g[4], g[5]
        z0, z1, z2 = g[6], g[7], 1.0 + g[8]
        # Cofactors of F: cof(F) B is the deformed gradient times the volume ratio.
        f = (
            (y1 * z2 - y2 * z1, y2 * z0 - y0 * z2, y0 * z1 - y1 * z0),
            (z1 * x2 - z2 * x1, z2 * x0 - z0 * x2, z0 * x1 - z1 * x0),
            (x1 * y2 - x2 * y1, x2 * y0 - x0 * y2, x0 * y1 - x1 * y0),
        )
        m = (none, none, none, none, none, none)
        along = (0.5 / _FREQUENCY_UNIT) * load(constant, e, FREQUENCY)
        across = along * load(constant, e, RELIEF)
        for corner in range(4):
            b, t = 3 * corner, 3 * corner + 12
            low0, high0 = load(constant, e, b), load(constant, e, t)
            low1, high1 = load(constant, e, b + 1), load(constant, e, t + 1)
            low2, high2 = load(constant, e, b + 2), load(constant, e, t + 2)
            m = add_square(m, times(f, high0 + low0, high1 + low1, high2 + low2), along)
            m = add_square(m, times(f, high0 - low0, high1 - low1, high2 - low2), across)
        m = symmetric_square(symmetric_square(m))
        bound = maximum(bound, product_trace(m, m))
    return float(_FREQUENCY_UNIT * float(highest(bound)) ** 0.125)
