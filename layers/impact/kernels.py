"""Compiled kernels of the axisymmetric impact: stresses of blocks of elements, and the time loop.

Elements lie side by side (`layers.numerics.lanes`) in tiles, (rows, width) each; each quantity is a
row. Elements are computed in the precision of their arrays; nodes are moved in double precision.
"""

import math
from typing import Any

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.numerics.lanes import highest, load, maximum, nought, store
from layers.numerics.machine_code import njit
from layers.numerics.nodes import add_at, gather
from layers.numerics.tensors import inverse_cube_root
from layers.numerics.vectors import NODE

# Rows of a tile.
BR, BZ, BT = 0, 4, 8  # volume-mean gradients d/dr, d/dz and 1/r of the corners' shape functions
GAMMA = 12  # hourglass shape of the corners
VOLUME, SHEAR, BULK, HOURGLASS = 16, 17, 18, 19
STIFF = 20  # volume times wave modulus over each corner's share of mass, 1/s2 m2
DEF = 24  # deformation gradient rr, rz, zr, zz, tt
CBAR_INV = 29  # inverse of the isochoric right Cauchy-Green tensor rr, rz, zz, tt
DISSIPATED = 33  # viscous dissipation per unit volume
HG = 34  # amplitude of the hourglass shape in r, z
BRANCH = 36  # per relaxation pair: see the offsets below
TENSOR, HG_STRAIN, MODULUS, RATE, GAIN = 0, 4, 6, 7, 8  # GAIN is the share that a step gains
BRANCH_ROWS = 9
MOST_BRANCHES = 4
ROWS = BRANCH + MOST_BRANCHES * BRANCH_ROWS

CHECK_EVERY = 10
SHORTEST = 0.02  # of the first time step: below, an element is about to turn inside out
_FLAGS = {"contract", "reassoc", "arcp", "nsz"}


@njit(fastmath=_FLAGS, forceinline=True)
def _deformation(u: Any, corner: Any, w: Any, t: int) -> Any:
    """Deformation gradient rr, rz, zr, zz, tt and hourglass amplitudes r, z of a tile."""
    none = nought(w)
    frr = frz = fzr = fzz = ftt = hr = hz = none
    for k in range(4):
        r, z, _ = gather(u, corner, t, k)
        br, bz, gamma = load(w, t, BR + k), load(w, t, BZ + k), load(w, t, GAMMA + k)
        frr, frz, fzr, fzz = frr + br * r, frz + bz * r, fzr + br * z, fzz + bz * z
        ftt = ftt + load(w, t, BT + k) * r
        hr, hz = hr + gamma * r, hz + gamma * z
    return (1.0 + frr, frz, fzr, 1.0 + fzz, 1.0 + ftt), hr, hz


@njit(fastmath=_FLAGS, forceinline=True)
def _relax(w: Any, t: int, a: int, dt: float, inverse: Any, mean: Any, step: Any) -> Any:
    """Advance one branch of a tile: dA/dt = (Cbar^-1 - A)/tau, to second order in dt.

    The hourglass shapes relax like the material: were they elastic, what they take up of the
    deformation would dissipate nothing, and a coarse mesh would rebound too fast. Gives stress-like
    tensor and hourglass amplitudes, and adds to the dissipation.
    """
    gain, modulus = load(w, t, a + GAIN), load(w, t, a + MODULUS)
    rr, rz, zz, tt = load(w, t, a), load(w, t, a + 1), load(w, t, a + 2), load(w, t, a + 3)
    rr, rz = rr + gain * (mean[0] - rr), rz + gain * (mean[1] - rz)
    zz, tt = zz + gain * (mean[2] - zz), tt + gain * (mean[3] - tt)
    store(w, t, a, rr)
    store(w, t, a + 1, rz)
    store(w, t, a + 2, zz)
    store(w, t, a + 3, tt)
    hr, hz = load(w, t, a + HG_STRAIN), load(w, t, a + HG_STRAIN + 1)
    taken = 1.0 - 0.5 * gain
    hr, hz = hr - gain * hr + taken * step[0], hz - gain * hz + taken * step[1]
    store(w, t, a + HG_STRAIN, hr)
    store(w, t, a + HG_STRAIN + 1, hz)
    # tr(Cbar A) + tr(Cbar^-1 A^-1) - 6 = tr(A^-1 D Cbar D), D = Cbar^-1 - A, loses no digits.
    irr, irz, izz, itt = inverse
    drr, drz, dzz, dtt = irr - rr, irz - rz, izz - zz, itt - tt
    mrr, mrz = zz * drr - rz * drz, zz * drz - rz * dzz
    mzr, mzz = rr * drz - rz * drr, rr * dzz - rz * drz
    # Cbar has unit determinant, so it is the cofactor of its inverse.
    crr, crz = izz * drr - irz * drz, izz * drz - irz * dzz
    czr, czz = irr * drz - irz * drr, irr * dzz - irz * drz
    plane = itt * (mrr * crr + mrz * czr + mzr * crz + mzz * czz) / (rr * zz - rz * rz)
    hoop = (irr * izz - irz * irz) * dtt * dtt / tt
    excess = 0.5 * (plane + hoop) + load(w, t, HOURGLASS) * (hr * hr + hz * hz)
    lost = load(w, t, DISSIPATED) + dt * modulus * load(w, t, a + RATE) * excess
    store(w, t, DISSIPATED, lost)
    return (modulus * rr, modulus * rz, modulus * zz, modulus * tt), modulus * hr, modulus * hz


@njit(fastmath=_FLAGS, forceinline=True)
def _pull(
    w: Any, t: int, f: Any, network: Any, y: Any, hr: Any, hz: Any, corner: Any, force: Any
) -> None:
    """Add the forces that the stresses of a tile exert on its corners."""
    frr, frz, fzr, fzz, ftt = f
    nrr, nrz, nzz, ntt = network
    det = frr * fzz - frz * fzr
    jacobian = det * ftt
    s = y * y
    trace = s * (
        (frr * frr + fzr * fzr) * nrr
        + (frz * frz + fzz * fzz) * nzz
        + 2.0 * (frr * frz + fzr * fzz) * nrz
        + ftt * ftt * ntt
    )
    q = trace * (1.0 / 3.0) - load(w, t, BULK) * (jacobian - 1.0) * jacobian
    v, none = load(w, t, VOLUME), nought(w)
    qd, vs = v * q / det, v * s
    prr = qd * fzz - vs * (frr * nrr + frz * nrz)
    prz = none - vs * (frr * nrz + frz * nzz) - qd * fzr
    pzr = none - vs * (fzr * nrr + fzz * nrz) - qd * frz
    pzz = qd * frr - vs * (fzr * nrz + fzz * nzz)
    ptt = v * q / ftt - vs * ftt * ntt
    hourglass = none - v * load(w, t, HOURGLASS)
    hr, hz = hourglass * hr, hourglass * hz
    for k in range(4):
        br, bz, gamma = load(w, t, BR + k), load(w, t, BZ + k), load(w, t, GAMMA + k)
        along = prr * br + prz * bz + ptt * load(w, t, BT + k) + hr * gamma
        add_at(force, corner, t, k, along, pzr * br + pzz * bz + hz * gamma, none)


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _element_forces(w: Any, corner: Any, u: Any, branches: int, dt: float, force: Any) -> None:
    """Bring every tile to the displacements u, a time dt after the last; sum the nodes' forces."""
    force[:] = 0.0
    for t in range(corner.shape[0]):
        f, hr, hz = _deformation(u, corner, w, t)
        frr, frz, fzr, fzz, ftt = f
        store(w, t, DEF, frr)
        store(w, t, DEF + 1, frz)
        store(w, t, DEF + 2, fzr)
        store(w, t, DEF + 3, fzz)
        store(w, t, DEF + 4, ftt)
        det = frr * fzz - frz * fzr
        y = inverse_cube_root(det * ftt, True)
        scale = 1.0 / (y * y * det * det)
        inverse = (
            scale * (frz * frz + fzz * fzz),
            -1.0 * scale * (frr * frz + fzr * fzz),
            scale * (frr * frr + fzr * fzr),
            1.0 / (y * y * ftt * ftt),
        )
        c = CBAR_INV
        mean = (
            0.5 * (load(w, t, c) + inverse[0]),
            0.5 * (load(w, t, c + 1) + inverse[1]),
            0.5 * (load(w, t, c + 2) + inverse[2]),
            0.5 * (load(w, t, c + 3) + inverse[3]),
        )
        store(w, t, c, inverse[0])
        store(w, t, c + 1, inverse[1])
        store(w, t, c + 2, inverse[2])
        store(w, t, c + 3, inverse[3])
        step = (hr - load(w, t, HG), hz - load(w, t, HG + 1))
        store(w, t, HG, hr)
        store(w, t, HG + 1, hz)
        shear = load(w, t, SHEAR)
        nrr, nrz, nzz, ntt = shear, nought(w), shear, shear
        hr, hz = shear * hr, shear * hz
        for j in range(branches):
            at = BRANCH + j * BRANCH_ROWS
            tensor, r, z = _relax(w, t, at, dt, inverse, mean, step)
            nrr, nrz = nrr + tensor[0], nrz + tensor[1]
            nzz, ntt = nzz + tensor[2], ntt + tensor[3]
            hr, hz = hr + r, hz + z
        _pull(w, t, f, (nrr, nrz, nzz, ntt), y, hr, hz, corner, force)


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _highest_frequency(w: Any) -> float:
    """Bound of the squared angular frequency: the largest over single deformed elements.

    It is infinite when an element has turned inside out.
    """
    most = nought(w)
    for t in range(w.shape[0]):
        for i in range(w.shape[2]):
            if not w[t, DEF, i] * w[t, DEF + 3, i] - w[t, DEF + 1, i] * w[t, DEF + 2, i] > 0.0:
                return np.inf
        frr, frz = load(w, t, DEF), load(w, t, DEF + 1)
        fzr, fzz, ftt = load(w, t, DEF + 2), load(w, t, DEF + 3), load(w, t, DEF + 4)
        det, total = frr * fzz - frz * fzr, nought(w)
        for k in range(4):
            br, bz = load(w, t, BR + k), load(w, t, BZ + k)
            cr = (fzz * br - fzr * bz) / det + load(w, t, BT + k) / ftt
            cz = (frr * bz - frz * br) / det
            total = total + load(w, t, STIFF + k) * (cr * cr + cz * cz)
        most = maximum(most, total)
    return float(highest(most))


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _set_gain(w: Any, branches: int, dt: float) -> None:
    """Store what share each branch gains of what its internal tensor follows, over a step of dt."""
    for t in range(w.shape[0]):
        for j in range(branches):
            b = BRANCH + j * BRANCH_ROWS
            for i in range(w.shape[2]):
                w[t, b + GAIN, i] = -math.expm1(-dt * w[t, b + RATE, i])


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _displace(x: Any, start: Any, u: Any) -> None:
    """Displacements of the nodes, but for a motion of all along z."""
    last = x.shape[1] - 1
    shift = x[1, last] - start[1, last]
    for n in range(x.shape[1]):
        u[n, 0], u[n, 1] = x[0, n] - start[0, n], x[1, n] - start[1, n] - shift


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _stop_at_wall(
    x: FloatArray,
    v: FloatArray,
    force: Any,
    inverse_mass: FloatArray,
    surface: IntArray,
    mid: float,
    dt: float,
) -> tuple[float, float]:
    """Hold the surface nodes out of z < 0 at the end of the step; return the wall's force and work.

    A node that would end below the wall gets the push that lets it end on it, and is never held.
    """
    total = work = 0.0
    for m in range(surface.shape[0]):
        n = surface[m]
        end = x[1, n] + dt * v[1, n]
        if end < 0.0:
            push = -end / (dt * mid * inverse_mass[1, n])
            old = v[1, n] - mid * force[n, 1] * inverse_mass[1, n]
            v[1, n] -= end / dt
            total += push
            work += mid * push * 0.5 * (old + v[1, n])
    return total, work


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _moves_away(v: FloatArray, inverse_mass: FloatArray) -> bool:
    momentum = 0.0
    for n in range(v.shape[1]):
        momentum += v[1, n] / inverse_mass[1, n]
    return momentum > 0.0


@njit(fastmath=_FLAGS, error_model="numpy")
def _impact(
    w: Any,
    corner: IntArray,
    start: FloatArray,
    x: FloatArray,
    v: FloatArray,
    inverse_mass: FloatArray,
    surface: IntArray,
    branches: int,
    safety: float,
    history: FloatArray,
) -> tuple[int, bool, float]:
    """Run an impact by central differences until the ball has left the rigid wall z = 0.

    Parameters
    ----------
    w : (tiles, ROWS, width) array
        Element tiles; changed in place. Elements are computed in its precision.
    corner : (tiles, 4, width) int array
        Node of each corner.
    start : (2, nodes) array
        Positions of the nodes without load.
    x, v : (2, nodes) arrays
        Positions (r, z) and velocities; changed in place to those after the impact.
    inverse_mass : (2, nodes) array
        1/mass; zero where a component is held.
    surface : (k,) int array
        Nodes that may touch the wall.
    branches : int
        Relaxation pairs in use.
    safety : float
        Time step over the bound of the stable one.
    history : (2, most steps) array
        Filled with the time and the wall's impulse up to it, after each step.

    Returns
    -------
    steps : int
    left : bool
        False when the steps ran out or an element turned inside out.
    work : float
        Done on the ball by the wall, negative: what stopping the surface nodes dissipates.
    """
    nodes = x.shape[1]
    u, force = np.zeros((nodes, NODE), w.dtype), np.zeros((nodes, NODE), w.dtype)
    first = dt = time = last_touch = impulse = work = 0.0
    left = False
    steps = 0
    while steps < history.shape[1]:
        _displace(x, start, u)
        _element_forces(w, corner, u, branches, dt, force)
        before = dt
        if steps % CHECK_EVERY == 0:
            bound = _highest_frequency(w)
            if not bound < 1e30:
                break
            dt = 2.0 * safety / math.sqrt(bound)
            first = max(first, dt)
            if dt < SHORTEST * first:
                break
            _set_gain(w, branches, dt)
        mid = 0.5 * (before + dt)
        for c in range(2):
            for n in range(nodes):
                v[c, n] += mid * force[n, c] * inverse_mass[c, n]
        push, done = _stop_at_wall(x, v, force, inverse_mass, surface, mid, dt)
        for c in range(2):
            for n in range(nodes):
                x[c, n] += dt * v[c, n]
        time += dt
        impulse += mid * push
        work += done
        history[0, steps] = time
        history[1, steps] = impulse
        steps += 1
        if push > 0.0:
            last_touch = time
        elif time > 1.05 * last_touch and _moves_away(v, inverse_mass):
            left = True
            break
    # The velocities stand half a step back: bring them level with the positions.
    _displace(x, start, u)
    _element_forces(w, corner, u, branches, dt, force)
    for c in range(2):
        for n in range(nodes):
            v[c, n] += 0.5 * dt * force[n, c] * inverse_mass[c, n]
    return steps, left, work


@njit(cache=True)
def impact_single(*arguments: Any) -> tuple[int, bool, float]:
    """Run an impact with elements in single precision; see `_impact`."""
    return _impact(*arguments)


@njit(cache=True)
def impact_double(*arguments: Any) -> tuple[int, bool, float]:
    """Run an impact with elements in double precision; see `_impact`."""
    return _impact(*arguments)
