"""Contact of the ball's surface with the face: damped penalty, Coulomb friction with memory.

The surface is sampled at points within each outer quadrilateral, so that a quadrilateral at the
edge of the contact touches in part and forces change smoothly as the contact grows. Forces are
integrated by the midpoint rule against the surface nodes' own inertia: the stiffness of the contact
does not limit the step. Friction carries an elastic stretch at each point, which is mapped back to
Coulomb's cone when the point slips.
"""

import math
from typing import Any, NamedTuple

import numpy as np

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
# How much faster than anything before a node may come near the face until the next search.
SUDDEN = 2.0


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


class Near(NamedTuple):
    """What may touch the face until the next search, and room to work in.

    Attributes
    ----------
    counts : (2,) array
        How many nodes and faces may touch.
    nodes, faces : (k,), (f,) array
        Which, in order, as positions in `Surface`.
    touching : (f,) array
        Faces that do in a step.
    gap : (k,) array
        Distances from the face, m.
    swift, impulse : (3, k) array
        Velocities over the face and impulses of a step: normal, across, along.
    tilt : (2, k) array
        Cosine and sine of the turn of the face's normal under each node.
    light : (k,) array
        Area over the mass that a kick meets, m2/kg.
    forces : (4, f p) array
        Of each point: normal, along z, along y, sticking.
    """

    counts: Any
    nodes: Any
    faces: Any
    touching: Any
    gap: Any
    swift: Any
    impulse: Any
    tilt: Any
    light: Any
    forces: Any


@njit(cache=True)
def near_of(surface: Any, pivot: Any) -> Any:
    """Return a `Near` for all nodes.

    Parameters
    ----------
    surface : Surface
    pivot : (k,) array
        Of the surface nodes, see `layers.strike.model.Chain`.
    """
    nodes, faces = surface.nodes.shape[0], surface.bulge.shape[0]
    points = surface.shape.shape[0]
    return Near(
        np.zeros(2, np.int64),
        np.arange(nodes),
        np.arange(faces),
        np.zeros(faces, np.int64),
        np.zeros(nodes),
        np.zeros((3, nodes)),
        np.zeros((3, nodes)),
        np.zeros((2, nodes)),
        surface.area * pivot,
        np.zeros((4, faces * points)),
    )


@njit(cache=True)
def _kick(velocity: Any, carry: Any, first: int, column: int, kick: Any) -> None:
    """Let a column's inner nodes follow the kick that its surface node got."""
    rows, columns = carry.shape
    follow = 1.0
    for r in range(rows - 2, -1, -1):
        follow *= carry[r + 1, column]
        n = first + r * columns + column
        for i in range(3):
            velocity[i, n] += follow * kick[i]


@njit(cache=True)
def _press(surface: Any, f: int, near: Any, stretch: Any, face: Any, step: float) -> None:
    """Give the forces at one quadrilateral's points and their impulses on its nodes.

    With the relative velocity w' = w + dt a N after the step, a being the acceleration under unit
    pressure, the pressure is N = -k (g + dt w' / 2) - c w', solved for N; likewise along the face.
    """
    k, kt = face[STIFFNESS], face[SHEAR_STIFFNESS]
    friction, weight, forces = face[FRICTION], surface.weight[f], near.forces
    for p in range(surface.shape.shape[0]):
        at = f * surface.shape.shape[0] + p
        gap, w0, w1, w2, ease = -surface.bulge[f], 0.0, 0.0, 0.0, 0.0
        for corner in range(4):
            n, s = surface.shape[p, corner], surface.faces[corner, f]
            gap += n * near.gap[s]
            w0 += n * near.swift[0, s]
            w1 += n * near.swift[1, s]
            w2 += n * near.swift[2, s]
            ease += n * near.light[s]
        resist = 0.5 * step * k + face[DAMPING]
        soften = 1.0 / (1.0 + resist * step * ease)
        normal = -(k * gap + resist * w0) * soften
        if gap > 0.0 or normal <= 0.0:
            forces[0, at], forces[1, at], forces[2, at], forces[3, at] = 0.0, 0.0, 0.0, 0.0
            continue
        resist = 0.5 * step * kt + face[SHEAR_DAMPING]
        soften = 1.0 / (1.0 + resist * step * ease)
        along = -(kt * stretch[0, at] + resist * w2) * soften
        across = -(kt * stretch[1, at] + resist * w1) * soften
        size = math.sqrt(along * along + across * across)
        limit = friction * normal / (1.0 + face[FADE] * math.sqrt(w1 * w1 + w2 * w2))
        if size > limit:
            along *= limit / size
            across *= limit / size
        forces[0, at], forces[1, at], forces[2, at] = normal, along, across
        forces[3, at] = 1.0 if size <= limit else 0.0
        for corner in range(4):
            part = step * weight * surface.shape[p, corner]
            s = surface.faces[corner, f]
            near.impulse[0, s] += part * normal
            near.impulse[1, s] += part * across
            near.impulse[2, s] += part * along


@njit(cache=True)
def _settle(
    surface: Any, f: int, near: Any, stretch: Any, face: Any, step: float, sums: Any
) -> None:
    """Carry one quadrilateral's stretches over the step; sum its forces and losses."""
    k, kt, weight = face[STIFFNESS], face[SHEAR_STIFFNESS], surface.weight[f]
    forces = near.forces
    for p in range(surface.shape.shape[0]):
        at = f * surface.shape.shape[0] + p
        gap, w0, w1, w2 = -surface.bulge[f], 0.0, 0.0, 0.0
        for corner in range(4):
            n, s = surface.shape[p, corner], surface.faces[corner, f]
            gap += n * near.gap[s]
            w0 += n * near.swift[0, s]
            w1 += n * near.swift[1, s]
            w2 += n * near.swift[2, s]
        normal, along, across = forces[0, at], forces[1, at], forces[2, at]
        before, after = min(0.0, gap), min(0.0, gap + step * w0)
        lost = step * normal * w0 + 0.5 * k * (after * after - before * before)
        sums[CONTACT_LOSS] -= weight * lost
        stored = stretch[0, at] ** 2 + stretch[1, at] ** 2
        if after == 0.0 or normal == 0.0:
            stretch[0, at], stretch[1, at] = 0.0, 0.0
        elif forces[3, at] == 1.0:
            stretch[0, at] += step * w2
            stretch[1, at] += step * w1
        else:
            stretch[0, at], stretch[1, at] = -along / kt, -across / kt
        stored = stretch[0, at] ** 2 + stretch[1, at] ** 2 - stored
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


@njit(cache=True)
def _approach(
    points: Any, u: Any, velocity: Any, surface: Any, face: Any, club: Any, near: Any
) -> None:
    """Distances and velocities of the nodes that may touch, in the axes of the face under each.

    A rolled face stands back by half its curvature times the square of the height, and its normal
    leans by the height over its radius.
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
def search(
    points: Any,
    u: Any,
    velocity: Any,
    surface: Any,
    face: Any,
    club: Any,
    time: float,
    fastest: float,
    near: Any,
) -> float:
    """Find what may touch the face within a time.

    Parameters
    ----------
    points, u, velocity : (3, n) array
        Reference coordinates, displacements and velocities.
    surface : Surface
    face, club : array
        Rows of this module.
    time : float
        Until the next search, s.
    fastest : float
        Greatest speed of a surface node along the face's normal so far, m/s.
    near : Near
        Written.

    Returns
    -------
    float
        The greatest speed with those of now.
    """
    count = surface.nodes.shape[0]
    near.counts[0], near.counts[1] = count, 0
    near.nodes[:] = np.arange(count)
    _approach(points, u, velocity, surface, face, club, near)
    fastest = max(fastest, np.abs(near.swift[0]).max())
    reach = SUDDEN * fastest * time
    wanted = np.zeros(count, np.bool_)
    for f in range(surface.faces.shape[1]):
        lowest = near.gap[surface.faces[0, f]]
        for corner in range(1, 4):
            lowest = min(lowest, near.gap[surface.faces[corner, f]])
        if lowest < surface.bulge[f] + reach:
            near.faces[near.counts[1]] = f
            near.counts[1] += 1
            for corner in range(4):
                wanted[surface.faces[corner, f]] = True
    near.counts[0] = 0
    for s in range(count):
        if wanted[s]:
            near.nodes[near.counts[0]] = s
            near.counts[0] += 1
    return float(fastest)


@njit(cache=True)
def nearest(points: Any, u: Any, surface: Any, face: Any, club: Any) -> float:
    """Distance of the surface node that is nearest to the face, m.

    Parameters
    ----------
    points, u : (3, n) array
        Reference coordinates and displacements, m.
    surface : Surface
    face, club : array
        Rows of this module.
    """
    cos, sin, roll = math.cos(club[TURN]), math.sin(club[TURN]), face[CURVATURE]
    least = math.inf
    for n in surface.nodes:
        x = points[0, n] + u[0, n] - club[FACE_X]
        z = points[2, n] + u[2, n] - club[FACE_Z]
        height = z * cos - x * sin
        least = min(least, x * cos + z * sin + 0.5 * roll * height * height)
    return least


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
    near : Near
        What may touch, see `search`.
    sums : (SUM_ROWS,) array
        Written: forces (N), slip power (W), losses (J), torque toward backspin about the origin
        (N m).
    """
    sums[:] = 0.0
    first = surface.nodes[0] - (carry.shape[0] - 1) * carry.shape[1]
    impulse, tilt, swift, touching = near.impulse, near.tilt, near.swift, 0
    _approach(points, u, velocity, surface, face, club, near)
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
            _press(surface, f, near, stretch, face, step)
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
            sums[FORCE_X] += px / step
            sums[FORCE_Z] += pz / step
            sums[TORQUE_SUM] += (x * pz - z * px) / step
    for k in range(touching):
        _settle(surface, near.touching[k], near, stretch, face, step, sums)
