"""Energy that the elements of the oblique impact store."""

import math
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.numerics.hexes import PATTERNS
from layers.numerics.machine_code import njit
from layers.strike.kernels import (
    BRANCH_ROWS,
    BULK,
    HOURGLASS,
    POSITION_PATTERN,
    SHEAR,
    STRENGTH,
)
from layers.strike.model import Model


@njit(cache=True)
def _determinant(a: Any) -> float:
    """Of a symmetric tensor xx, yy, zz, xy, yz, zx."""
    xx, yy, zz, xy, yz, zx = a[0], a[1], a[2], a[3], a[4], a[5]
    return float(xx * (yy * zz - yz * yz) + xy * (yz * zx - xy * zz) + zx * (xy * yz - zx * yy))


@njit(cache=True)
def _deformation(
    u: Any, hexes: Any, constant: Any, block: int, lane: int, slope: Any, pattern: Any
) -> None:
    """Write an element's displacement gradient and what its hourglass patterns show."""
    slope[:], pattern[:] = 0.0, 0.0
    for a in range(8):
        n = hexes[block, a, lane]
        for j in range(3):
            b = constant[block, 3 * a + j, lane]
            for i in range(3):
                slope[i, j] += u[n, i] * b
        for p in range(4):
            for i in range(3):
                pattern[p, i] += PATTERNS[p, a] * u[n, i]
    for p in range(4):
        for j in range(3):
            x = constant[block, POSITION_PATTERN + 3 * p + j, lane]
            for i in range(3):
                pattern[p, i] -= slope[i, j] * x


@njit(cache=True)
def _stored(
    u: Any, hexes: Any, constant: Any, branch: Any, state: Any, density: Any, hourglass: Any
) -> None:
    slope, pattern, right, inner = np.zeros((3, 3)), np.zeros((4, 3)), np.zeros(6), np.zeros(6)
    for e in range(density.shape[0]):
        block, lane = e // hexes.shape[2], e % hexes.shape[2]
        _deformation(u, hexes, constant, block, lane, slope, pattern)
        hourglass[e] = 0.0
        for p in range(4):
            size = pattern[p, 0] ** 2 + pattern[p, 1] ** 2 + pattern[p, 2] ** 2
            hourglass[e] += constant[block, HOURGLASS + p, lane] * size
        for i in range(3):
            slope[i, i] += 1.0
        for k in range(6):
            a, b = k % 3, (k + k // 3) % 3
            right[k] = slope[0, a] * slope[0, b] + slope[1, a] * slope[1, b]
            right[k] += slope[2, a] * slope[2, b]
        j = math.sqrt(_determinant(right))
        scale = j ** (-2.0 / 3.0)
        trace = scale * (right[0] + right[1] + right[2]) - 3.0
        found = constant[block, SHEAR, lane] * trace
        found += constant[block, BULK, lane] * (j - 1.0) ** 2
        for pair in range(branch.shape[1] // BRANCH_ROWS):
            for k in range(6):
                inner[k] = state[block, 1 + 6 * pair + k, lane]
            trace = right[0] * inner[0] + right[1] * inner[1] + right[2] * inner[2]
            trace += 2.0 * (right[3] * inner[3] + right[4] * inner[4] + right[5] * inner[5])
            trace = scale * trace - math.log(_determinant(inner)) - 3.0
            found += branch[block, BRANCH_ROWS * pair + STRENGTH, lane] * trace
        density[e] = 0.5 * found


def stored(model: Model, u: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Strain energy of each element, (m,) J/m3, and its hourglass energy, (m,) J.

    The latter of the element and its mirror image together.

    Parameters
    ----------
    model : Model
    u : (3, n) array
        Displacements, m.
    state : array
        Internal variables of the elements.
    """
    real = model.mesh.hexes.shape[1]
    density, hourglass = np.empty(real), np.empty(real)
    nodes = np.ascontiguousarray(u.T)
    _stored(nodes, model.hexes, model.constant, model.branch, state, density, hourglass)
    return density, hourglass
