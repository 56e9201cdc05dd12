"""Compression of a layered sphere between two flat, rigid, frictionless plates.

Large deformation, quarter section. The plate's load is the control; its travel is an extra unknown.
Contact is a smooth energy, k/2 penetration^2 over the surface, whose own give is taken off.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numba import njit
from scipy.interpolate import CubicHermiteSpline

from layers.axisymmetric import Layout, assemble, back_substitute, factor, gradients, layout
from layers.ball import Body, FloatArray
from layers.errors import InputError
from layers.mesh import IntArray

KGF = 9.80665
Level = Literal["default", "fine"]

# N: 0.2, 5, 10, 15, 60 and 130 kgf are the loads of the published deflection windows.
DEFAULT_LOADS = (2.0, 5 * KGF, 10 * KGF, 15 * KGF, 60 * KGF, 130 * KGF)

# Penalty stiffness over (mean shear modulus / radius); its give is taken off to first order.
_PENALTY = 1000.0
_EDGE_POINTS, _EDGE_WEIGHTS = np.polynomial.legendre.leggauss(6)

# Elements from pole to equator, each wider than the last, and those over the centre block's top.
_ANGLES, _GROWTH, _SIDE = 11, 1.3, 7
# Relative positions of the elements' edges in the innermost layer and, by the share of the ball's
# radius that a further layer takes, in that layer.
_CORE_RINGS: tuple[float, ...] = (0.35, 0.65, 0.87, 1.0)
_INNER_CORE_RINGS: tuple[float, ...] = (0.5, 1.0)
_SHELL_RINGS: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0.14, (1.0,)),
    (0.25, (0.6, 1.0)),
    (1.0, (0.45, 0.8, 1.0)),
)

_MOST_ITERATIONS = 20
_MOST_HALVINGS = 8


@dataclass(frozen=True)
class Compression:
    """Force against approach of two plates.

    Attributes
    ----------
    force : (m,) array
        N, from 0.
    deflection : (m,) array
        Total approach of the plates, m, from 0.
    contact_radius : (m,) array
        Radius of the circle of contact, m.
    slope : (m,) array
        Rise of the deflection with force^(2/3), m / N^(2/3).
    flag : str
        Empty, or a sentence why the curve ends early or is not to be trusted.
    """

    force: FloatArray
    deflection: FloatArray
    contact_radius: FloatArray
    slope: FloatArray
    flag: str

    def deflection_at(self, force: float) -> float:
        """Approach of the plates under `force` (N), m: cubic in force^(2/3) between the nodes.

        Raises
        ------
        InputError
            If the force is negative or beyond the last converged load.
        """
        last = float(self.force[-1])
        if not 0.0 <= force <= last * (1.0 + 1e-9):
            reason = f" ({self.flag})" if self.flag else ""
            raise InputError(f"force is {force:g} N, but must be from 0 to {last:g} N{reason}.")
        curve = CubicHermiteSpline(self.force ** (2.0 / 3.0), self.deflection, self.slope)
        return float(curve(min(force, last) ** (2.0 / 3.0)))


def deflection_between(curve: Compression, low: float = 10 * KGF, high: float = 130 * KGF) -> float:
    """Approach of the plates from one load (N) to another, m; by default 10 to 130 kgf.

    The standard measure of a ball's compression (US 2025/0303238).
    """
    return curve.deflection_at(high) - curve.deflection_at(low)


def compress(body: Body, loads: FloatArray | None = None, level: Level = "default") -> Compression:
    """Compress a body between plates up to the last of `loads`.

    Parameters
    ----------
    body : Body
    loads : (m,) array, optional
        N, positive and growing; by default 0.2, 5, 10, 15, 60 and 130 kgf.
    level : {"default", "fine"}
        Mesh: the default one, or one with at least four times the elements.

    Returns
    -------
    Compression
        Up to the last load that converged; `flag` says why if that is not the last asked for.

    Raises
    ------
    InputError
        If the loads are not positive and growing.
    """
    wanted = np.asarray(DEFAULT_LOADS if loads is None else loads, dtype=float)
    if wanted.ndim != 1 or not wanted.size or not np.all(np.diff(wanted, prepend=0.0) > 0.0):
        raise InputError(f"loads are {wanted.tolist()}, but must be positive and growing (N).")
    press = _press(body, level)
    state, flag = _State.unloaded(press), ""
    states = [state]
    for load in wanted:
        reached = _reach(press, state, float(load))
        if reached is None:
            flag = (
                f"no equilibrium was found beyond {state.force:.4g} N; the curve stops there "
                "(the body is too soft for the load)."
            )
            break
        state = reached
        states.append(state)
    return Compression(
        force=np.array([s.force for s in states]),
        deflection=np.array([s.deflection for s in states]),
        contact_radius=np.array([s.contact_radius for s in states]),
        slope=np.array([s.slope for s in states]),
        flag=flag,
    )


@dataclass(frozen=True)
class _Press:
    """A meshed body under the plate, ready to be loaded."""

    mesh: Layout
    points: FloatArray
    slope: FloatArray
    volume: FloatArray
    shear: FloatArray
    bulk: FloatArray
    contact: "tuple[IntArray, FloatArray, FloatArray]"
    penalty: float
    hertz: float
    band: FloatArray
    radius: float


@dataclass(frozen=True)
class _State:
    """An equilibrium: load, displacements, plate height, and their rise with load^(2/3)."""

    force: float
    u: FloatArray
    height: float
    u_slope: FloatArray
    height_slope: float
    deflection: float
    contact_radius: float
    slope: float

    @staticmethod
    def unloaded(press: _Press) -> "_State":
        still = np.zeros(2 * len(press.points))
        return _State(0.0, still, press.radius, still, -0.5 * press.hertz, 0.0, 0.0, press.hertz)


def _press(body: Body, level: Level) -> _Press:
    mesh = _layout_of(body, level)
    points = mesh.basis @ body.outer_radius
    slope, volume = gradients(points, mesh.elements)
    radius = float(body.outer_radius[-1])
    thickness = np.diff(body.outer_radius, prepend=0.0)
    mean_shear = float(body.shear_modulus @ thickness) / radius
    width = int((mesh.last - np.arange(len(mesh.last))).max()) + 1
    return _Press(
        mesh,
        points,
        slope,
        volume,
        body.shear_modulus[mesh.layer],
        body.bulk_modulus[mesh.layer],
        _contact_points(points, mesh.edges),
        _PENALTY * mean_shear / radius,
        _hertz_slope(body),
        np.empty((len(mesh.last), width)),
        radius,
    )


def _hertz_slope(body: Body) -> float:
    """Rise of the approach with force^(2/3) at no load, where only the outer layer counts.

    Hertz, two plates: 2 [9 (1 - nu^2)^2 / (16 E^2 R)]^(1/3), with E/(1 - nu^2) from G and K.
    """
    g, k = float(body.shear_modulus[-1]), float(body.bulk_modulus[-1])
    plane = 4.0 * g * (3.0 * k + g) / (3.0 * k + 4.0 * g)
    return float(2.0 * (9.0 / (16.0 * plane**2 * body.outer_radius[-1])) ** (1.0 / 3.0))


def _layout_of(body: Body, level: Level) -> Layout:
    """Choose the mesh by the count of layers and which of them are thick."""
    fine = 2 if level == "fine" else 1
    share = np.diff(body.outer_radius, prepend=0.0) / body.outer_radius[-1]
    rings = [_CORE_RINGS if len(share) <= 3 else _INNER_CORE_RINGS]
    rings += [next(r for most, r in _SHELL_RINGS if x < most) for x in share[1:]]
    around = _ANGLES * fine
    growth = _GROWTH ** (1.0 / fine)
    angles = np.cumsum([0.0, *(growth**i for i in range(around))])
    angles *= 0.5 * np.pi / angles[-1]
    split = tuple(_split(r, fine) for r in rings)
    return layout(split, tuple(angles.tolist()), _SIDE * fine)


def _split(edges: tuple[float, ...], parts: int) -> tuple[float, ...]:
    """Divide each interval of (0, *edges) evenly."""
    whole = np.arange(len(edges) + 1)
    return tuple(np.interp(np.arange(1, len(edges) * parts + 1) / parts, whole, (0.0, *edges)))


def _contact_points(points: FloatArray, edges: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Nodes (k, 3), shape values (p, 3) and areas 2 pi r ds (k, p) of the surface's points."""
    x = _EDGE_POINTS
    shape = np.column_stack([0.5 * x * (x - 1.0), 1.0 - x * x, 0.5 * x * (x + 1.0)])
    along = np.column_stack([x - 0.5, -2.0 * x, x + 0.5])
    nodes = points[edges]
    position = np.einsum("pa,kac->kpc", shape, nodes)
    tangent = np.einsum("pa,kac->kpc", along, nodes)
    area = 2.0 * np.pi * position[..., 0] * np.hypot(tangent[..., 0], tangent[..., 1])
    return edges, shape, area * _EDGE_WEIGHTS


@njit(cache=True)
def _touch(
    points: FloatArray,
    u: FloatArray,
    height: float,
    edges: IntArray,
    shape: FloatArray,
    area: FloatArray,
    penalty: float,
    band: FloatArray,
    force: FloatArray,
    pull: FloatArray,
) -> tuple[float, float, float, float, int]:
    """Add the plate's contact to stiffness and forces.

    `pull` is filled with the derivative of the forces with the plate's height. Returns the
    plate's force (N), its derivative with the height, the integral of penetration^2, the radius of
    contact, and the number of points that touch.
    """
    pull[:] = 0.0
    total = stiffness = square = radius = 0.0
    count = 0
    gap_before = r_before = 0.0
    open_ = False
    for e in range(edges.shape[0]):
        for q in range(shape.shape[0]):
            gap, r = height, 0.0
            for a in range(3):
                n = edges[e, a]
                gap -= shape[q, a] * (points[n, 1] + u[2 * n + 1])
                r += shape[q, a] * (points[n, 0] + u[2 * n])
            if gap < 0.0:
                k = penalty * area[e, q]
                total -= k * gap
                stiffness += k
                square += area[e, q] * gap * gap
                count += 1
                for a in range(3):
                    row = 2 * edges[e, a] + 1
                    force[row] -= k * gap * shape[q, a]
                    pull[row] -= k * shape[q, a]
                    for b in range(3):
                        col = 2 * edges[e, b] + 1
                        if col >= row:
                            band[row, col - row] += k * shape[q, a] * shape[q, b]
            elif not open_:
                open_ = True
                if gap_before < 0.0:
                    radius = r_before + (r - r_before) * gap_before / (gap_before - gap)
            gap_before, r_before = gap, r
    return total, stiffness, square, radius, count


def _reach(press: _Press, state: _State, load: float) -> _State | None:
    """Go from an equilibrium to a load, halving the step when it fails."""
    step, s, goal = 1.0, state.force ** (2 / 3), load ** (2 / 3)
    while step > 0.5**_MOST_HALVINGS:
        force = load if step == 1.0 else (s + step * (goal - s)) ** 1.5
        ahead = force ** (2 / 3) - s
        u, height = state.u + ahead * state.u_slope, state.height + ahead * state.height_slope
        new = _equilibrium(press, u, height, force)
        if new is None:
            step *= 0.5
            continue
        if force == load:
            return new
        state, s = new, force ** (2 / 3)
        step = min(1.0, 2.0 * step)
    return None


def _equilibrium(press: _Press, u: FloatArray, height: float, force: float) -> _State | None:
    mesh, band = press.mesh, press.band
    u = u.copy()
    side = np.empty((len(u), 2))
    inner = np.empty(len(u))
    pull = np.empty(len(u))
    touching = -1
    for _ in range(_MOST_ITERATIONS):
        band[:] = 0.0
        inner[:] = 0.0
        least = assemble(
            u, mesh.elements, press.slope, press.volume, press.shear, press.bulk, band, inner
        )
        if not least > 0.05:
            return None
        total, stiffness, square, radius, count = _touch(
            press.points, u, height, *press.contact, press.penalty, band, inner, pull
        )
        band[mesh.fixed, 0] = 1e30
        side[:, 0] = -inner
        side[:, 1] = -pull
        side[mesh.fixed] = 0.0
        if not factor(band, mesh.last):
            return None
        back_substitute(band, mesh.last, side)
        give = stiffness + float(pull @ side[:, 1])
        dh = float((total - force - pull @ side[:, 0]) / give)
        du = side[:, 0] + dh * side[:, 1]
        u += du
        height += dh
        size = max(float(np.abs(du).max()), abs(dh))
        if not np.isfinite(size):
            return None
        if size < 1e-5 * (press.radius - height) and count == touching:
            break
        touching = count
    else:
        return None
    # dh/dF = -1 / give; with s = F^(2/3), dF/ds = 1.5 F^(1/3).
    rise = 1.5 * force ** (1 / 3)
    correction = 2.0 / 3.0 * press.penalty * square / force
    return _State(
        force,
        u,
        height,
        -side[:, 1] / give * rise,
        -rise / give,
        2.0 * (press.radius - height - correction),
        radius,
        2.0 * rise / give,
    )
