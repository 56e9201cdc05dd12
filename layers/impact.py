"""Normal impact of a layered ball on a rigid frictionless barrier, by explicit finite elements."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from layers import kernels
from layers.ball import Body, FloatArray
from layers.errors import InputError, SolverError
from layers.inertia import solver_density
from layers.mesh import IntArray, Mesh, sphere_mesh

Level = Literal["default", "fine"]


@dataclass(frozen=True)
class Resolution:
    side: int = 6
    angles: int = 30
    core_rings: int = 8
    thick_rings: int = 4
    thin_rings: int = 1
    fine_to: float = 0.65
    ratio: float = 2.5
    stiff: float = 10.0
    damp: float = 0.0
    hourglass: float = 1.0
    safety: float = 0.95
    even: float = 1.0
    core_grade: float = 1.0


LEVELS = {"default": Resolution(), "fine": Resolution(12, 60, 16, 8, 2)}
THICK = 3.0e-3


@lru_cache(maxsize=8)
def _angles(count: int, ratio: float, fine_to: float) -> FloatArray:
    """Polar angles from the far pole to the striking one, crowded by `ratio` at the latter."""
    psi = np.linspace(0.0, np.pi, 2001)
    size = 1.0 + (ratio - 1.0) * 0.5 * (1.0 + np.tanh((psi - fine_to - 0.45) / 0.35))
    number = np.concatenate([[0.0], np.cumsum(0.5 * (1 / size[1:] + 1 / size[:-1]))])
    at = np.interp(np.linspace(0.0, number[-1], count + 1), number, psi)
    at[0], at[-1] = 0.0, np.pi
    return (np.pi - at)[::-1].copy()


def impact_mesh(body: Body, res: Resolution) -> Mesh:
    thickness = np.diff(body.outer_radius, prepend=0.0)
    counts = [res.core_rings] + [
        res.thick_rings if t > THICK else res.thin_rings for t in thickness[1:]
    ]
    rings = tuple(np.arange(1, n + 1) / n for n in counts)
    rings = (rings[0] ** (1.0 / res.core_grade), *rings[1:])
    angles = _angles(res.angles, res.ratio, res.fine_to)
    s = res.side
    even = np.concatenate(
        [
            np.linspace(0.0, np.pi / 4, s + 1),
            np.linspace(np.pi / 4, 3 * np.pi / 4, res.angles - 2 * s + 1)[1:-1],
            np.linspace(3 * np.pi / 4, np.pi, s + 1),
        ]
    )
    return sphere_mesh(
        body.outer_radius, rings, angles, s, res.even * even + (1 - res.even) * angles
    )


_GAUSS = (np.array([-1.0, 1.0]) / np.sqrt(3.0), np.array([1.0, 1.0]))


def _gradients(mesh: Mesh):
    """Volume-mean gradients (3, 4, m), volumes (m,) and shares of volume of the corners (4, m)."""
    p = mesh.points[mesh.quads]
    r, z = p[..., 0].T, p[..., 1].T
    sx, sy = np.array([-1.0, 1.0, 1.0, -1.0]), np.array([-1.0, -1.0, 1.0, 1.0])
    mean = np.zeros((3, 4, r.shape[1]))
    share = np.zeros((4, r.shape[1]))
    for a in _GAUSS[0]:
        for b in _GAUSS[0]:
            n = 0.25 * (1 + sx * a) * (1 + sy * b)
            na, nb = 0.25 * sx * (1 + sy * b), 0.25 * sy * (1 + sx * a)
            ra, rb, za, zb = na @ r, nb @ r, na @ z, nb @ z
            jac = ra * zb - rb * za
            radius = n @ r
            weight = 2 * np.pi * radius * jac
            mean[0] += 2 * np.pi * radius * (na[:, None] * zb - nb[:, None] * za)
            mean[1] += 2 * np.pi * radius * (nb[:, None] * ra - na[:, None] * rb)
            mean[2] += 2 * np.pi * jac * n[:, None]
            share += n[:, None] * weight
    volume = share.sum(axis=0)
    return mean / volume, volume, share


@dataclass
class Problem:
    tiles: FloatArray
    corner: IntArray
    slot: IntArray
    points: FloatArray
    inverse_mass: FloatArray
    mass: FloatArray
    surface: IntArray
    area: FloatArray
    branches: int
    wave: float
    size: float
    n: int


def setup(body: Body, res: Resolution) -> Problem:
    mesh = impact_mesh(body, res)
    gradient, volume, share = _gradients(mesh)
    m = len(volume)
    nodes = len(mesh.points)
    lay = mesh.layer
    shear = (body.dynamic_stiffening * body.shear_modulus)[lay]
    bulk = (body.dynamic_stiffening * body.bulk_modulus)[lay]
    used = body.relaxation_strength.any(axis=0)
    strength, time = body.relaxation_strength[:, used], body.relaxation_time[:, used]
    branches = strength.shape[1]
    density = solver_density(body)[lay]
    corner_mass = density * share
    mass = np.zeros(nodes)
    np.add.at(mass, mesh.quads.T, corner_mass)
    wave = bulk + 4.0 / 3.0 * shear * (1.0 + strength.sum(axis=1)[lay])

    tiles = -(-m // kernels.LANES)
    pad = tiles * kernels.LANES
    pick = np.minimum(np.arange(pad), m - 1)
    real = np.arange(pad) < m
    rows = np.zeros((kernels.ROWS, pad))
    rows[kernels.BR : kernels.BR + 4] = gradient[0][:, pick]
    rows[kernels.BZ : kernels.BZ + 4] = gradient[1][:, pick]
    rows[kernels.BT : kernels.BT + 4] = gradient[2][:, pick]
    p = mesh.points[mesh.quads]
    sign = np.array([1.0, -1.0, 1.0, -1.0])
    hr, hz = p[..., 0] @ sign, p[..., 1] @ sign
    gamma = sign[:, None] - hr * gradient[0] - hz * gradient[1]
    rows[kernels.GAMMA : kernels.GAMMA + 4] = gamma[:, pick]
    rows[kernels.VOLUME] = volume[pick] * real
    rows[kernels.SHEAR] = shear[pick]
    rows[kernels.BULK] = bulk[pick]
    rows[kernels.HOURGLASS] = (
        0.1 * res.hourglass * shear * volume * (gradient[:2] ** 2).sum(axis=(0, 1))
    )[pick] * real
    rows[kernels.STIFF : kernels.STIFF + 4] = (wave * volume / corner_mass)[:, pick]
    one = [0, 2, 3]
    rows[[kernels.CBAR_INV + k for k in one]] = 1.0
    for j in range(branches):
        b = kernels.BRANCH + j * kernels.BRANCH_ROWS
        rows[[b + k for k in one]] = 1.0
        rows[b + 4] = (shear * strength[lay, j])[pick]
        rows[b + 5] = (1.0 / time[lay, j])[pick]
        rows[b + 6] = 1.0
    L = kernels.LANES
    w = np.zeros((tiles + 1, kernels.ROWS, L))
    w[:-1] = rows.reshape(kernels.ROWS, tiles, L).transpose(1, 0, 2)
    corner = np.ascontiguousarray(mesh.quads.T[:, pick].reshape(4, tiles, L).transpose(1, 0, 2))
    slot = np.full((nodes, 4), tiles * kernels.TILE, dtype=np.int64)
    fill = np.zeros(nodes, dtype=np.int64)
    e = np.arange(m)
    for k in range(4):
        address = (e // L) * kernels.TILE + (kernels.X + k) * L + e % L
        for el in range(m):
            n = mesh.quads[el, k]
            slot[n, fill[n]] = address[el]
            fill[n] += 1
    surface = mesh.surface[::-1].copy()
    points = mesh.points.copy()
    points[:, 1] += body.outer_radius[-1]
    r = points[surface, 0]
    length = np.hypot(np.diff(r), np.diff(points[surface, 1]))
    area = np.zeros(len(surface))
    area[:-1] += 2 * np.pi * length * (r[:-1] / 3 + r[1:] / 6)
    area[1:] += 2 * np.pi * length * (r[:-1] / 6 + r[1:] / 3)
    inverse = np.tile(1.0 / mass, (2, 1))
    inverse[0, points[:, 0] == 0.0] = 0.0
    size = volume[lay == lay.max()].min()
    el = np.flatnonzero((mesh.quads == surface[0]).any(axis=1))[0]
    pz = points[mesh.quads[el], 1]
    return Problem(
        w.ravel(),
        corner,
        slot,
        points.T.copy(),
        inverse,
        mass,
        surface,
        area,
        branches,
        wave[el],
        float(np.ptp(pz)),
        m,
    )


def run(body: Body, speed: float, res: Resolution):
    p = setup(body, res)
    w, x = p.tiles.copy(), p.points.copy()
    v = np.zeros_like(x)
    v[1] = -speed
    stiffness = res.stiff * p.wave / p.size
    damping = res.damp * stiffness * 1e-6
    out = kernels.impact(
        w,
        p.corner,
        p.slot,
        x,
        v,
        p.inverse_mass,
        p.surface,
        p.area,
        stiffness,
        damping,
        p.branches,
        res.safety,
        5e-3,
    )
    left, steps, touch, peak, impulse, work, stored, lowest, end = out
    K0 = 0.5 * p.mass.sum() * speed**2
    ke = 0.5 * (p.mass * (v**2)).sum()
    t = w.reshape(-1, kernels.ROWS, kernels.LANES)[:-1].transpose(1, 0, 2).reshape(kernels.ROWS, -1)
    vol = t[kernels.VOLUME]
    ci = t[kernels.CBAR_INV : kernels.CBAR_INV + 4]
    cb = np.array([ci[2] * ci[3], -ci[1] * ci[3], ci[0] * ci[3], ci[0] * ci[2] - ci[1] ** 2])
    F = t[kernels.DEF : kernels.DEF + 5]
    J = (F[0] * F[3] - F[1] * F[2]) * F[4]
    W = 0.5 * t[kernels.SHEAR] * (cb[0] + cb[2] + cb[3] - 3) + 0.5 * t[kernels.BULK] * (J - 1) ** 2
    el = (W * vol).sum()
    net = 0.0
    for j in range(p.branches):
        b = kernels.BRANCH + j * kernels.BRANCH_ROWS
        A = t[b : b + 4]
        psi = (
            0.5
            * t[b + 4]
            * (
                cb[0] * A[0]
                + 2 * cb[1] * A[1]
                + cb[2] * A[2]
                + cb[3] * A[3]
                - np.log((A[0] * A[2] - A[1] ** 2) * A[3])
                - 3
            )
        )
        net += (psi * vol).sum()
    visc = (t[kernels.DISSIPATED] * vol).sum()
    xe = x[:, p.corner]
    g = t[kernels.GAMMA : kernels.GAMMA + 4].reshape(4, -1, kernels.LANES).transpose(1, 0, 2)
    q = (xe * g).sum(axis=2)
    hg = 0.5 * (t[kernels.HOURGLASS].reshape(-1, kernels.LANES) * (q**2).sum(axis=0)).sum()
    e = impulse / p.mass.sum() / speed - 1
    cd = -work - stored
    energy = EnergyBalance(
        *(
            float(q)
            for q in (
                K0,
                ke,
                el,
                visc,
                net,
                stored,
                cd,
                hg,
                K0 - ke - el - net - visc - hg - cd - stored,
            )
        )
    )
    return dict(
        e=e,
        steps=int(steps),
        touch=touch * 1e6,
        peak=peak,
        short=(2 * body.outer_radius[-1] - lowest) * 1e3,
        n=p.n,
        left=left,
        el=el / K0,
        net=net / K0,
        visc=visc / K0,
        hg=hg / K0,
        cd=cd / K0,
        res=(K0 - ke - el - net - visc - hg - cd - stored) / K0,
        ke=ke / K0,
        mom=(p.mass * v[1]).sum() / p.mass.sum() / speed,
    ), energy


@dataclass(frozen=True)
class EnergyBalance:
    """Where the energy is when the ball has left, J.

    Attributes
    ----------
    initial_kinetic, final_kinetic : float
        The final one includes the vibration of the ball.
    elastic, network, contact, hourglass : float
        Stored: in the equilibrium elasticity, in the relaxing networks, in the contact's stiffness,
        in the stiffness that holds the elements' hourglass shapes.
    viscous, contact_damping : float
        Dissipated: in the relaxing networks, in the contact.
    residual : float
        Initial kinetic energy less all the others.
    """

    initial_kinetic: float
    final_kinetic: float
    elastic: float
    viscous: float
    network: float
    contact: float
    contact_damping: float
    hourglass: float
    residual: float


@dataclass(frozen=True)
class BarrierImpact:
    """Outcome of a normal impact on a rigid frictionless barrier.

    Attributes
    ----------
    speed : float
        Inbound, m/s.
    speed_ratio : float
        Rebound speed of the centre of mass over the inbound one.
    contact_time : float
        From first to last touch, s.
    peak_force : float
        N.
    greatest_shortening : float
        Of the ball's diameter along the line of impact, m.
    energy : EnergyBalance
    flag : str
        Empty, or why the figures should not be relied on.
    """

    speed: float
    speed_ratio: float
    contact_time: float
    peak_force: float
    greatest_shortening: float
    energy: EnergyBalance
    flag: str = ""


def barrier_impact(body: Body, speed: float, level: Level = "default") -> BarrierImpact:
    if not 0.05 <= speed <= 120.0:
        raise InputError(f"speed is {speed:g} m/s, but must be from 0.05 to 120.")
    o, energy = run(body, speed, LEVELS[level])
    if not o["left"] or not np.isfinite(o["e"]):
        raise SolverError(f"The impact at {speed:g} m/s did not end in a rebound.")
    off = abs(energy.residual) / energy.initial_kinetic
    flag = f"The energy balance is off by {100 * off:.1f} %." if not off <= 0.01 else ""
    return BarrierImpact(
        speed, float(o["e"]), o["touch"] * 1e-6, o["peak"], float(o["short"]) * 1e-3, energy, flag
    )


def speed_ratio_slope(impacts: Sequence[BarrierImpact]) -> float:
    """Least-squares slope of the speed ratio over the speed, per m/s."""
    if len({i.speed for i in impacts}) < 2:
        raise InputError("impacts has fewer than 2 speeds, but a slope needs at least 2.")
    return float(np.polyfit([i.speed for i in impacts], [i.speed_ratio for i in impacts], 1)[0])


def initial_velocity(speed_ratio: float, striker_speed: float = 43.83) -> float:
    """Ball speed off a rigid striker much heavier than the ball, v = V (1 + e), m/s."""
    return striker_speed * (1.0 + speed_ratio)
