"""What the masses and surfaces of all builds of one mesh follow from."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from layers.arrays import FloatArray
from layers.gpu.plan import places, plan_of
from layers.numerics.cubed_sphere import Counts
from layers.numerics.hexes import hex_geometry
from layers.strike.model import _surface


@dataclass(frozen=True)
class Unit:
    """What the masses of every build of one plan follow from; lengths per metre of radius.

    Attributes
    ----------
    core : (nodes,) array
        Lumped volume at the nodes up to the first row, m3.
    column : (k,) array
        Lumped volume at a column's node, of a ring from radius 0 to 1, m3.
    place : (3, nodes) array
        Of the nodes up to the first row; the last k are the columns' directions.
    weight, bulge, area : (f,), (f,), (k,) array
        Of the surface, see `layers.strike.contact.Surface`.
    """

    core: FloatArray
    column: FloatArray
    place: FloatArray
    weight: FloatArray
    bulge: FloatArray
    area: FloatArray


@lru_cache(maxsize=16)
def unit_of(counts: Counts, points: int) -> Unit:
    """Gather what masses and surfaces follow from; `points` along each edge of a face."""
    plan = plan_of(counts)
    mesh, columns = plan.mesh, len(plan.column)
    _, volume, _, _ = hex_geometry(mesh.points, mesh.hexes)
    layers = int(mesh.layer.max()) + 1
    lumped = np.zeros((2, mesh.points.shape[1]))
    for which, part in enumerate((mesh.layer == 0, mesh.layer == layers - 1)):
        for corner in mesh.hexes[:, part]:
            weights = volume[part] / 8.0
            lumped[which] += np.bincount(corner, weights=weights, minlength=lumped.shape[1])
    core = lumped[0][plan.node[: plan.inner + columns]]
    outer = lumped[1][plan.node[-columns:]]
    if layers > 1:
        # The outermost ring runs from the radius under it to `layers`.
        inside = mesh.points[:, plan.node[-2 * columns : -columns]]
        below = math.sqrt(float((inside**2).sum(axis=0).mean()))
        outside = mesh.points[:, plan.node[-columns:]]
        ratio = below / math.sqrt(float((outside**2).sum(axis=0).mean()))
        outer = outer / (float(layers) ** 3 * (1.0 - ratio**3))
    size = float(layers)
    scaled = type(mesh)(
        mesh.points / size, mesh.hexes, mesh.layer, mesh.surface, mesh.plane, mesh.faces
    )
    surface = _surface(scaled, 1.0, points)
    return Unit(core, outer, places(plan), surface.weight, surface.bulge, surface.area[plan.column])
