"""Contact of the ball's surface with the face: damped penalty, Coulomb friction with memory.

The surface is sampled at points within each outer quadrilateral, so that a quadrilateral at the
edge of the contact touches in part and forces change smoothly as the contact grows. Forces are
integrated by the midpoint rule against the surface nodes' own inertia: the stiffness of the contact
does not limit the step. Friction carries an elastic stretch at each point, which is mapped back to
Coulomb's cone when the point slips.
"""

import math
from typing import Any, NamedTuple

from layers.numerics.machine_code import njit

# Rows of the face's constants.
STIFFNESS, DAMPING, FRICTION = 0, 1, 2  # Pa/m, Pa s/m, 1: of slow sliding
SHEAR_STIFFNESS, SHEAR_DAMPING = 3, 4  # along the face
FACE_INVERSE_MASS, HEAD_INVERSE_MASS, HEAD_INVERSE_INERTIA = 5, 6, 7
SPRING, DEPTH, CURVATURE = 8, 9, 10  # N/m, m, 1/m: see `layers.strike.head`
FADE = 11  # s/m: friction is divided by 1 + FADE times the speed of sliding
FACE_ROWS = 12
# Rows of the club's state, in the axes of the face at first touch: a point of the face, the head's
# centre of mass, their velocities, the head's turn and its rate, positive as loft grows.
FACE_X, FACE_Z, FACE_VX, FACE_VZ = 0, 1, 2, 3
HEAD_X, HEAD_Z, HEAD_VX, HEAD_VZ = 4, 5, 6, 7
TURN, TURN_RATE = 8, 9
CLUB_ROWS = 10
# What a step's contact adds up; forces on the ball along x and z.
NORMAL_FORCE, TANGENTIAL_FORCE, SLIP_POWER, STUCK_FORCE = 0, 1, 2, 3
FRICTION_LOSS, CONTACT_LOSS, TORQUE_SUM = 4, 5, 6
FORCE_X, FORCE_Z = 7, 8
SUM_ROWS = 9


class Surface(NamedTuple):
    """The surface that may touch: k nodes, f quadrilaterals of p points each.

    Attributes
    ----------
    nodes : (k,) array
        Nodes of the outer surface.
    faces : (4, f) array
        Corners of the quadrilaterals, as positions in `nodes`.
    shape : (p, 4) array
        Corner functions at the points.
    weight : (f,) array
        Area that each point of a quadrilateral stands for, m2.
    bulge : (f,) array
        By how much the sphere stands out from the flat quadrilateral, on average, m.
    area : (k,) array
        Area that each node stands for, m2.
    """

    nodes: Any
    faces: Any
    shape: Any
    weight: Any
    bulge: Any
    area: Any


@njit(forceinline=True)
def _kick(velocity: Any, carry: Any, first: int, column: int, kick: Any) -> None:
    """Let a column's inner nodes follow the kick that its surface node got."""
    rows, columns = carry.shape
    follow = 1.0
    for r in range(rows - 2, -1, -1):
        follow *= carry[r + 1, column]
        n = first + r * columns + column
        for i in range(3):
            velocity[i, n] += follow * kick[i]


@njit(forceinline=True)
def _four(values: Any, s: Any) -> Any:
    """Return a number at the four corners of a quadrilateral."""
    return values[s[0]], values[s[1]], values[s[2]], values[s[3]]


@njit(forceinline=True)
def _at(values: Any, n: Any) -> Any:
    """Return a number at a point of a quadrilateral, by the corner functions there."""
    return n[0] * values[0] + n[1] * values[1] + n[2] * values[2] + n[3] * values[3]


@njit(forceinline=True)
def _shared(values: Any, force: float, n: Any) -> Any:
    """Add a point's force to the sums at the corners."""
    return (
        values[0] + n[0] * force,
        values[1] + n[1] * force,
        values[2] + n[2] * force,
        values[3] + n[3] * force,
    )


@njit(forceinline=True)
def _press_points(surface: Any, f: int, near: Any, stretch: Any, face: Any, step: float) -> None:
    """Give the forces at one quadrilateral's points and their impulses on its nodes.

    With the relative velocity w' = w + dt a N after the step, a being the acceleration under unit
    pressure, the pressure is N = -k (g + dt w' / 2) - c w', solved for N; likewise along the face.
    """
    k, kt, forces = face[STIFFNESS], face[SHEAR_STIFFNESS], near.forces
    resist, drag = 0.5 * step * k + face[DAMPING], 0.5 * step * kt + face[SHEAR_DAMPING]
    s = (surface.faces[0, f], surface.faces[1, f], surface.faces[2, f], surface.faces[3, f])
    gaps, lights, speed = _four(near.gap, s), _four(near.light, s), _four(near.swift[0], s)
    aside, ahead = _four(near.swift[1], s), _four(near.swift[2], s)
    push, side, climb = (0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0)
    for p in range(surface.shape.shape[0]):
        at, n = f * surface.shape.shape[0] + p, _four(surface.shape[p], (0, 1, 2, 3))
        gap, ease = _at(gaps, n) - surface.bulge[f], step * _at(lights, n)
        normal = -(k * gap + resist * _at(speed, n)) / (1.0 + resist * ease)
        if gap > 0.0 or normal <= 0.0:
            forces[0, at], forces[1, at], forces[2, at], forces[3, at] = 0.0, 0.0, 0.0, 0.0
            continue
        w1, w2, soften = _at(aside, n), _at(ahead, n), 1.0 / (1.0 + drag * ease)
        along = -(kt * stretch[0, at] + drag * w2) * soften
        across = -(kt * stretch[1, at] + drag * w1) * soften
        size = math.sqrt(along * along + across * across)
        limit = face[FRICTION] * normal / (1.0 + face[FADE] * math.sqrt(w1 * w1 + w2 * w2))
        if size > limit:
            along *= limit / size
            across *= limit / size
        forces[0, at], forces[1, at], forces[2, at] = normal, along, across
        forces[3, at] = 1.0 if size <= limit else 0.0
        push, side = _shared(push, normal, n), _shared(side, across, n)
        climb = _shared(climb, along, n)
    part = step * surface.weight[f]
    for corner in range(4):
        near.impulse[0, s[corner]] += part * push[corner]
        near.impulse[1, s[corner]] += part * side[corner]
        near.impulse[2, s[corner]] += part * climb[corner]


@njit(forceinline=True)
def _settle(
    surface: Any, f: int, near: Any, stretch: Any, face: Any, step: float, sums: Any
) -> None:
    """Carry one quadrilateral's stretches over the step; sum its forces and losses."""
    k, kt, weight, forces = face[STIFFNESS], face[SHEAR_STIFFNESS], surface.weight[f], near.forces
    s = (surface.faces[0, f], surface.faces[1, f], surface.faces[2, f], surface.faces[3, f])
    gaps, speed = _four(near.gap, s), _four(near.swift[0], s)
    aside, ahead = _four(near.swift[1], s), _four(near.swift[2], s)
    for p in range(surface.shape.shape[0]):
        at, n = f * surface.shape.shape[0] + p, _four(surface.shape[p], (0, 1, 2, 3))
        gap, w0 = _at(gaps, n) - surface.bulge[f], _at(speed, n)
        normal, along, across = forces[0, at], forces[1, at], forces[2, at]
        before, after = min(0.0, gap), min(0.0, gap + step * w0)
        old = stretch[0, at] * stretch[0, at] + stretch[1, at] * stretch[1, at]
        if normal == 0.0:
            sums[CONTACT_LOSS] -= weight * 0.5 * k * (after * after - before * before)
            sums[FRICTION_LOSS] += weight * 0.5 * kt * old
            stretch[0, at], stretch[1, at] = 0.0, 0.0
            continue
        w1, w2 = _at(aside, n), _at(ahead, n)
        if after == 0.0:
            stretch[0, at], stretch[1, at] = 0.0, 0.0
        elif forces[3, at] == 1.0:
            stretch[0, at] += step * w2
            stretch[1, at] += step * w1
        else:
            stretch[0, at], stretch[1, at] = -along / kt, -across / kt
        stored = stretch[0, at] * stretch[0, at] + stretch[1, at] * stretch[1, at] - old
        lost = step * normal * w0 + 0.5 * k * (after * after - before * before)
        sums[CONTACT_LOSS] -= weight * lost
        sums[FRICTION_LOSS] -= weight * (step * (along * w2 + across * w1) + 0.5 * kt * stored)
        sums[NORMAL_FORCE] += weight * normal
        sums[TANGENTIAL_FORCE] += weight * along
        sums[SLIP_POWER] += weight * normal * math.sqrt(w1 * w1 + w2 * w2)
        sums[STUCK_FORCE] += weight * normal * forces[3, at]


@njit(cache=True)
def distance(points: Any, u: Any, node: int, club: Any) -> Any:
    """Distance of a node from the face's tangent plane, m.

    Parameters
    ----------
    points, u : (3, nodes) array
        Nodes before the impact and their displacements, m.
    node : int
        Which node.
    club : (CLUB_ROWS,) array
        State of the club, see `layers.strike.head`.
    """
    x = points[0, node] + u[0, node] - club[FACE_X]
    z = points[2, node] + u[2, node] - club[FACE_Z]
    return x * math.cos(club[TURN]) + z * math.sin(club[TURN])


@njit(forceinline=True)
def approach(
    points: Any, u: Any, velocity: Any, surface: Any, face: Any, club: Any, near: Any
) -> None:
    """Find distances and velocities of nodes that may touch, in the axes of the face under each.

    A rolled face stands back by half its curvature times the square of the height, and its normal
    leans by the height over its radius.

    Parameters
    ----------
    points, u, velocity : (3, n) array
        Reference coordinates, displacements and velocities.
    surface : Surface
    face, club : array
        Rows of this module.
    near : layers.strike.near.Near
        Its `gap`, `swift` and `tilt` are written.
    """
    cos, sin, rate = math.cos(club[TURN]), math.sin(club[TURN]), club[TURN_RATE]
    roll, swift, tilt = face[CURVATURE], near.swift, near.tilt
    for k in range(near.counts[0]):
        s = near.nodes[k]
        n = surface.nodes[s]
        x = points[0, n] + u[0, n] - club[FACE_X]
        z = points[2, n] + u[2, n] - club[FACE_Z]
        lean, gap = roll * (z * cos - x * sin), x * cos + z * sin
        c, t = cos, sin
        if lean != 0.0:
            gap += 0.5 * lean * lean / roll
            size = 1.0 / math.sqrt(1.0 + lean * lean)
            c, t = size * (cos - lean * sin), size * (sin + lean * cos)
        v = velocity[0, n] - club[FACE_VX] + rate * z
        w = velocity[2, n] - club[FACE_VZ] - rate * x
        near.gap[s] = gap
        swift[0, s], swift[1, s], swift[2, s] = v * c + w * t, velocity[1, n], w * c - v * t
        tilt[0, s], tilt[1, s] = c, t


@njit(cache=True)
def touch(
    points: Any,
    u: Any,
    velocity: Any,
    carry: Any,
    pivot: Any,
    surface: Any,
    stretch: Any,
    face: Any,
    club: Any,
    step: float,
    near: Any,
    sums: Any,
) -> None:
    """Apply one step's contact impulses to the surface nodes.

    Parameters
    ----------
    points, u, velocity : (3, n) array
        Reference coordinates, displacements now, velocities half a step later without contact;
        velocities are changed.
    carry, pivot : (r, k) array
        See `layers.strike.model.Chain`.
    surface : Surface
    stretch : (2, f p) array
        Elastic stretch at each point along z and y, m; changed.
    face, club : array
        Rows of this module.
    step : float
        s.
    near : layers.strike.near.Near
        What may touch.
    sums : (SUM_ROWS,) array
        Written: forces (N), slip power (W), losses (J), torque toward backspin about the origin
        (N m).
    """
    sums[:] = 0.0
    first = surface.nodes[0] - (carry.shape[0] - 1) * carry.shape[1]
    impulse, tilt, swift, touching = near.impulse, near.tilt, near.swift, 0
    per_step = 1.0 / step
    approach(points, u, velocity, surface, face, club, near)
    for k in range(near.counts[0]):
        s = near.nodes[k]
        impulse[0, s], impulse[1, s], impulse[2, s] = 0.0, 0.0, 0.0
    for k in range(near.counts[1]):
        f = near.faces[k]
        lowest = near.gap[surface.faces[0, f]]
        for corner in range(1, 4):
            lowest = min(lowest, near.gap[surface.faces[corner, f]])
        if lowest < surface.bulge[f]:
            near.touching[touching] = f
            touching += 1
            _press_points(surface, f, near, stretch, face, step)
    if touching == 0:
        return
    for k in range(near.counts[0]):
        s = near.nodes[k]
        if impulse[0, s] > 0.0:
            n, ease = surface.nodes[s], pivot[-1, s]
            if points[1, n] == 0.0:  # the other half pushes back
                impulse[1, s] = 0.0
            for i in range(3):
                swift[i, s] += ease * impulse[i, s]
            c, t = tilt[0, s], tilt[1, s]
            px = c * impulse[0, s] - t * impulse[2, s]
            pz = t * impulse[0, s] + c * impulse[2, s]
            kick = (ease * px, ease * impulse[1, s], ease * pz)
            for i in range(3):
                velocity[i, n] += kick[i]
            _kick(velocity, carry, first, s, kick)
            # Toward backspin: x f_z - z f_x about the origin.
            x, z = points[0, n] + u[0, n], points[2, n] + u[2, n]
            sums[FORCE_X] += per_step * px
            sums[FORCE_Z] += per_step * pz
            sums[TORQUE_SUM] += per_step * (x * pz - z * px)
    for k in range(touching):
        _settle(surface, near.touching[k], near, stretch, face, step, sums)
