"""Symmetric banded systems: factorisation and solution, compiled."""

from layers.arrays import FloatArray, IntArray
from layers.numerics.axisymmetric import FASTMATH
from layers.numerics.machine_code import njit


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
    """Solve K x = b in place for two right-hand sides, x (2, unknowns), after `factor`.

    Parameters
    ----------
    band : (unknowns, width) array
        Factors, from `factor`.
    last : (unknowns,) array
        Last unknown that each is coupled to, see `layers.numerics.layout.Layout`.
    x : (2, unknowns) array
        Right-hand sides, replaced by the solutions.
    """
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
