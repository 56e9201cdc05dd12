"""The contact patch of a strike at an instant: pressure, and where the ball slides on the face."""

import math

import numpy as np

from layers.energy.record import Patch
from layers.strike import contact
from layers.strike.start import Run

# Friction above this share of its limit counts as sliding: at rest it is damped a little below.
_AT_LIMIT = 0.95


def patch_of(run: Run) -> Patch:
    """Read the contact off a march's arrays, by the laws of `layers.strike.contact`.

    Parameters
    ----------
    run : Run
        Between two steps: positions now, velocities half a step ago.

    Returns
    -------
    Patch
        The points of both halves whose quadrilaterals reach the face.
    """
    surface, face = run.model.surface, run.face
    near, height, swift = _approach(run)
    corners = surface.faces  # (4, f)
    at = {
        name: np.einsum("pa,...af->...fp", surface.shape, values[..., corners])
        for name, values in (("near", near), ("height", height), ("swift", swift))
    }
    lateral = (run.model.points[1] + run.u[1])[surface.nodes]
    across = np.einsum("pa,af->fp", surface.shape, lateral[corners])
    gap = at["near"] - surface.bulge[:, None]
    push = -(face[contact.STIFFNESS] * gap + face[contact.DAMPING] * at["swift"][0])
    pressure = np.where(gap < 0.0, np.maximum(push, 0.0), 0.0)
    slip = at["swift"][1:]
    speed = np.sqrt((slip**2).sum(axis=0))
    limit = face[contact.FRICTION] * pressure / (1.0 + face[contact.FADE] * speed)
    held = face[contact.SHEAR_STIFFNESS] * np.sqrt((run.stretch**2).sum(axis=0))
    sliding = held.reshape(pressure.shape) >= _AT_LIMIT * limit
    area = np.broadcast_to(surface.weight[:, None], pressure.shape)
    on = pressure > 0.0
    place = np.stack([across[on], at["height"][on]])
    both = np.array([[-1.0], [1.0]])
    return Patch(
        place=np.concatenate([place, both * place], axis=1),
        area=np.tile(area[on], 2),
        pressure=np.tile(pressure[on], 2),
        sliding=np.tile(sliding[on], 2),
        slip=np.concatenate([slip[:, on], both * slip[:, on]], axis=1),
    )


def _approach(run: Run) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distance from the face, height on it and velocity over it of each surface node.

    The velocity is (toward the face's normal, lateral, up the face); see
    `layers.strike.contact._approach`.
    """
    nodes, club, roll = run.model.surface.nodes, run.club, run.face[contact.CURVATURE]
    x, _, z = (run.model.points + run.u)[:, nodes]
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
