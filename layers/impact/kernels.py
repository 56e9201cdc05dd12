"""Compiled kernels of the axisymmetric impact: stresses of a tile of elements, and the time loop.

Elements are stored in tiles of `LANES`; each quantity of a tile is one row of `LANES` numbers, all
in one flat array. Every address inside a tile is then a compile-time distance from every other, so
that the compiler proves the loops over lanes free of aliasing and turns them into vector code.
"""

import math

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.numerics.machine_code import njit

LANES = 16

# Rows of a tile. X holds the corners' positions on entry to `_stress` and their forces on return.
X = 0  # r of the four corners, then z
BR, BZ, BT = 8, 12, 16  # volume-mean gradients d/dr, d/dz and 1/r of the corners' shape functions
GAMMA = 20  # hourglass shape of the corners
VOLUME, SHEAR, BULK, HOURGLASS = 24, 25, 26, 27
STIFF = 28  # volume times wave modulus over each corner's share of mass, 1/s2 m2
DEF = 32  # deformation gradient rr, rz, zr, zz, tt
CBAR_INV = 37  # inverse of the isochoric right Cauchy-Green tensor rr, rz, zz, tt
NETWORK = 41  # modulus-weighted internal tensors rr, rz, zz, tt, equilibrium part included
CBAR_MEAN = 45  # mean of CBAR_INV over the last step
JINV = 49  # J^(-1/3)
DISSIPATED = 50  # viscous dissipation per unit volume
HG = 51  # amplitude of the hourglass shape in r, z
HG_STEP = 53  # its change over the last step
HG_STRESS = 55  # modulus-weighted amplitude, equilibrium part included
BRANCH = 57  # per relaxation pair: see the offsets below
TENSOR, HG_STRAIN, MODULUS, RATE, MEMORY = 0, 4, 6, 7, 8  # MEMORY is what a step keeps
BRANCH_ROWS = 9
MOST_BRANCHES = 4
ROWS = BRANCH + MOST_BRANCHES * BRANCH_ROWS
TILE = ROWS * LANES

CHECK_EVERY = 10
SHORTEST = 0.02  # of the first time step: below, an element is about to turn inside out
_FLAGS = {"contract", "reassoc", "arcp", "nsz"}


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _deform(t: FloatArray) -> None:
    """Deformation gradient and isochoric inverse Cauchy-Green tensor of the tile at offset o."""
    for i in range(LANES):
        frr = frz = fzr = fzz = ftt = 0.0
        hr = hz = 0.0
        for k in range(4):
            r = t[(X + k) * LANES + i]
            z = t[(X + 4 + k) * LANES + i]
            hr += t[(GAMMA + k) * LANES + i] * r
            hz += t[(GAMMA + k) * LANES + i] * z
            br = t[(BR + k) * LANES + i]
            bz = t[(BZ + k) * LANES + i]
            frr += br * r
            frz += bz * r
            fzr += br * z
            fzz += bz * z
            ftt += t[(BT + k) * LANES + i] * r
        det = frr * fzz - frz * fzr
        volume = det * ftt
        # J^(-1/3) by Newton's method: four steps from the tangent reach rounding for J 0.4 to 2.
        y = 1.0 - (volume - 1.0) / 3.0 + 2.0 / 9.0 * (volume - 1.0) ** 2
        for _ in range(4):
            y = y * (4.0 - volume * y * y * y) / 3.0
        scale = 1.0 / (y * y * det * det)
        irr = scale * (frz * frz + fzz * fzz)
        irz = -scale * (frr * frz + fzr * fzz)
        izz = scale * (frr * frr + fzr * fzr)
        itt = 1.0 / (y * y * ftt * ftt)
        t[(CBAR_MEAN + 0) * LANES + i] = 0.5 * (t[(CBAR_INV + 0) * LANES + i] + irr)
        t[(CBAR_MEAN + 1) * LANES + i] = 0.5 * (t[(CBAR_INV + 1) * LANES + i] + irz)
        t[(CBAR_MEAN + 2) * LANES + i] = 0.5 * (t[(CBAR_INV + 2) * LANES + i] + izz)
        t[(CBAR_MEAN + 3) * LANES + i] = 0.5 * (t[(CBAR_INV + 3) * LANES + i] + itt)
        t[(CBAR_INV + 0) * LANES + i] = irr
        t[(CBAR_INV + 1) * LANES + i] = irz
        t[(CBAR_INV + 2) * LANES + i] = izz
        t[(CBAR_INV + 3) * LANES + i] = itt
        shear = t[SHEAR * LANES + i]
        t[(NETWORK + 0) * LANES + i] = shear
        t[(NETWORK + 1) * LANES + i] = 0.0
        t[(NETWORK + 2) * LANES + i] = shear
        t[(NETWORK + 3) * LANES + i] = shear
        t[(DEF + 0) * LANES + i] = frr
        t[(DEF + 1) * LANES + i] = frz
        t[(DEF + 2) * LANES + i] = fzr
        t[(DEF + 3) * LANES + i] = fzz
        t[(DEF + 4) * LANES + i] = ftt
        t[JINV * LANES + i] = y
        t[HG_STEP * LANES + i] = hr - t[HG * LANES + i]
        t[(HG_STEP + 1) * LANES + i] = hz - t[(HG + 1) * LANES + i]
        t[HG * LANES + i] = hr
        t[(HG + 1) * LANES + i] = hz
        t[HG_STRESS * LANES + i] = shear * hr
        t[(HG_STRESS + 1) * LANES + i] = shear * hz


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _relax(t: FloatArray, a: FloatArray, dt: float) -> None:
    """Advance one branch of the tile: dA/dt = (Cbar^-1 - A)/tau, to second order in dt.

    The hourglass shapes relax like the material: were they elastic, what they take up of the
    deformation would dissipate nothing, and a coarse mesh would rebound too fast.
    """
    for i in range(LANES):
        keep = a[MEMORY * LANES + i]
        modulus = a[MODULUS * LANES + i]
        arr = keep * a[i] + (1.0 - keep) * t[(CBAR_MEAN + 0) * LANES + i]
        arz = keep * a[LANES + i] + (1.0 - keep) * t[(CBAR_MEAN + 1) * LANES + i]
        azz = keep * a[2 * LANES + i] + (1.0 - keep) * t[(CBAR_MEAN + 2) * LANES + i]
        att = keep * a[3 * LANES + i] + (1.0 - keep) * t[(CBAR_MEAN + 3) * LANES + i]
        a[i] = arr
        a[LANES + i] = arz
        a[2 * LANES + i] = azz
        a[3 * LANES + i] = att
        t[(NETWORK + 0) * LANES + i] += modulus * arr
        t[(NETWORK + 1) * LANES + i] += modulus * arz
        t[(NETWORK + 2) * LANES + i] += modulus * azz
        t[(NETWORK + 3) * LANES + i] += modulus * att
        taken = 0.5 * (1.0 + keep)
        hr = keep * a[HG_STRAIN * LANES + i] + taken * t[HG_STEP * LANES + i]
        hz = keep * a[(HG_STRAIN + 1) * LANES + i] + taken * t[(HG_STEP + 1) * LANES + i]
        a[HG_STRAIN * LANES + i] = hr
        a[(HG_STRAIN + 1) * LANES + i] = hz
        t[HG_STRESS * LANES + i] += modulus * hr
        t[(HG_STRESS + 1) * LANES + i] += modulus * hz
        irr = t[(CBAR_INV + 0) * LANES + i]
        irz = t[(CBAR_INV + 1) * LANES + i]
        izz = t[(CBAR_INV + 2) * LANES + i]
        itt = t[(CBAR_INV + 3) * LANES + i]
        # Cbar has unit determinant, so it is the cofactor of its inverse.
        forward = itt * (izz * arr + irr * azz - 2.0 * irz * arz) + (irr * izz - irz * irz) * att
        inverse = (irr * azz + izz * arr - 2.0 * irz * arz) / (arr * azz - arz * arz) + itt / att
        excess = 0.5 * (forward + inverse - 6.0) + t[HOURGLASS * LANES + i] * (hr * hr + hz * hz)
        t[DISSIPATED * LANES + i] += dt * modulus * a[RATE * LANES + i] * excess


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _forces(t: FloatArray) -> None:
    """Replace the corners' positions of the tile by the forces that the stresses exert on them."""
    for i in range(LANES):
        frr = t[(DEF + 0) * LANES + i]
        frz = t[(DEF + 1) * LANES + i]
        fzr = t[(DEF + 2) * LANES + i]
        fzz = t[(DEF + 3) * LANES + i]
        ftt = t[(DEF + 4) * LANES + i]
        nrr = t[(NETWORK + 0) * LANES + i]
        nrz = t[(NETWORK + 1) * LANES + i]
        nzz = t[(NETWORK + 2) * LANES + i]
        ntt = t[(NETWORK + 3) * LANES + i]
        y = t[JINV * LANES + i]
        det = frr * fzz - frz * fzr
        volume = det * ftt
        s = y * y
        trace = s * (
            (frr * frr + fzr * fzr) * nrr
            + (frz * frz + fzz * fzz) * nzz
            + 2.0 * (frr * frz + fzr * fzz) * nrz
            + ftt * ftt * ntt
        )
        q = trace / 3.0 - t[BULK * LANES + i] * (volume - 1.0) * volume
        v = t[VOLUME * LANES + i]
        qd = v * q / det
        prr = v * s * (frr * nrr + frz * nrz) - qd * fzz
        prz = v * s * (frr * nrz + frz * nzz) + qd * fzr
        pzr = v * s * (fzr * nrr + fzz * nrz) + qd * frz
        pzz = v * s * (fzr * nrz + fzz * nzz) - qd * frr
        ptt = v * s * ftt * ntt - v * q / ftt
        hourglass = v * t[HOURGLASS * LANES + i]
        hr = hourglass * t[HG_STRESS * LANES + i]
        hz = hourglass * t[(HG_STRESS + 1) * LANES + i]
        for k in range(4):
            gamma = t[(GAMMA + k) * LANES + i]
            br = t[(BR + k) * LANES + i]
            bz = t[(BZ + k) * LANES + i]
            bt = t[(BT + k) * LANES + i]
            t[(X + k) * LANES + i] = -(prr * br + prz * bz + ptt * bt + hr * gamma)
            t[(X + 4 + k) * LANES + i] = -(pzr * br + pzz * bz + hz * gamma)


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _highest_frequency(w: FloatArray, tiles: int) -> float:
    """Bound of the squared angular frequency: the largest over single deformed elements.

    It is infinite when an element has turned inside out.
    """
    most = 0.0
    for t in range(tiles):
        e = w[t * TILE : (t + 1) * TILE]
        for i in range(LANES):
            frr = e[(DEF + 0) * LANES + i]
            frz = e[(DEF + 1) * LANES + i]
            fzr = e[(DEF + 2) * LANES + i]
            fzz = e[(DEF + 3) * LANES + i]
            det = frr * fzz - frz * fzr
            if not det > 0.0:
                return np.inf
            total = 0.0
            for k in range(4):
                br = e[(BR + k) * LANES + i]
                bz = e[(BZ + k) * LANES + i]
                cr = (fzz * br - fzr * bz) / det + e[(BT + k) * LANES + i] / e[
                    (DEF + 4) * LANES + i
                ]
                cz = (frr * bz - frz * br) / det
                total += e[(STIFF + k) * LANES + i] * (cr * cr + cz * cz)
            most = max(most, total)
    return most


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _set_memory(w: FloatArray, tiles: int, branches: int, dt: float) -> None:
    """Store what each branch keeps of its internal tensor over a step of dt."""
    for t in range(tiles):
        for j in range(branches):
            b = t * TILE + (BRANCH + j * BRANCH_ROWS) * LANES
            for i in range(LANES):
                w[b + MEMORY * LANES + i] = math.exp(-dt * w[b + RATE * LANES + i])


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _element_forces(
    w: FloatArray, corner: IntArray, x: FloatArray, branches: int, dt: float
) -> None:
    """Bring every tile to the positions x, a time dt after the last ones."""
    for t in range(corner.shape[0]):
        tile = w[t * TILE : (t + 1) * TILE]
        for k in range(4):
            for i in range(LANES):
                n = corner[t, k, i]
                tile[(X + k) * LANES + i] = x[0, n]
                tile[(X + 4 + k) * LANES + i] = x[1, n]
        _deform(tile)
        for j in range(branches):
            b = (BRANCH + j * BRANCH_ROWS) * LANES
            _relax(tile, tile[b : b + BRANCH_ROWS * LANES], dt)
        _forces(tile)


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _nodal_forces(w: FloatArray, slot: IntArray, force: FloatArray) -> None:
    """Sum the corner forces of the elements around each node."""
    for n in range(slot.shape[0]):
        a, b, c, d = slot[n, 0], slot[n, 1], slot[n, 2], slot[n, 3]
        force[0, n] = (w[a] + w[b]) + (w[c] + w[d])
        a, b, c, d = a + 4 * LANES, b + 4 * LANES, c + 4 * LANES, d + 4 * LANES
        force[1, n] = (w[a] + w[b]) + (w[c] + w[d])


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def _stop_at_wall(
    x: FloatArray,
    v: FloatArray,
    force: FloatArray,
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
            old = v[1, n] - mid * force[1, n] * inverse_mass[1, n]
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


@njit(cache=True, fastmath=_FLAGS, error_model="numpy")
def impact(
    w: FloatArray,
    corner: IntArray,
    slot: IntArray,
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
    w : (tiles * TILE + TILE,) array
        Element tiles and one of zeros; changed in place.
    corner : (tiles, 4, LANES) int array
        Node of each corner.
    slot : (nodes, 4) int array
        Addresses in `w` of the r forces on each node; unused ones point into the tile of zeros.
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
    force = np.zeros((2, nodes))
    first = dt = time = last_touch = impulse = work = 0.0
    left = False
    steps = 0
    while steps < history.shape[1]:
        _element_forces(w, corner, x, branches, dt)
        _nodal_forces(w, slot, force)
        before = dt
        if steps % CHECK_EVERY == 0:
            bound = _highest_frequency(w, corner.shape[0])
            if not bound < 1e30:
                break
            dt = 2.0 * safety / math.sqrt(bound)
            first = max(first, dt)
            if dt < SHORTEST * first:
                break
            _set_memory(w, corner.shape[0], branches, dt)
        mid = 0.5 * (before + dt)
        for c in range(2):
            for n in range(nodes):
                v[c, n] += mid * force[c, n] * inverse_mass[c, n]
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
    _element_forces(w, corner, x, branches, dt)
    _nodal_forces(w, slot, force)
    for c in range(2):
        for n in range(nodes):
            v[c, n] += 0.5 * dt * force[c, n] * inverse_mass[c, n]
    return steps, left, work
