"""Symmetric tensors of 3 x 3 on lanes: entries in the order xx, yy, zz, xy, yz, zx."""

from typing import Any

from layers.numerics.machine_code import njit


@njit(fastmath=True, forceinline=True)
def inverse_cube_root(x: Any, double: bool) -> Any:
    """Return x^(-1/3) for x near 1, by Newton's steps from a series.

    Parameters
    ----------
    x : lanes
        0.7 to 1.4.
    double : bool
        Whether to within 1e-13, else 1e-9.
    """
    d = x - 1.0
    z = 1.0 - d * (1.0 / 3.0) + d * d * (2.0 / 9.0) - d * d * d * (14.0 / 81.0)
    z = z * (4.0 - x * z * z * z) * (1.0 / 3.0)
    z = z * (4.0 - x * z * z * z) * (1.0 / 3.0)
    return z * (4.0 - x * z * z * z) * (1.0 / 3.0) if double else z


@njit(fastmath=True, forceinline=True)
def symmetric_cofactors(a: Any) -> Any:
    """Return the cofactors of a tensor."""
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
def product_trace(a: Any, b: Any) -> Any:
    """Return tr(a b).

    Parameters
    ----------
    a, b : 6 lanes
    """
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + 2.0 * (a[3] * b[3] + a[4] * b[4] + a[5] * b[5])


@njit(fastmath=True, forceinline=True)
def _row(m: Any, x: Any, y: Any, z: Any) -> Any:
    """Return a row (x, y, z) times m."""
    return (
        x * m[0] + y * m[3] + z * m[5],
        x * m[3] + y * m[1] + z * m[4],
        x * m[5] + y * m[4] + z * m[2],
    )


@njit(fastmath=True, forceinline=True)
def pair_trace(a: Any, d: Any, b: Any) -> Any:
    """Return tr(a d b d).

    Parameters
    ----------
    a, d, b : 6 lanes
    """
    p, q, r = _row(d, a[0], a[3], a[5]), _row(d, a[3], a[1], a[4]), _row(d, a[5], a[4], a[2])
    s, t, u = _row(d, b[0], b[3], b[5]), _row(d, b[3], b[1], b[4]), _row(d, b[5], b[4], b[2])
    return (
        p[0] * s[0]
        + p[1] * t[0]
        + p[2] * u[0]
        + q[0] * s[1]
        + q[1] * t[1]
        + q[2] * u[1]
        + r[0] * s[2]
        + r[1] * t[2]
        + r[2] * u[2]
    )


@njit(fastmath=True, forceinline=True)
def symmetric_square(m: Any) -> Any:
    """Return m m."""
    xx, yy, zz, xy, yz, zx = m
    return (
        xx * xx + xy * xy + zx * zx,
        xy * xy + yy * yy + yz * yz,
        zx * zx + yz * yz + zz * zz,
        xx * xy + xy * yy + zx * yz,
        xy * zx + yy * yz + yz * zz,
        zx * xx + yz * xy + zz * zx,
    )


@njit(fastmath=True, forceinline=True)
def times(f: Any, b0: Any, b1: Any, b2: Any) -> Any:
    """Return f b, a vector.

    Parameters
    ----------
    f : 3 times 3 lanes
        A tensor's rows.
    b0, b1, b2 : lanes
        A vector.
    """
    return (
        f[0][0] * b0 + f[0][1] * b1 + f[0][2] * b2,
        f[1][0] * b0 + f[1][1] * b1 + f[1][2] * b2,
        f[2][0] * b0 + f[2][1] * b1 + f[2][2] * b2,
    )


@njit(fastmath=True, forceinline=True)
def add_square(m: Any, v: Any, weight: Any) -> Any:
    """Return m + weight v v^T.

    Parameters
    ----------
    m : 6 lanes
    v : 3 lanes
    weight : lanes
    """
    x, y, z = weight * v[0], weight * v[1], weight * v[2]
    return (
        m[0] + x * v[0],
        m[1] + y * v[1],
        m[2] + z * v[2],
        m[3] + x * v[1],
        m[4] + y * v[2],
        m[5] + z * v[0],
    )
