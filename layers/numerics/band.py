"""Symmetric banded systems: factorisation and solution, compiled.

Rows of the band are stored so that equal columns of all rows are equally far from a multiple of 64
bytes: every row is worked on eight columns at a time, from the multiple of eight at or before its
own diagonal to the one behind its profile. What that touches outside a row's profile is zero, or
room at the end of the row before that is never read.
"""

from typing import Any

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.numerics.axisymmetric import FASTMATH
from layers.numerics.lanes import load, store
from layers.numerics.machine_code import njit
from layers.numerics.vectors import aligned

_WIDTH = 8  # doubles side by side
# Columns that a block of four pivots and the vectors' ends may take beyond a row's profile.
_BEYOND = 4 + 2 * _WIDTH


def band_for(last: IntArray) -> FloatArray:
    """Return room for a matrix of the profile, (unknowns, width), all zero.

    Parameters
    ----------
    last : (unknowns,) array
        Last coupled unknown of each, never falling.
    """
    most = int((last - np.arange(len(last))).max()) + 1 + _BEYOND
    return aligned((len(last), -(-most // _WIDTH) * _WIDTH + 1), np.float64)


@njit(cache=True, fastmath=FASTMATH)
def factor(band: FloatArray, last: IntArray) -> bool:
    """Factor the stiffness in place, K = L D L^T; False if a pivot vanishes.

    Parameters
    ----------
    band : (unknowns, width) array
        From `band_for`; band[i, d] is the entry (i + d, i); at the end D in the first column and L
        in the others. The unknowns are a multiple of four.
    last : (unknowns,) array
        Last coupled unknown of each, never falling.
    """
    across = (band.shape[1] - 1) // _WIDTH  # vectors from a row to the same column of the next
    blocks = band.size // _WIDTH
    rows = band.reshape(-1)[: blocks * _WIDTH].reshape(blocks, 1, _WIDTH)
    for k in range(0, band.shape[0], 4):
        end = last[k + 3] // _WIDTH + 1
        for q in range(4):
            for p in range(q):
                x = band[k + p, q - p] / band[k + p, 0]
                own, other = (k + q) * across, (k + p) * across
                for c in range(k // _WIDTH, end):
                    changed = load(rows, own + c, 0) - x * load(rows, other + c, 0)
                    store(rows, own + c, 0, changed)
            if not abs(band[k + q, 0]) > 1e-300:
                return False
        _eliminate_four(band, rows, k, last[k + 3] + 1)
        for q in range(4):
            pivot, own = band[k + q, 0], (k + q) * across
            for c in range(k // _WIDTH, end):
                store(rows, own + c, 0, load(rows, own + c, 0) * (1.0 / pivot))
            band[k + q, 0] = pivot
    return True


@njit(cache=True, fastmath=FASTMATH)
def _eliminate_four(band: Any, rows: Any, k: int, stop: int) -> None:
    """Take unknowns k to k + 3 out of the rest, four rows at a time: this spares memory traffic."""
    across, end = (band.shape[1] - 1) // _WIDTH, (stop - 1) // _WIDTH + 1
    p0, p1 = 1.0 / band[k, 0], 1.0 / band[k + 1, 0]
    p2, p3 = 1.0 / band[k + 2, 0], 1.0 / band[k + 3, 0]
    first = k * across
    for i in range(k + 4, stop, 4):
        o = i - k
        a0, b0, c0, d0 = (
            p0 * band[k, o],
            p1 * band[k + 1, o - 1],
            p2 * band[k + 2, o - 2],
            p3 * band[k + 3, o - 3],
        )
        a1, b1, c1, d1 = (
            p0 * band[k, o + 1],
            p1 * band[k + 1, o],
            p2 * band[k + 2, o - 1],
            p3 * band[k + 3, o - 2],
        )
        a2, b2, c2, d2 = (
            p0 * band[k, o + 2],
            p1 * band[k + 1, o + 1],
            p2 * band[k + 2, o],
            p3 * band[k + 3, o - 1],
        )
        a3, b3, c3, d3 = (
            p0 * band[k, o + 3],
            p1 * band[k + 1, o + 2],
            p2 * band[k + 2, o + 1],
            p3 * band[k + 3, o],
        )
        own = i * across
        for c in range(i // _WIDTH, end):
            z0, z1 = load(rows, first + c, 0), load(rows, first + across + c, 0)
            z2 = load(rows, first + 2 * across + c, 0)
            z3 = load(rows, first + 3 * across + c, 0)
            at = own + c
            y0 = load(rows, at, 0) - (a0 * z0 + b0 * z1 + c0 * z2 + d0 * z3)
            y1 = load(rows, at + across, 0) - (a1 * z0 + b1 * z1 + c1 * z2 + d1 * z3)
            y2 = load(rows, at + 2 * across, 0) - (a2 * z0 + b2 * z1 + c2 * z2 + d2 * z3)
            y3 = load(rows, at + 3 * across, 0) - (a3 * z0 + b3 * z1 + c3 * z2 + d3 * z3)
            store(rows, at, 0, y0)
            store(rows, at + across, 0, y1)
            store(rows, at + 2 * across, 0, y2)
            store(rows, at + 3 * across, 0, y3)


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
