"""Sticking contact of an elastic sphere: what the whole sphere yields beside a small contact.

Static finite elements give the compliance under a Hertz-shaped pressure and under a shear of the
same shape, the sphere held by its own inertia. What exceeds that of a half-space, times G R, goes
in series with the contact of Maw, Barber and Fawcett; the dynamic solver is compared with both.
"""

import math
from typing import Literal

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import cg

from layers.arrays import FloatArray
from layers.numerics.cubed_sphere import half_sphere
from layers.numerics.hexes import PATTERNS, hex_geometry
from layers.strike.masses import unit_of
from layers.strike.settings import Settings, counts_of
from tests.helpers.maw import maw_rebound
from tests.layers.strike.test_strike import small_contact, thrown

HOURGLASS = 0.8
ANGLE = 0.1  # rad


def stiffness(
    points: FloatArray, hexes: np.ndarray, poisson: float
) -> tuple[sp.csr_matrix, FloatArray]:
    """Stiffness for unit shear modulus, elements and hourglass as in the impact; lumped volume."""
    gradient, volume, metric, position = hex_geometry(points, hexes)
    count, nodes = len(volume), points.shape[1]
    slope = gradient.reshape(8, 3, count).transpose(2, 0, 1)
    outer = np.einsum("eai,ebj->eaibj", slope, slope)
    k = 2.0 * poisson / (1.0 - 2.0 * poisson) * outer + outer.transpose(0, 1, 4, 3, 2)
    k += np.einsum("eak,ebk,ij->eaibj", slope, slope, np.eye(3))
    k *= volume[:, None, None, None, None]
    shape = PATTERNS[:, None, :] - np.einsum("pje,eaj->pea", position.reshape(4, 3, count), slope)
    rigid = np.stack([*(metric[i] + metric[j] for i, j in ((0, 1), (1, 2), (2, 0))), metric.sum(0)])
    rigid *= HOURGLASS * volume / 64.0 / np.array([3.0, 3.0, 3.0, 9.0])[:, None]
    k += np.einsum("pe,pea,peb,ij->eaibj", rigid, shape, shape, np.eye(3))
    index = (3 * hexes.T[:, :, None] + np.arange(3)).reshape(count, 24)
    rows, columns = np.repeat(index, 24, axis=1).ravel(), np.tile(index, (1, 24)).ravel()
    matrix = sp.coo_matrix((k.ravel(), (rows, columns)), shape=(3 * nodes, 3 * nodes))
    lumped = np.bincount(hexes.ravel(), np.tile(volume / 8.0, 8), minlength=nodes)
    return matrix.tocsr(), lumped


def excess(poisson: float, ratio: float, mesh: Settings, way: Literal["normal", "along"]) -> float:
    """Compliance beyond a half-space's under this traction, times G R; R = G = 1."""
    ball = half_sphere(np.array([1.0]), counts_of(1, mesh))
    x, nodes = ball.points, ball.points.shape[1]
    matrix, lumped = stiffness(x, ball.hexes, poisson)
    surface = unit_of(counts_of(1, mesh), 6).surface
    at = np.einsum("pa,iaf->ipf", surface.shape, x[:, ball.surface[ball.faces]])
    inside = 1.0 - (at[1] ** 2 + at[2] ** 2) / ratio**2
    traction = np.sqrt(np.maximum(inside, 0.0)) * (at[0] < 0.0) * surface.weight
    traction /= traction.sum()
    pull = np.zeros(nodes)
    for corner in range(4):
        share = (traction * surface.shape[:, corner, None]).sum(axis=0)
        pull += np.bincount(ball.surface[ball.faces[corner]], share, minlength=nodes)
    force = np.zeros((nodes, 3))
    axis = 0 if way == "normal" else 2
    force[:, axis] = pull - lumped / lumped.sum()
    inertia = float((lumped * (x[0] ** 2 + x[2] ** 2)).sum())
    if way == "along":
        turn = float(pull @ x[0]) / inertia
        force[:, 2] -= lumped * turn * x[0]
        force[:, 0] += lumped * turn * x[2]
    held = np.zeros((nodes, 3), dtype=bool)
    held[ball.plane, 1] = True
    held[np.argmin((x**2).sum(axis=0))] = True
    top = ball.plane[np.argmin(np.abs(x[2, ball.plane] - 1.0) + np.abs(x[0, ball.plane]))]
    held[top, 0] = True
    free = np.flatnonzero(~held.ravel())
    inner = matrix[free][:, free]
    u = np.zeros(3 * nodes)
    u[free], failed = cg(inner, force.ravel()[free], rtol=1e-7, M=sp.diags(1.0 / inner.diagonal()))
    assert not failed
    u = u.reshape(nodes, 3)
    mean = lumped @ u / lumped.sum()
    turned = float((lumped * (x[0] * (u[:, 2] - mean[2]) - x[2] * (u[:, 0] - mean[0]))).sum())
    swing = turned / inertia * (x[0] if way == "along" else -x[2])
    moved = 0.5 * float(pull @ (u[:, axis] - mean[axis] - swing))  # the half carries half
    # Work of a Hertz-shaped traction on itself over a half-space (Johnson 1985, ch. 3 and 7).
    half_space = 0.3 * (1.0 - poisson) if way == "normal" else 0.15 * (2.0 - poisson)
    return moved - half_space / ratio


def main() -> None:
    print("nu    a/R   excess normal, along   tangential ratio: solver  theory  with excess")
    for poisson in (0.3, 0.4, 0.45):
        vanishing = maw_rebound(poisson, 50.0, math.tan(ANGLE)).tangential_ratio
        for ratio in (0.1, 0.15, 0.25):
            mesh = small_contact(ratio)
            normal = excess(poisson, ratio, mesh, "normal")
            along = excess(poisson, ratio, mesh, "along")
            out, _ = thrown(poisson, ratio, 50.0, ANGLE)
            series = maw_rebound(
                poisson, 50.0, math.tan(ANGLE), whole=(normal * ratio, along * ratio)
            )
            print(
                f"{poisson:.2f}  {ratio:.2f}  {normal:+.3f} {along:+.3f}   "
                f"{out.tangential_ratio:+.3f}  {vanishing:+.3f}  {series.tangential_ratio:+.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
