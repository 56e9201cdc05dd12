"""Compiled loops over the elements of the oblique impact: strain, stress, nodal forces, energy.

Nodal arrays hold one component a row. Element arrays are cut into blocks of eight elements, each
(rows, 8) in one piece of memory (see `layers.numerics.lanes`); the last block is filled up
with elements of no volume.

Total Lagrangian eight-node hexahedra with the mean gradient B of Flanagan and Belytschko (1981,
Int. J. Numer. Methods Eng. 17, 679). The four hourglass patterns resist with an elastic stiffness.
"""

from typing import Any

from layers.numerics.lanes import gather, highest, load, maximum, spread, store, total
from layers.numerics.machine_code import njit

# Rows of the element constants. 0..23: mean gradient, 3 corner + direction.
POSITION_PATTERN = 24  # 12 rows: pattern alpha of the coordinate j in 3 alpha + j
HOURGLASS = 36  # 4 rows: stiffness of each pattern, N/m
VOLUME, SHEAR, BULK, VISCOSITY, FREQUENCY, RELIEF = 40, 41, 42, 43, 44, 45
CONSTANT_ROWS = 46
# Rows of each branch's constants: modulus g G, decay over a step, 1 / tau.
STRENGTH, DECAY, RATE = 0, 1, 2
BRANCH_ROWS = 3
# Parts of the dissipated energy that the element loop samples.
RELAXATION_LOSS, BULK_LOSS = 0, 1


@njit(fastmath=True, forceinline=True)
def _mean_and_patterns(u: Any, i: int, hexes: Any, constant: Any, e: int) -> Any:
    """Mean gradient (3) and hourglass patterns (4) of component i of a nodal field."""
    first = i * u.shape[1]
    u0, u1 = gather(u, first, hexes, e, 0), gather(u, first, hexes, e, 1)
    u2, u3 = gather(u, first, hexes, e, 2), gather(u, first, hexes, e, 3)
    u4, u5 = gather(u, first, hexes, e, 4), gather(u, first, hexes, e, 5)
    u6, u7 = gather(u, first, hexes, e, 6), gather(u, first, hexes, e, 7)
    g0 = load(constant, e, 0) * u0 + load(constant, e, 3) * u1 + load(constant, e, 6) * u2
    g0 = g0 + load(constant, e, 9) * u3 + load(constant, e, 12) * u4 + load(constant, e, 15) * u5
    g0 = g0 + load(constant, e, 18) * u6 + load(constant, e, 21) * u7
    g1 = load(constant, e, 1) * u0 + load(constant, e, 4) * u1 + load(constant, e, 7) * u2
    g1 = g1 + load(constant, e, 10) * u3 + load(constant, e, 13) * u4 + load(constant, e, 16) * u5
    g1 = g1 + load(constant, e, 19) * u6 + load(constant, e, 22) * u7
    g2 = load(constant, e, 2) * u0 + load(constant, e, 5) * u1 + load(constant, e, 8) * u2
    g2 = g2 + load(constant, e, 11) * u3 + load(constant, e, 14) * u4 + load(constant, e, 17) * u5
    g2 = g2 + load(constant, e, 20) * u6 + load(constant, e, 23) * u7
    # Patterns xi eta, eta zeta, zeta xi, xi eta zeta; corners are numbered by bits.
    low_same, high_same = (u0 + u3) - (u1 + u2), (u4 + u7) - (u5 + u6)
    low_side, high_side = (u0 + u1) - (u2 + u3), (u4 + u5) - (u6 + u7)
    low_cross, high_cross = (u0 + u2) - (u1 + u3), (u4 + u6) - (u5 + u7)
    h0, h1 = low_same + high_same, low_side - high_side
    h2, h3 = low_cross - high_cross, high_same - low_same
    # Less what the mean gradient alone would show on this element's shape.
    p = POSITION_PATTERN
    h0 = h0 - (
        g0 * load(constant, e, p) + g1 * load(constant, e, p + 1) + g2 * load(constant, e, p + 2)
    )
    h1 = h1 - (
        g0 * load(constant, e, p + 3)
        + g1 * load(constant, e, p + 4)
        + g2 * load(constant, e, p + 5)
    )
    h2 = h2 - (
        g0 * load(constant, e, p + 6)
        + g1 * load(constant, e, p + 7)
        + g2 * load(constant, e, p + 8)
    )
    h3 = h3 - (
        g0 * load(constant, e, p + 9)
        + g1 * load(constant, e, p + 10)
        + g2 * load(constant, e, p + 11)
    )
    return g0, g1, g2, h0, h1, h2, h3


@njit(fastmath=True, forceinline=True)
def _corner(
    force: Any, row: int, corner: int, constant: Any, e: int, m0: Any, m1: Any, m2: Any, h: Any
) -> None:
    """Store one corner's force: mean stress row (m) and hourglass part (h)."""
    b = 3 * corner
    mean = m0 * load(constant, e, b) + m1 * load(constant, e, b + 1) + m2 * load(constant, e, b + 2)
    store(force, e, row + corner, mean + h)


@njit(fastmath=True, forceinline=True)
def _spread_forces(force: Any, i: int, constant: Any, e: int, stress: Any, patterns: Any) -> None:
    """Nodal forces of component i: B^T of the stress row and of the pattern forces."""
    p0, p1, p2 = stress
    h0, h1, h2, h3 = patterns
    volume = load(constant, e, VOLUME)
    q0, q1 = h0 * load(constant, e, HOURGLASS), h1 * load(constant, e, HOURGLASS + 1)
    q2, q3 = h2 * load(constant, e, HOURGLASS + 2), h3 * load(constant, e, HOURGLASS + 3)
    p = POSITION_PATTERN
    m0 = p0 * volume - (
        q0 * load(constant, e, p)
        + q1 * load(constant, e, p + 3)
        + q2 * load(constant, e, p + 6)
        + q3 * load(constant, e, p + 9)
    )
    m1 = p1 * volume - (
        q0 * load(constant, e, p + 1)
        + q1 * load(constant, e, p + 4)
        + q2 * load(constant, e, p + 7)
        + q3 * load(constant, e, p + 10)
    )
    m2 = p2 * volume - (
        q0 * load(constant, e, p + 2)
        + q1 * load(constant, e, p + 5)
        + q2 * load(constant, e, p + 8)
        + q3 * load(constant, e, p + 11)
    )
    row = 8 * i
    _corner(force, row, 0, constant, e, m0, m1, m2, q0 + q1 + (q2 - q3))
    _corner(force, row, 1, constant, e, m0, m1, m2, (q1 - q0) + (q3 - q2))
    _corner(force, row, 2, constant, e, m0, m1, m2, (q2 + q3) - (q0 + q1))
    _corner(force, row, 3, constant, e, m0, m1, m2, (q0 - q1) - (q2 + q3))
    _corner(force, row, 4, constant, e, m0, m1, m2, (q0 - q1) + (q3 - q2))
    _corner(force, row, 5, constant, e, m0, m1, m2, (q2 - q3) - (q0 + q1))
    _corner(force, row, 6, constant, e, m0, m1, m2, (q1 - q0) - (q2 + q3))
    _corner(force, row, 7, constant, e, m0, m1, m2, (q0 + q1) + (q2 + q3))


@njit(fastmath=True, forceinline=True)
def _inverse_cube_root(x: Any) -> Any:
    """Return x^(-1/3) for x near 1, by Newton's steps from a series (to 1e-13 in 0.7..1.4)."""
    d = x - 1.0
    z = 1.0 - d * (1.0 / 3.0) + d * d * (2.0 / 9.0) - d * d * d * (14.0 / 81.0)
    for _ in range(3):
        z = z * (4.0 - x * z * z * z) * (1.0 / 3.0)
    return z


@njit(fastmath=True, forceinline=True)
def _symmetric_cofactors(a: Any) -> Any:
    """Cofactors (xx, yy, zz, xy, yz, zx) of a symmetric tensor, in the same order."""
    xx, yy, zz, xy, yz, zx = a
    return (
        yy * zz - yz * yz,
        zz * xx - zx * zx,
        xx * yy - xy * xy,
        yz * zx - xy * zz,
        zx * xy - yz * xx,
        xy * yz - zx * yy,
    )


@njit(fastmath=True, forceinline=True)
def _product_trace(a: Any, b: Any) -> Any:
    """Return tr(a b) of symmetric tensors."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + 2.0 * (a[3] * b[3] + a[4] * b[4] + a[5] * b[5])


@njit(fastmath=True, forceinline=True)
def _relax(state: Any, row: int, branch: Any, b: int, e: int, inverse: Any) -> Any:
    """Advance one branch's internal tensor; return it at the step's end.

    dA/dt = (Cbar^-1 - A) / tau by its exponential with the newest Cbar^-1 runs half a step early;
    the mean of its values before and after the step is then right to second order.
    """
    decay = load(branch, e, b + DECAY)
    gain = 1.0 - decay
    a0, a1 = load(state, e, row), load(state, e, row + 1)
    a2, a3 = load(state, e, row + 2), load(state, e, row + 3)
    a4, a5 = load(state, e, row + 4), load(state, e, row + 5)
    n0, n1 = decay * a0 + gain * inverse[0], decay * a1 + gain * inverse[1]
    n2, n3 = decay * a2 + gain * inverse[2], decay * a3 + gain * inverse[3]
    n4, n5 = decay * a4 + gain * inverse[4], decay * a5 + gain * inverse[5]
    store(state, e, row, n0)
    store(state, e, row + 1, n1)
    store(state, e, row + 2, n2)
    store(state, e, row + 3, n3)
    store(state, e, row + 4, n4)
    store(state, e, row + 5, n5)
    return (
        0.5 * (a0 + n0),
        0.5 * (a1 + n1),
        0.5 * (a2 + n2),
        0.5 * (a3 + n3),
        0.5 * (a4 + n4),
        0.5 * (a5 + n5),
    )


@njit(fastmath=True, forceinline=True)
def _relaxation_loss(branch: Any, b: int, e: int, a: Any, right: Any, inverse: Any) -> Any:
    """Dissipation rate per volume, (g G / 2 tau) (tr(Cbar A) + tr(Cbar^-1 A^-1) - 6)."""
    cofactors = _symmetric_cofactors(a)
    determinant = a[0] * cofactors[0] + a[3] * cofactors[3] + a[5] * cofactors[5]
    rate = _product_trace(right, a) + _product_trace(inverse, cofactors) / determinant - 6.0
    return 0.5 * load(branch, e, b + STRENGTH) * load(branch, e, b + RATE) * rate


@njit(fastmath=True, cache=True)
def element_forces(
    u: Any,
    hexes: Any,
    constant: Any,
    branch: Any,
    state: Any,
    force: Any,
    step: float,
    sampled: bool,
    loss: Any,
) -> None:
    """Advance every element by one step and write its corners' internal forces.

    Parameters
    ----------
    u : (3, n) array
        Nodal displacements, m.
    hexes : (m, 8, 8) array
        Corner nodes, of m blocks.
    constant, branch : (m, CONSTANT_ROWS, 8), (m, BRANCH_ROWS p, 8) array
        Constants of the elements and of their p branches.
    state : (m, 1 + 6 p, 8) array
        Last volume ratio and the branches' internal tensors; changed.
    force : (m, 24, 8) array
        Written: force of component i on corner a in row 8 i + a, N, as pulled on by the element.
    step : float
        Time since the last call, s.
    sampled : bool
        Whether to write the dissipation rates.
    loss : (2,) array
        Written when sampled: relaxation and bulk-viscosity dissipation rate, W.
    """
    branches = branch.shape[1] // BRANCH_ROWS
    relaxation_loss, bulk_loss = spread(0.0), spread(0.0)
    for e in range(hexes.shape[0]):
        x0, x1, x2, hx0, hx1, hx2, hx3 = _mean_and_patterns(u, 0, hexes, constant, e)
        y0, y1, y2, hy0, hy1, hy2, hy3 = _mean_and_patterns(u, 1, hexes, constant, e)
        z0, z1, z2, hz0, hz1, hz2, hz3 = _mean_and_patterns(u, 2, hexes, constant, e)
        x0, y1, z2 = 1.0 + x0, 1.0 + y1, 1.0 + z2

        right = (
            x0 * x0 + y0 * y0 + z0 * z0,
            x1 * x1 + y1 * y1 + z1 * z1,
            x2 * x2 + y2 * y2 + z2 * z2,
            x0 * x1 + y0 * y1 + z0 * z1,
            x1 * x2 + y1 * y2 + z1 * z2,
            x2 * x0 + y2 * y0 + z2 * z0,
        )
        j = x0 * (y1 * z2 - y2 * z1) + x1 * (y2 * z0 - y0 * z2) + x2 * (y0 * z1 - y1 * z0)
        root = _inverse_cube_root(j)
        scale = root * root  # J^(-2/3)
        c0, c1, c2, c3, c4, c5 = _symmetric_cofactors(right)
        inverse_j = 1.0 / j
        unit = inverse_j * inverse_j
        stretch = unit / scale  # Cbar^-1 = J^(2/3) C^-1
        bar = (stretch * c0, stretch * c1, stretch * c2, stretch * c3, stretch * c4, stretch * c5)

        modulus = load(constant, e, SHEAR)
        t0, t1, t2 = modulus, modulus, modulus
        t3, t4, t5 = spread(0.0), spread(0.0), spread(0.0)
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
        trace = _product_trace(right, (t0, t1, t2, t3, t4, t5))
        # S = J^(-2/3) (T - 1/3 (C:T) C^-1) + p J C^-1, T = G I + sum g_j G A_j
        w = (pressure * j - scale * trace * (1.0 / 3.0)) * unit
        s0, s1, s2 = scale * t0 + w * c0, scale * t1 + w * c1, scale * t2 + w * c2
        s3, s4, s5 = scale * t3 + w * c3, scale * t4 + w * c4, scale * t5 + w * c5

        px = (x0 * s0 + x1 * s3 + x2 * s5, x0 * s3 + x1 * s1 + x2 * s4, x0 * s5 + x1 * s4 + x2 * s2)
        py = (y0 * s0 + y1 * s3 + y2 * s5, y0 * s3 + y1 * s1 + y2 * s4, y0 * s5 + y1 * s4 + y2 * s2)
        pz = (z0 * s0 + z1 * s3 + z2 * s5, z0 * s3 + z1 * s1 + z2 * s4, z0 * s5 + z1 * s4 + z2 * s2)
        _spread_forces(force, 0, constant, e, px, (hx0, hx1, hx2, hx3))
        _spread_forces(force, 1, constant, e, py, (hy0, hy1, hy2, hy3))
        _spread_forces(force, 2, constant, e, pz, (hz0, hz1, hz2, hz3))
    if sampled:
        loss[RELAXATION_LOSS], loss[BULK_LOSS] = total(relaxation_loss), total(bulk_loss)


@njit(fastmath=True, forceinline=True)
def _times(f: Any, b0: Any, b1: Any, b2: Any) -> Any:
    """Return f b."""
    return (
        f[0][0] * b0 + f[0][1] * b1 + f[0][2] * b2,
        f[1][0] * b0 + f[1][1] * b1 + f[1][2] * b2,
        f[2][0] * b0 + f[2][1] * b1 + f[2][2] * b2,
    )


@njit(fastmath=True, forceinline=True)
def _add_square(m: Any, v: Any, weight: Any) -> Any:
    """Return m + weight v v^T, entries in the order xx, yy, zz, xy, yz, zx."""
    x, y, z = weight * v[0], weight * v[1], weight * v[2]
    return (
        m[0] + x * v[0],
        m[1] + y * v[1],
        m[2] + z * v[2],
        m[3] + x * v[1],
        m[4] + y * v[2],
        m[5] + z * v[0],
    )


@njit(fastmath=True, forceinline=True)
def _symmetric_square(m: Any) -> Any:
    """Return m m of a symmetric tensor."""
    xx, yy, zz, xy, yz, zx = m
    return (
        xx * xx + xy * xy + zx * zx,
        xy * xy + yy * yy + yz * yz,
        zx * zx + yz * yz + zz * zz,
        xx * xy + xy * yy + zx * yz,
        xy * zx + yy * yz + yz * zz,
        zx * xx + yz * xy + zz * zx,
    )


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
    u : (3, nodes) array
        Displacements, m.
    hexes : (blocks, rows, WIDTH) int array
        Nodes of the elements.
    constant : (blocks, rows, WIDTH) array
        Constants of the elements, see the rows of this module.
    """
    bound, none = spread(0.0), spread(0.0)
    for e in range(hexes.shape[0]):
        x0, x1, x2, _, _, _, _ = _mean_and_patterns(u, 0, hexes, constant, e)
        y0, y1, y2, _, _, _, _ = _mean_and_patterns(u, 1, hexes, constant, e)
        z0, z1, z2, _, _, _, _ = _mean_and_patterns(u, 2, hexes, constant, e)
        x0, y1, z2 = 1.0 + x0, 1.0 + y1, 1.0 + z2
        # Cofactors of F: cof(F) B is the deformed gradient times the volume ratio.
        f = (
            (y1 * z2 - y2 * z1, y2 * z0 - y0 * z2, y0 * z1 - y1 * z0),
            (z1 * x2 - z2 * x1, z2 * x0 - z0 * x2, z0 * x1 - z1 * x0),
            (x1 * y2 - x2 * y1, x2 * y0 - x0 * y2, x0 * y1 - x1 * y0),
        )
        m = (none, none, none, none, none, none)
        along = 0.5 * load(constant, e, FREQUENCY)
        across = along * load(constant, e, RELIEF)
        for corner in range(4):
            b, t = 3 * corner, 3 * corner + 12
            low0, high0 = load(constant, e, b), load(constant, e, t)
            low1, high1 = load(constant, e, b + 1), load(constant, e, t + 1)
            low2, high2 = load(constant, e, b + 2), load(constant, e, t + 2)
            m = _add_square(m, _times(f, high0 + low0, high1 + low1, high2 + low2), along)
            m = _add_square(m, _times(f, high0 - low0, high1 - low1, high2 - low2), across)
        m = _symmetric_square(_symmetric_square(m))
        bound = maximum(bound, _product_trace(m, m))
    return float(float(highest(bound)) ** 0.125)
