"""The contact of a strike during one step: pressure, and where the ball slides on the face.

The march keeps no forces; they are worked out from what it held before and after the step, by the
laws of `layers.strike.contact`, and add up to its own.
"""

import math
from typing import NamedTuple

import numpy as np

from layers.arrays import BoolArray, FloatArray, IntArray
from layers.energy.record import Patch
from layers.strike import contact
from layers.strike.start import Run

# Share of the way over the face in a step by which the stretch of a stuck point may miss it.
_STUCK = 1e-6
# How close the pressures must come, and in how many rounds at most.
_CLOSE, _MOST_ROUNDS = 1e-10, 400


class Before(NamedTuple):
    """What a step changes, as it was before: see `Run`."""

    u: FloatArray
    club: FloatArray
    stretch: FloatArray


def patch_of(run: Run, before: Before, step: float) -> Patch:
    """Find the pressure and the sliding of one step.

    Parameters
    ----------
    run : Run
        After the step.
    before : Before
        And before it.
    step : float
        s.

    Returns
    -------
    Patch
        The points of both halves that press on the face.
    """
    surface = run.model.surface
    near, height, over = _approach(run, before)
    count = len(surface.shape)
    corners = np.repeat(surface.faces.T, count, axis=0)  # (f p, 4), as the march numbers points
    shape = np.tile(surface.shape, (surface.faces.shape[1], 1))
    weight = np.repeat(surface.weight, count)

    def at(nodal: FloatArray, of: BoolArray) -> FloatArray:
        return np.asarray((nodal[..., corners[of]] * shape[of]).sum(axis=-1))

    gap = at(near, np.ones(len(shape), dtype=bool)) - np.repeat(surface.bulge, count)
    touching = gap <= 0.0
    force = np.zeros_like(gap)
    force[touching] = _pressure(
        run, gap[touching], at(over[0], touching), corners[touching], shape[touching],
        weight[touching], step,
    )  # fmt: skip
    on = force > 0.0
    slip = at(over[1:], on)[::-1]  # (up the face, lateral), as stretches are kept
    crept = step * slip - (run.stretch - before.stretch)[:, on]
    leaving = gap[on] + step * at(over[0], on) >= 0.0  # the march forgets their stretch
    sliding = (np.hypot(*crept) > _STUCK * step * np.hypot(*slip)) & ~leaving
    lateral = (run.model.points[1] + before.u[1])[surface.nodes]
    place = np.stack([at(lateral, on), at(height, on)])
    both = np.array([[-1.0], [1.0]])
    return Patch(
        place=np.concatenate([place, both * place], axis=1),
        area=np.tile(weight[on], 2),
        pressure=np.tile(force[on], 2),
        sliding=np.tile(sliding, 2),
        slip=np.concatenate([slip[::-1], both * slip[::-1]], axis=1),
    )


def _pressure(
    run: Run,
    gap: FloatArray,
    after: FloatArray,
    corners: IntArray,
    shape: FloatArray,
    weight: FloatArray,
    step: float,
) -> FloatArray:
    """Pressures N of the points that overlap the face, Pa.

    The march takes N = -(k g + r w) / (1 + r dt a) of the velocity w before the impulses, with
    r = k dt / 2 + c, where that is positive (`layers.strike.contact`). The velocity after is
    known, w' = w + dt B N. Putting N in again and again closes in on it: B N is at most a N.
    """
    face, ease = run.face, run.model.chain.pivot[-1]
    resist = 0.5 * step * face[contact.STIFFNESS] + face[contact.DAMPING]
    light = run.model.surface.area * ease
    soften = 1.0 / (1.0 + resist * step * (light[corners] * shape).sum(axis=1))
    rest = -soften * (face[contact.STIFFNESS] * gap + resist * after)
    force: FloatArray = np.maximum(rest, 0.0)
    for _ in range(_MOST_ROUNDS):
        old = force
        parts = (shape * (weight * force)[:, None]).ravel()
        kick = step * ease * np.bincount(corners.ravel(), parts, len(ease))
        force = np.maximum(rest + soften * resist * (kick[corners] * shape).sum(axis=1), 0.0)
        if np.abs(force - old).max(initial=0.0) <= _CLOSE * force.max(initial=0.0):
            break
    return force


def _approach(run: Run, before: Before) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance from the face and height on it before, velocity over it after, of surface nodes.

    The velocity is (along the face's normal, lateral, up the face); see
    `layers.strike.contact.approach`.
    """
    nodes, club, roll = run.model.surface.nodes, before.club, run.face[contact.CURVATURE]
    x, _, z = (run.model.points + before.u)[:, nodes]
    v, lateral, w = run.velocity[:, nodes]
    x, z = x - club[contact.FACE_X], z - club[contact.FACE_Z]
    rate, turn = club[contact.TURN_RATE], club[contact.TURN]
    cos, sin = math.cos(turn), math.sin(turn)
    height = z * cos - x * sin
    lean = roll * height
    size = 1.0 / np.sqrt(1.0 + lean**2)
    c, t = size * (cos - lean * sin), size * (sin + lean * cos)
    v = v - club[contact.FACE_VX] + rate * z
    w = w - club[contact.FACE_VZ] - rate * x
    near = x * cos + z * sin + 0.5 * roll * height**2
    return near, height, np.stack([v * c + w * t, lateral, w * c - v * t])
