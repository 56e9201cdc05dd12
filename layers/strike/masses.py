"""Masses, inertia of thin layers and contact laws of many builds of one mesh at once.

The mesh is linear in the radii and a ring's nodes lie along fixed directions, so volumes are cubic
in the radii and moments of mass are polynomials of them: all follow from sums over one mesh. Arrays
begin with an axis of builds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.mass.inertia import Pieces, mass, moment_of_inertia, solver_density
from layers.numerics.cubed_sphere import Counts, HalfSphere, half_sphere
from layers.numerics.hexes import hex_geometry
from layers.strike.contact import Surface
from layers.strike.settings import Settings

# A cover thicker than this share of the radius gives no softer contact.
THICK = 0.07
# Masses are scaled by a combination of 1, r^2 and x so that the sums of 1, x^2 + z^2 and x times
# mass come right: how both go with the size.
_DEGREES = np.array([0, 2, 1])


@dataclass(frozen=True)
class Unit:
    """What masses and contact of every build of one mesh follow from; lengths per metre of radius.

    Attributes
    ----------
    core : (nodes,) array
        Lumped volume at the nodes up to the first row of columns, m3.
    column : (k,) array
        Lumped volume at a column's node, of a ring from radius 0 to 1, m3.
    place : (3, nodes) array
        Of the nodes up to the first row; the last k are the columns' directions.
    core_moments, column_moments : (3, 3) array
        Sums of `core` and `column` times 1, x^2 + z^2, x (rows) times 1, r^2, x.
    surface : Surface
        Of radius 1 m.
    """

    core: FloatArray
    column: FloatArray
    place: FloatArray
    core_moments: FloatArray
    column_moments: FloatArray
    surface: Surface


@lru_cache(maxsize=16)
def unit_of(counts: Counts, points: int) -> Unit:
    """Gather what masses and surfaces follow from; `points` along each edge of a face."""
    rings, layers = counts.rings, len(counts.rings)
    mesh = half_sphere(np.arange(1.0, layers + 1.0), counts)
    columns = len(mesh.surface)
    inner = mesh.points.shape[1] - columns * sum(map(len, rings[1:]))
    _, volume, _, _ = hex_geometry(mesh.points, mesh.hexes)
    place, core = mesh.points[:, :inner], _lumped(mesh, volume, 0)[:inner]
    column = np.zeros(columns)
    if layers > 1:
        # The outermost ring of this mesh runs from the radius `below` to `layers`.
        below = layers - 1.0 + (0.0, *rings[-1])[-2]
        column = _lumped(mesh, volume, layers - 1)[-columns:] / (layers**3 - below**3)
    return Unit(
        core=core,
        column=column,
        place=place,
        core_moments=_moments(core, place),
        column_moments=_moments(column, place[:, -columns:]),
        surface=_surface(mesh, points),
    )


def _lumped(mesh: HalfSphere, volume: FloatArray, layer: int) -> FloatArray:
    """Spread a layer's volume over the corners of its elements, (n,) m3."""
    count, mine = mesh.points.shape[1], mesh.layer == layer
    parts = [np.bincount(c[mine], volume[mine] / 8.0, minlength=count) for c in mesh.hexes]
    return np.asarray(np.sum(parts, axis=0))


def _moments(weight: FloatArray, place: FloatArray) -> FloatArray:
    x, y, z = place
    ones = np.ones_like(x)
    met, scaling = np.stack([ones, x**2 + z**2, x]), np.stack([ones, x**2 + y**2 + z**2, x])
    return np.asarray((met * weight) @ scaling.T)


def _surface(mesh: HalfSphere, points: int) -> Surface:
    """Sample the outer quadrilaterals, at radius 1, at points x points evenly spread places."""
    corners = mesh.points[:, mesh.surface[mesh.faces]] / (mesh.layer.max() + 1.0)
    cross = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1], axis=0)
    size = 0.5 * np.sqrt((cross**2).sum(axis=0))
    size *= 2.0 * np.pi / size.sum()
    place = (2.0 * np.arange(points) + 1.0) / points - 1.0
    xi, eta = (grid.ravel() for grid in np.meshgrid(place, place, indexing="ij"))
    shape = np.stack(
        [(1 + a * xi) * (1 + b * eta) / 4 for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))], axis=1
    )
    sampled = np.einsum("pa,iaf->ipf", shape, corners)
    bulge = 1.0 - np.sqrt((sampled**2).sum(axis=0)).mean(axis=0)
    area = np.zeros(len(mesh.surface))
    for corner, share in zip(mesh.faces, shape.mean(axis=0), strict=True):
        area += np.bincount(corner, weights=size * share, minlength=len(area))
    return Surface(mesh.surface, mesh.faces, shape, size / len(shape), bulge, area)


class Matter(NamedTuple):
    """Layers of b builds of n layers and p relaxation pairs each.

    Attributes
    ----------
    spheres : Pieces
        Radii, densities and dimples.
    density : (b, n) array
        Of a sphere without dimples, kg/m3.
    shear, bulk : (b, n) array
        Dynamic moduli, Pa.
    strength, rate : (b, n, p) array
        Of the relaxing networks, and one over their times, 1/s.
    """

    spheres: Pieces
    density: FloatArray
    shear: FloatArray
    bulk: FloatArray
    strength: FloatArray
    rate: FloatArray

    @property
    def glassy(self) -> FloatArray:
        """Shear modulus before any relaxation over `shear`, (b, n)."""
        return np.asarray(1.0 + self.strength.sum(axis=2))

    @property
    def wave(self) -> FloatArray:
        """Modulus of the fastest waves, (b, n) Pa."""
        return np.asarray(self.bulk + 4.0 / 3.0 * self.glassy * self.shear)


def matter_of(bodies: Sequence[Body]) -> Matter:
    """Gather the layers of builds of equal counts of layers and relaxation pairs."""
    ratio = np.array([body.dynamic_modulus_ratio for body in bodies])
    spheres = Pieces(
        np.array([body.outer_radius for body in bodies]),
        np.array([body.density for body in bodies]),
        np.array([body.dimple_volume_fraction for body in bodies]),  # type: ignore[arg-type]
        np.array([body.dimple_depth for body in bodies]),  # type: ignore[arg-type]
    )
    return Matter(
        spheres=spheres,
        density=solver_density(spheres),
        shear=ratio * np.array([body.shear_modulus for body in bodies]),
        bulk=ratio * np.array([body.bulk_modulus for body in bodies]),
        strength=np.array([body.relaxation_strength for body in bodies]),
        rate=1.0 / np.array([body.relaxation_time for body in bodies]),
    )


class Laid(NamedTuple):
    """Masses and contact of b builds, whose columns have r rows of k nodes.

    Attributes
    ----------
    row : (b, r) array
        Radii of the rows from the first interface to the surface, m.
    relief : (b, n) array
        By how much the extra inertia lowers each layer's squared frequency across its thickness.
    node_mass : (b, nodes) array
        kg; sum, centre and moment of inertia are the half ball's exactly.
    bond : (b, r - 1, k) array
        Mass that acts on the relative motion of neighbours in a column, kg.
    carry, pivot : (b, r, k) array
        See `layers.strike.model.Chain`.
    law : (b, 4) array
        Stiffness (Pa/m) and damping (Pa s/m) of the contact, normal and along the face.
    """

    row: FloatArray
    relief: FloatArray
    node_mass: FloatArray
    bond: FloatArray
    carry: FloatArray
    pivot: FloatArray
    law: FloatArray


def lay_out(
    matter: Matter,
    stiffest: FloatArray,
    outermost: FloatArray,
    counts: Counts,
    unit: Unit,
    settings: Settings,
) -> Laid:
    """Give builds their masses and contact laws.

    Parameters
    ----------
    matter : Matter
        Of the builds.
    stiffest, outermost : (b, n), (b,) array
        Modulus of the fastest waves of each layer's stiffest element and at the surface, Pa.
    counts : Counts
    unit : Unit
        Of these counts; its nodes and columns may be in any order.
    settings : Settings
        Of the contact, and the step that thin layers shall allow.
    """
    radius, density = matter.spheres.outer_radius, matter.density
    thickness = np.diff(radius, axis=1, prepend=0.0)
    ring = thickness / [len(part) for part in counts.rings]
    # A free slab's highest squared frequency across its thickness t is 4 c^2 / t^2.
    relief = np.minimum(1.0, ring**2 * density / (stiffest * settings.thinnest_step**2))
    relief[:, 0] = 1.0
    row, of_ring = rows_of(radius, counts.rings)
    # It leaves the mass alone and slows only the waves across thin layers, thousands of times
    # faster than an impact; the moment of inertia that it adds is taken from the nodes.
    extra = 0.25 * density * ring * (1.0 / relief - 1.0)
    bond = (row[:, 1:] ** 2 * extra[:, of_ring])[:, :, None] * unit.surface.area
    node_mass = _node_mass(matter, unit, row, of_ring, bond)
    carry, pivot = _factored(node_mass, bond)
    cover = np.minimum(thickness[:, -1], THICK * radius[:, -1])
    law = _contact_law(outermost, density[:, -1], cover, settings)
    return Laid(row, relief, node_mass, bond, carry, pivot, law)


def rows_of(radius: FloatArray, rings: Sequence[Sequence[float]]) -> tuple[FloatArray, list[int]]:
    """Radius of each row of a column, (b, r) m; the layer of each ring between them.

    Parameters
    ----------
    radius : (b, n) array
        Of the interfaces, m.
    rings : sequence of n sequences
        See `Counts`.
    """
    rows, of_ring = [radius[:, 0]], []
    for layer in range(1, len(rings)):
        inner = radius[:, layer - 1]
        rows += [inner + (radius[:, layer] - inner) * position for position in rings[layer]]
        of_ring += [layer] * len(rings[layer])
    return np.stack(rows, axis=1), of_ring


def _node_mass(
    matter: Matter, unit: Unit, row: FloatArray, of_ring: list[int], bond: FloatArray
) -> FloatArray:
    """Lumped masses whose sum, centre and moment of inertia are the half ball's exactly.

    The mesh of flat-sided elements is a little light; each mass is scaled by a + b r^2 + c x.
    """
    outer, columns = row[:, -1], len(unit.column)
    size = row / outer[:, None]
    # Mass per volume of `unit` at the core's nodes and at those of each row.
    core, shells = matter.density[:, 0] * row[:, 0] ** 3, np.zeros_like(row)
    ring = matter.density[:, of_ring] * np.diff(row**3, axis=1)
    shells[:, :-1] += ring
    shells[:, 1:] += ring
    power = size[:, :, None, None] ** (_DEGREES[:, None] + _DEGREES)
    matrix = core[:, None, None] * power[:, 0] * unit.core_moments
    matrix += (shells[:, :, None, None] * power).sum(axis=1) * unit.column_moments
    ray = unit.place[:, -columns:]
    gaps = np.diff(size, axis=1) ** 2
    bonded = ((bond @ (ray[0] ** 2 + ray[2] ** 2)) * gaps).sum(axis=1)
    wanted = np.zeros((len(row), 3, 1))
    wanted[:, 0, 0] = 0.5 * mass(matter.spheres)
    wanted[:, 1, 0] = 0.5 * moment_of_inertia(matter.spheres) / outer**2 - bonded
    scale = np.linalg.solve(matrix, wanted)
    a, b, c = scale[:, 0], scale[:, 1], scale[:, 2]
    first, square = size[:, :1], (unit.place**2).sum(axis=0)
    inside = core[:, None] * unit.core
    inside[:, -columns:] += shells[:, :1] * unit.column
    inside *= a + b * first**2 * square + c * first * unit.place[0]
    size = size[:, 1:, None]
    outside = shells[:, 1:, None] * unit.column
    outside *= (
        a[:, None]
        + b[:, None] * size**2 * square[-columns:]
        + c[:, None] * size * unit.place[0, -columns:]
    )
    return np.concatenate([inside, outside.reshape(len(row), -1)], axis=1)


def _factored(node_mass: FloatArray, bond: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Factor the mass matrix of three diagonals of every column."""
    builds, rings, columns = bond.shape
    rows = rings + 1
    own = node_mass[:, -rows * columns :].reshape(builds, rows, columns)
    carry, pivot = np.zeros_like(own), np.empty_like(own)
    for r in range(rows):
        diagonal = own[:, r].copy()
        if r > 0:
            carry[:, r] = bond[:, r - 1] * pivot[:, r - 1]
            diagonal += bond[:, r - 1] * (1.0 - carry[:, r])
        if r < rows - 1:
            diagonal += bond[:, r]
        pivot[:, r] = 1.0 / diagonal
    return carry, pivot


def _contact_law(
    wave: FloatArray, density: FloatArray, cover: FloatArray, settings: Settings
) -> FloatArray:
    """Stiffness and damping of the contact, normal and along the face, (b, 4).

    On the scale of the cover, not of the mesh, so that a finer mesh converges to the same law. The
    mass that damping refers to is a quarter of the cover's.
    """
    normal = settings.contact_stiffness * wave / cover
    along = settings.shear_stiffness * normal
    damping, quarter = 2.0 * settings.contact_damping, 0.25 * density * cover
    return np.stack(
        [normal, damping * np.sqrt(normal * quarter), along, damping * np.sqrt(along * quarter)],
        axis=1,
    )
