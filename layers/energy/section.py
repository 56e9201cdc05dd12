"""The section of a recorded impact, upright: across toward the target, and up."""

import math
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.energy.record import ImpactRecord


@dataclass(frozen=True)
class Section:
    """The plane through the axis of impact at one instant; the face's point is the origin.

    Attributes
    ----------
    points : (2, n) array
        Of the nodes: toward the target and up, m.
    quads : (4, q) array
        Quadrilaterals, in order around each.
    layer, shear_strain, loss : (q,) array
        Of each; strain as a ratio, loss in J/m3.
    face : (2, k) array
        The face, or the plate.
    patch : (2, k) array
        The part of it that is touched; empty if none is.
    """

    points: FloatArray
    quads: IntArray
    layer: IntArray
    shear_strain: FloatArray
    loss: FloatArray
    face: FloatArray
    patch: FloatArray


def section_of(record: ImpactRecord, index: int) -> Section:
    """Cut a recorded impact through its axis at one of its frames.

    Parameters
    ----------
    record : ImpactRecord
    index : int
        Of the frame.
    """
    grid, frame = record.grid, record.frames[index]
    quads, cells, points = grid.quads, grid.cell_of, frame.points
    if record.swing:
        cos, sin = math.cos(record.tilt), math.sin(record.tilt)
        upright = np.array([[cos, -sin], [sin, cos]])
        middle = frame.face[:, frame.face.shape[1] // 2, None]
        points, face = upright @ (points[[0, 2]] - middle), upright @ (frame.face - middle)
    else:
        mirrored = points * np.array([[-1.0], [1.0]])
        quads = np.concatenate([quads, quads[::-1] + points.shape[1]], axis=1)
        cells = np.concatenate([cells, cells])
        points, face = np.concatenate([points, mirrored], axis=1), frame.face
    return Section(
        points=points,
        quads=quads,
        layer=grid.layer[cells],
        shear_strain=frame.shear_strain[cells],
        loss=frame.loss[cells],
        face=face,
        patch=_touched(record, index, face),
    )


def _touched(record: ImpactRecord, index: int, face: FloatArray) -> FloatArray:
    """Part of the face between the ends of the contact, (2, k)."""
    frame = record.frames[index]
    if frame.contact_area == 0.0:
        return np.empty((2, 0))
    if frame.patch:
        ends = frame.patch.place[1].min(), frame.patch.place[1].max()
    else:
        radius = math.sqrt(frame.contact_area / math.pi)
        ends = -radius, radius
    along = np.linspace(*ends, 20)
    steps = np.hypot(*np.diff(face, axis=1))
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    arc -= 0.5 * arc[-1]
    return np.stack([np.interp(along, arc, coordinate) for coordinate in face])
