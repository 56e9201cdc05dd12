"""Which part of the surface may touch the face soon: all else is left out of the contact."""

import math
from typing import Any, NamedTuple

import numpy as np

from layers.numerics.machine_code import njit
from layers.strike.contact import CURVATURE, FACE_X, FACE_Z, TURN, approach

# How much faster than anything before a node may come near the face until the next search.
SUDDEN = 2.0


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
        np.array([nodes, faces]),
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
        See `layers.strike.contact`.
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
    approach(points, u, velocity, surface, face, club, near)
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
        See `layers.strike.contact`.
    """
    cos, sin, roll = math.cos(club[TURN]), math.sin(club[TURN]), face[CURVATURE]
    least = math.inf
    for n in surface.nodes:
        x = points[0, n] + u[0, n] - club[FACE_X]
        z = points[2, n] + u[2, n] - club[FACE_Z]
        height = z * cos - x * sin
        least = min(least, x * cos + z * sin + 0.5 * roll * height * height)
    return least
