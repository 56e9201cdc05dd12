"""Compression of a layered sphere between two flat, rigid, frictionless plates.

Large deformation, quarter section. The plate's load is the control; its travel is an extra unknown.
Contact is a smooth energy, k/2 penetration^2 over the surface, whose own give is taken off.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicSpline

from layers.arrays import FloatArray, Level
from layers.ball import Body
from layers.compression.contact import contact_points, push, touch
from layers.errors import InputError
from layers.graded.curve import along, along_points
from layers.numerics.axisymmetric import (
    Elements,
    assemble,
    element_blocks,
    gauss_shapes,
    gradients,
)
from layers.numerics.band import back_substitute, band_for, factor
from layers.numerics.layout import Layout, divided, layout

KGF = 9.80665

# N: the loads of the published deflection windows (0.2, 5, 10, 15, 60 and 130 kgf), and one between
# the first two for the interpolation's sake.
DEFAULT_LOADS = (0.2 * KGF, 15.0, 5 * KGF, 10 * KGF, 15 * KGF, 60 * KGF, 130 * KGF)

# Penalty stiffness over (mean shear modulus / radius); its give is taken off to first order.
_PENALTY = 3000.0

# Polar angles of the elements' edges: fine where the rim of the contact passes, some 1.5 degrees at
# 2 N to 20 at 1,275 N. The first _SIDE elements lie over the top of the centre block.
_ANGLES_DEG: tuple[float, ...] = (
    *(0.0, 1.1, 2.3, 3.6, 5.0, 6.5, 8.2, 10.2, 12.5, 15.1, 18.0, 21.5),
    *(27.0, 38.0, 58.0, 90.0),
)
_SIDE = 13
# Elements along an edge of the default mesh's elements.
LEVELS: dict[str, int] = {"default": 1, "fine": 2}
# Relative positions of the elements' edges in the innermost layer and, by the share of the ball's
# radius that a further layer takes, in that layer.
_CORE_RINGS: tuple[float, ...] = (0.45, 0.8, 1.0)
_INNER_CORE_RINGS: tuple[float, ...] = (1.0,)
_SHELL_RINGS: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0.14, (1.0,)),
    (0.4, (0.6, 1.0)),
    (1.0, (0.45, 0.8, 1.0)),
)

# Newton stops when the same points touch and the last change, over the plate's travel, is below
# this; convergence being quadratic, what is left is about its square.
_TOLERANCE = 1e-3
_MOST_ITERATIONS = 20
_MOST_HALVINGS = 8
_LEAST_VOLUME = 0.05  # J at a Gauss point below which a state is given up
_MOST_FLATTENED = 0.4  # approach of the plates over the diameter, beyond which a flag is set
_HELD = 1e30  # pivot of an unknown held at zero, N/m


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
        Radius of the circle of contact, m; to about 5 % (an element's width), 2 % on the fine mesh.
    flag : str
        Empty, or a sentence why the curve ends early or is not to be trusted.
    """

    force: FloatArray
    deflection: FloatArray
    contact_radius: FloatArray
    flag: str

    def deflection_at(self, force: float) -> float:
        """Approach of the plates under `force` (N), m: interpolated smoothly between the nodes.

        Raises
        ------
        InputError
            If the force is negative or beyond the last converged load.
        """
        last = float(self.force[-1])
        if not 0.0 <= force <= last * (1.0 + 1e-9):
            reason = f" ({self.flag})" if self.flag else ""
            raise InputError(f"force is {force:g} N, but must be from 0 to {last:g} N{reason}.")
        force = min(force, last)
        if force == 0.0:
            return 0.0
        if len(self.force) == 2 or force <= self.force[1]:
            return float(self.deflection[1] * (force / self.force[1]) ** (2 / 3))
        return float(self._ratio(force ** (1 / 3)) * force ** (2 / 3))

    @cached_property
    def _ratio(self) -> CubicSpline:
        """Deflection / force^(2/3), which Hertz's contact keeps constant, over force^(1/3).

        The radius of contact grows about as force^(1/3), so that this ratio changes slowly.
        """
        force = self.force[1:]
        return CubicSpline(force ** (1 / 3), self.deflection[1:] / force ** (2 / 3))


def deflection_between(curve: Compression, low: float = 10 * KGF, high: float = 130 * KGF) -> float:
    """Approach of the plates from one load to another, m.

    Parameters
    ----------
    curve : Compression
        Of the body.
    low, high : float
        Loads, N; by default 10 and 130 kgf, the standard measure of a ball's compression
        (US 2025/0303238).
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
    if (
        wanted.ndim != 1
        or not wanted.size
        or not np.all((np.diff(wanted, prepend=0.0) > 0.0) & np.isfinite(wanted))
    ):
        raise InputError(f"loads are {wanted.tolist()}, but must be positive and growing (N).")
    press = _press(body, level)
    state, flag = _State.unloaded(press), ""
    states = [state]
    for load in wanted:
        reached = _reach(press, state, float(load))
        if reached is None:
            flag += (" " if flag else "") + (
                f"no equilibrium was found beyond {state.force:.4g} N; the curve stops there "
                "(a layer is too soft for the load)."
            )
            break
        state = reached
        states.append(state)
        if state.deflection > _MOST_FLATTENED * 2.0 * press.radius and not flag:
            flag = (
                f"from {state.force:.4g} N on, the body is flattened by more than "
                f"{_MOST_FLATTENED:.0%} of its diameter, where the figures are not to be trusted."
            )
    return Compression(
        force=np.array([s.force for s in states]),
        deflection=np.array([s.deflection for s in states]),
        contact_radius=np.array([s.contact_radius for s in states]),
        flag=flag,
    )


@dataclass(frozen=True)
class _Press:
    """A meshed body under the plate, ready to be loaded."""

    body: Body
    mesh: Layout
    points: FloatArray
    blocks: Elements
    shape: FloatArray
    area: FloatArray
    penalty: float
    band: FloatArray

    @property
    def radius(self) -> float:
        return float(self.body.outer_radius[-1])


@dataclass(frozen=True)
class _State:
    """An equilibrium: load, displacements, plate height, and their rise with load^(2/3).

    `origin` is the radius, before loading, of the circle that is now the rim of the contact.
    """

    force: float
    u: FloatArray
    height: float
    u_slope: FloatArray
    height_slope: float
    deflection: float
    contact_radius: float
    origin: float

    @staticmethod
    def unloaded(press: _Press) -> "_State":
        still = np.zeros(len(press.mesh.last))
        slope = -0.5 * _hertz_slope(press.body)
        return _State(0.0, still, press.radius, still, slope, 0.0, 0.0, 0.0)


def _press(body: Body, level: Level) -> _Press:
    mesh = _layout_of(body, level)
    points = mesh.basis @ body.outer_radius
    thickness = np.diff(body.outer_radius, prepend=0.0)
    stiff = float(body.shear_modulus @ thickness / thickness.sum())
    # A cover far softer than the rest sets the scale itself: Newton's method would not converge.
    stiff = min(stiff, 10.0 * float(body.shear_modulus[-1]))
    slope, volume = gradients(points, mesh.elements)
    stiff_by = along_points(
        body.modulus_curve, mesh.layer, points, mesh.elements, gauss_shapes(slope)
    )
    return _Press(
        body,
        mesh,
        points,
        element_blocks(
            mesh.elements,
            slope,
            volume,
            body.shear_modulus[mesh.layer, None] * stiff_by,
            body.bulk_modulus[mesh.layer, None] * stiff_by,
        ),
        *contact_points(points, mesh.edges),
        penalty=_PENALTY * stiff / float(body.outer_radius[-1]),
        band=band_for(mesh.last),
    )


def _hertz_slope(body: Body) -> float:
    """Rise of the approach with force^(2/3) at no load, where only the outer layer counts.

    Hertz, two plates: 2 [9 (1 - nu^2)^2 / (16 E^2 R)]^(1/3), with E/(1 - nu^2) from G and K.
    """
    surface = float(
        along(body.modulus_curve, np.array([len(body.density) - 1]), body.outer_radius[-1:])[0]
    )
    g, k = surface * float(body.shear_modulus[-1]), surface * float(body.bulk_modulus[-1])
    plane = 4.0 * g * (3.0 * k + g) / (3.0 * k + 4.0 * g)
    return float(2.0 * (9.0 / (16.0 * plane**2 * body.outer_radius[-1])) ** (1.0 / 3.0))


def _layout_of(body: Body, level: Level) -> Layout:
    """Choose the mesh by the count of layers and which of them are thick."""
    fine = LEVELS[level]
    share = np.diff(body.outer_radius, prepend=0.0) / body.outer_radius[-1]
    rings = [_CORE_RINGS if len(share) <= 3 else _INNER_CORE_RINGS]
    rings += [next(r for most, r in _SHELL_RINGS if x < most) for x in share[1:]]
    angles = (0.0, *divided(tuple(np.radians(_ANGLES_DEG[1:])), fine))
    return layout(tuple(divided(r, fine) for r in rings), angles, _SIDE * fine)


def _reach(press: _Press, state: _State, load: float) -> _State | None:
    """Go from an equilibrium to a load, halving the step when it fails."""
    step, s, goal = 1.0, state.force ** (2 / 3), load ** (2 / 3)
    while step > 0.5**_MOST_HALVINGS:
        force = load if step == 1.0 else (s + step * (goal - s)) ** 1.5
        new = _equilibrium(press, state, force)
        if new is None:
            step *= 0.5
            continue
        if force == load:
            return new
        state, s = new, force ** (2 / 3)
        step = min(1.0, 2.0 * step)
    return None


def _equilibrium(press: _Press, state: _State, force: float) -> _State | None:
    """Newton's method from the tangent at a nearby equilibrium; None if it does not converge."""
    mesh, band = press.mesh, press.band
    ahead = force ** (2 / 3) - state.force ** (2 / 3)
    u, height = state.u + ahead * state.u_slope, state.height + ahead * state.height_slope
    # The rim of the contact starts from Hertz's scaling, then moves by the sign of the gap.
    rim = np.sqrt(press.radius * max(press.radius - height, 0.0))
    if state.force > 0.0:
        rim = state.origin * (force / state.force) ** (1 / 3)
    touching = np.zeros(press.area.shape, dtype=np.bool_)
    contact = (mesh.edges, press.shape, press.area)
    touch(press.points, u, height, *contact, rim, touching)
    inner, pull, right = np.empty(len(u)), np.empty(len(u)), np.empty((2, len(u)))
    for _ in range(_MOST_ITERATIONS):
        band[:] = 0.0
        inner[:] = 0.0
        if not assemble(u, press.blocks, band, inner) > _LEAST_VOLUME:
            return None
        pressed = (mesh.edges, press.shape, press.penalty * press.area, touching)
        total, rate = push(press.points, u, height, *pressed, band, inner, pull)
        band[mesh.fixed, 0] = _HELD
        right[0], right[1] = -inner, -pull
        right[:, mesh.fixed] = 0.0
        if not factor(band, mesh.last):
            return None
        back_substitute(band, mesh.last, right)
        rate += float(pull @ right[1])
        if rate == 0.0:  # nothing touches
            return None
        rise = float(total - force - pull @ right[0]) / rate
        change = right[0] + rise * right[1]
        u, height = u + change, height + rise
        size = max(float(np.abs(change).max()), abs(rise))
        if not np.isfinite(size):
            return None
        square, radius, origin, same = touch(press.points, u, height, *contact, 0.0, touching)
        if same and size < _TOLERANCE * (press.radius - height):
            break
    else:
        return None
    # The height falls by 1 / rate for each newton; with s = F^(2/3), dF/ds = 1.5 F^(1/3).
    per_s = 1.5 * force ** (1 / 3) / rate
    # The penalty's give shortens the ball's share by d/dF of the integral of p^2 / 2k, of which
    # Hertz's scaling p^2 dA ~ F^(4/3) makes 2/3 of the force-weighted penetration.
    give = 2.0 / 3.0 * press.penalty * square / force
    return _State(
        force,
        u,
        height,
        -right[1] * per_s,
        -per_s,
        2.0 * (press.radius - height - give),
        radius,
        origin,
    )
