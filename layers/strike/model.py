"""Arrays of one build for the oblique impact: mesh, element constants, masses, contact."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from layers.arrays import DTYPES, FloatArray, IntArray, Precision
from layers.ball import Body
from layers.graded.curve import element_means
from layers.mass.inertia import mass, moment_of_inertia, solver_density
from layers.numerics.cubed_sphere import Counts, HalfSphere, half_sphere
from layers.numerics.hexes import hex_geometry
from layers.numerics.lanes import aligned, width_of
from layers.strike import kernels
from layers.strike.contact import Surface


@dataclass(frozen=True)
class Settings:
    """Numerical choices of one level.

    Attributes
    ----------
    normal, lateral, upward : int
        Elements of the mesh's block, see `Counts`.
    core_rings, small_core_rings : int
        Rings of the innermost layer: of up to three layers, of four or more.
    shell_rings, mantle_rings, cover_rings : int
        Rings of the second of four or more layers (an outer core), of the other layers between, and
        of the outermost.
    focus : float
        See `Counts`.
    points : int
        Contact points along each edge of an outer quadrilateral.
    grading : float
        Thickness of a ring over that of the one inside it, where a layer's rings are graded.
    block, small_block : float
        Half width of the mesh's block over the innermost layer's radius: of up to three layers, of
        four or more, whose small inner core would have elements too small for a long step.
    contact_stiffness : float
        Normal contact stiffness over M/t, the cover's uniaxial modulus over its thickness.
    shear_stiffness : float
        Contact stiffness along the face over that along its normal.
    contact_damping : float
        Share of each surface node's critical damping.
    hourglass : float
        Hourglass stiffness over that of a vector Laplacian of the element's shear modulus.
    bulk_viscosity : float
        Linear bulk viscosity, share of critical.
    thinnest_step : float
        A stable step that thin layers shall allow, s: across their thickness they are given the
        extra inertia that it takes, see `_bonds`.
    precision : {"single", "double"}
        In which the elements are computed.
    """

    normal: int = 8
    lateral: int = 6
    upward: int = 12
    core_rings: int = 3
    small_core_rings: int = 1
    shell_rings: int = 3
    mantle_rings: int = 1
    cover_rings: int = 2
    grading: float = 0.8
    block: float = 0.6
    small_block: float = 0.7
    focus: float = 0.8
    points: int = 2
    contact_stiffness: float = 1.0
    shear_stiffness: float = 1.0
    contact_damping: float = 1.0
    hourglass: float = 0.8
    bulk_viscosity: float = 0.1
    thinnest_step: float = 1.0e-6
    precision: Precision = "single"


LEVELS: dict[str, Settings] = {
    "default": Settings(),
    "fine": Settings(
        normal=12,
        lateral=9,
        upward=18,
        core_rings=5,
        small_core_rings=2,
        shell_rings=4,
        mantle_rings=2,
        cover_rings=3,
        thinnest_step=0.5e-6,
    ),
}


# A cover thicker than this share of the radius gives no softer contact.
THICK = 0.07


class Chain(NamedTuple):
    """Extra inertia of thin layers: r rows of nodes from the first interface to the surface.

    The nodes of a column, one a row, resist relative acceleration by a mass matrix of three
    diagonals, kept as its factors.

    Attributes
    ----------
    bond : (r - 1, k) array
        Mass that acts on the relative motion of neighbours in a column, kg.
    carry, pivot : (r, k) array
        Factors: what a row passes on to the next, and one over the pivots, 1/kg.
    """

    bond: FloatArray
    carry: FloatArray
    pivot: FloatArray


class Model(NamedTuple):
    """Arrays of one build, ready to march."""

    mesh: HalfSphere
    points: FloatArray
    node_mass: FloatArray
    push: FloatArray
    chain: Chain
    hexes: IntArray
    constant: FloatArray
    branch: FloatArray
    surface: Surface
    law: tuple[float, float, float, float]


def _counts(layers: int, settings: Settings) -> Counts:
    def even(count: int) -> tuple[float, ...]:
        return tuple(float(k) for k in np.arange(1, count + 1) / count)

    def graded(count: int) -> tuple[float, ...]:
        sizes = settings.grading ** np.arange(count)
        return tuple(float(k) for k in np.cumsum(sizes) / sizes.sum())

    rings: tuple[tuple[float, ...], ...]
    between = [settings.mantle_rings] * max(layers - 2, 0)
    if layers >= 4:
        between[0] = settings.shell_rings
    if layers == 1:
        rings = (graded(settings.core_rings + settings.shell_rings),)
    else:
        core = settings.core_rings if layers < 4 else settings.small_core_rings
        rings = tuple(map(even, (core, *between, settings.cover_rings)))
        if layers < 4:
            rings = (graded(core), *rings[1:])
        else:
            rings = (rings[0], graded(between[0]), *rings[2:])
    block = settings.block if layers < 4 else settings.small_block
    return Counts(settings.normal, settings.lateral, settings.upward, rings, settings.focus, block)


@lru_cache(maxsize=16)
def _blocks(counts: Counts, layers: int, width: int) -> IntArray:
    """Corner nodes of the elements, filled up to blocks."""
    hexes = half_sphere(np.arange(1.0, layers + 1.0), counts).hexes
    real = hexes.shape[1]
    filled = np.zeros((8, -(-real // width) * width), dtype=np.int32)
    filled[:, :real] = hexes
    return as_blocks(filled, np.int32, width)


def as_blocks(rows: npt.NDArray[Any], dtype: npt.DTypeLike, width: int) -> npt.NDArray[Any]:
    """Cut (r, width m) rows into (m, r, width) blocks.

    Parameters
    ----------
    rows : (r, width m) array
    dtype
        Of the blocks.
    width : int
        How many numbers lie side by side.
    """
    count = rows.shape[1] // width
    blocks = aligned((count, len(rows), width), dtype)
    blocks[:] = rows.reshape(len(rows), count, width).transpose(1, 0, 2)
    return blocks


def as_rows(blocks: npt.NDArray[Any]) -> FloatArray:
    """Undo `as_blocks`, in double precision."""
    rows = blocks.transpose(1, 0, 2).reshape(blocks.shape[1], len(blocks) * blocks.shape[2])
    return rows.astype(np.float64, copy=False)


def build_model(body: Body, settings: Settings) -> Model:
    """Lay out one build's arrays."""
    counts = _counts(len(body.outer_radius), settings)
    mesh = half_sphere(body.outer_radius, counts)
    number = DTYPES[settings.precision]
    width = width_of(number)
    hexes = _blocks(counts, len(body.outer_radius), width)
    gradient, volume, metric, position = hex_geometry(mesh.points, mesh.hexes)
    layer, real = mesh.layer, mesh.hexes.shape[1]

    stiff_by = element_means(body.modulus_curve, layer, mesh.points, mesh.hexes)
    loss_by = element_means(body.loss_curve, layer, mesh.points, mesh.hexes)
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)[layer] * loss_by
    shear = (body.dynamic_modulus_ratio * body.shear_modulus)[layer] * stiff_by
    bulk = (body.dynamic_modulus_ratio * body.bulk_modulus)[layer] * stiff_by
    wave = bulk + 4.0 / 3.0 * glassy * shear
    density = solver_density(body)
    filled = len(hexes) * width
    constant = np.zeros((kernels.CONSTANT_ROWS, filled))
    constant[:24, :real] = gradient
    constant[kernels.POSITION_PATTERN : kernels.POSITION_PATTERN + 12, :real] = position
    # Vector Laplacian of each pattern: mean of |grad(xi eta)|^2 = (|grad xi|^2 + |grad eta|^2)/3.
    stiff = settings.hourglass * (glassy * shear) * volume / 64.0
    for pattern, (i, j) in enumerate(((0, 1), (1, 2), (2, 0))):
        constant[kernels.HOURGLASS + pattern, :real] = stiff * (metric[i] + metric[j]) / 3.0
    constant[kernels.HOURGLASS + 3, :real] = stiff * metric.sum(axis=0) / 9.0
    constant[kernels.VOLUME, :real] = volume
    constant[kernels.SHEAR, :real] = shear
    constant[kernels.BULK, :real] = bulk
    length = np.sqrt(1.5 / (gradient**2).sum(axis=0))  # edge of a cube, short edge of a slab
    constant[kernels.VISCOSITY, :real] = settings.bulk_viscosity * np.sqrt(wave * density[layer])
    constant[kernels.VISCOSITY, :real] *= length
    constant[kernels.FREQUENCY, :real] = 8.0 * (wave / density[layer])
    # A layer's thin rings are slowed by what its stiffest element needs.
    stiffest = np.zeros(len(density))
    np.maximum.at(stiffest, layer, wave)
    fastest = stiffest / density
    thickness, relief = _relief(body.outer_radius, counts, fastest, settings.thinnest_step)
    constant[kernels.RELIEF, :real] = relief[layer]

    surface = _surface(mesh, float(body.outer_radius[-1]), settings.points)
    area = surface.area
    bond = _bonds(
        body.outer_radius, counts, area, 0.25 * density * thickness * (1.0 / relief - 1.0)
    )
    node_mass = _node_mass(body, mesh, density[layer] * volume, bond)
    chain = _factor(node_mass, bond, len(area))
    return Model(
        mesh,
        mesh.points,
        node_mass,
        1.0 / node_mass[: len(node_mass) - chain.pivot.size],
        chain,
        hexes,
        as_blocks(constant, number, width),
        as_blocks(_networks(body, layer, loss_by, shear, filled), number, width),
        surface,
        _contact_law(body, float(wave[-1]), float(density[-1]), settings),
    )


def _networks(
    body: Body, layer: IntArray, loss_by: FloatArray, shear: FloatArray, filled: int
) -> FloatArray:
    """Rows of the relaxing networks' constants, filled up to whole blocks."""
    pairs = body.relaxation_strength.shape[1]
    branch, real = np.zeros((kernels.BRANCH_ROWS * pairs, filled)), len(layer)
    for k in range(pairs):
        row = kernels.BRANCH_ROWS * k
        branch[row + kernels.STRENGTH, :real] = body.relaxation_strength[layer, k] * loss_by * shear
        branch[row + kernels.RATE, :real] = (1.0 / body.relaxation_time[:, k])[layer]
    return branch


def _contact_law(
    body: Body, wave: float, density: float, settings: Settings
) -> tuple[float, float, float, float]:
    """Stiffness (Pa/m) and damping (Pa s/m) of the contact, normal and along the face.

    On the scale of the cover, not of the mesh, so that a finer mesh converges to the same law. The
    mass that damping refers to is a quarter of the cover's.
    """
    thickness = np.diff(body.outer_radius, prepend=0.0)[-1]
    cover = min(float(thickness), THICK * float(body.outer_radius[-1]))
    normal = settings.contact_stiffness * wave / cover
    along = settings.shear_stiffness * normal
    damping, quarter = 2.0 * settings.contact_damping, 0.25 * density * cover
    return normal, damping * np.sqrt(normal * quarter), along, damping * np.sqrt(along * quarter)


def _relief(
    outer_radius: FloatArray, counts: Counts, wave_square: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """Thickness of a ring in each layer, and by how much its squared frequency is lowered.

    A free slab's highest squared frequency across its thickness t is 4 c^2 / t^2.
    """
    thickness = np.diff(outer_radius, prepend=0.0) / [len(rings) for rings in counts.rings]
    relief = np.minimum(1.0, thickness**2 / (wave_square * step**2))
    relief[0] = 1.0
    return thickness, relief


def _bonds(
    outer_radius: FloatArray, counts: Counts, area: FloatArray, extra: FloatArray
) -> FloatArray:
    """Mass on the relative motion across each ring outside the innermost layer, (rings, k) kg.

    `extra` is per area of each layer's rings. It leaves the mass alone and slows only the waves
    across thin layers, thousands of times faster than an impact; the moment of inertia it adds is
    taken from the nodes.
    """
    bonds, inner = [], outer_radius[0]
    for layer in range(1, len(outer_radius)):
        for position in counts.rings[layer]:
            radius = inner + (outer_radius[layer] - inner) * position
            bonds.append(area * (radius / outer_radius[-1]) ** 2 * extra[layer])
        inner = outer_radius[layer]
    return np.array(bonds).reshape(len(bonds), len(area))


def _factor(node_mass: FloatArray, bond: FloatArray, columns: int) -> Chain:
    """Factor the mass matrix of three diagonals of every column."""
    rows = len(bond) + 1
    mass_ = node_mass[len(node_mass) - rows * columns :].reshape(rows, columns)
    carry, pivot = np.zeros((rows, columns)), np.empty((rows, columns))
    for r in range(rows):
        diagonal = mass_[r].copy()
        if r > 0:
            carry[r] = bond[r - 1] * pivot[r - 1]
            diagonal += bond[r - 1] * (1.0 - carry[r])
        if r < rows - 1:
            diagonal += bond[r]
        pivot[r] = 1.0 / diagonal
    return Chain(bond, carry, pivot)


def volume_ratio(model: Model, u: FloatArray) -> FloatArray:
    """Volume of each element over that at rest, by its mean gradient, (m,)."""
    real = model.mesh.hexes.shape[1]
    gradient = as_rows(model.constant)[:24, :real].reshape(8, 3, real)
    slope = np.einsum("iae,aje->eij", u[:, model.mesh.hexes], gradient)
    return np.asarray(np.linalg.det(slope + np.eye(3)))


def momentum_of(model: Model, velocity: FloatArray) -> FloatArray:
    """Nodal momenta (3, n): the mass matrix, with its bonds, times velocities."""
    result = model.node_mass * velocity
    bond = model.chain.bond
    first = velocity.shape[1] - model.chain.pivot.size
    columns = velocity[:, first:].reshape(3, len(bond) + 1, -1)
    pull = bond * np.diff(columns, axis=1)
    chained = result[:, first:].reshape(3, len(bond) + 1, -1)
    chained[:, 1:] += pull
    chained[:, :-1] -= pull
    return result


def _node_mass(
    body: Body, mesh: HalfSphere, element_mass: FloatArray, bond: FloatArray
) -> FloatArray:
    """Lumped masses whose sum, centre and moment of inertia are the half ball's exactly.

    The mesh of flat-sided elements is a little light; each mass is scaled by a + b r^2 + c x.
    """
    lumped = np.zeros(mesh.points.shape[1])
    for corner in mesh.hexes:
        lumped += np.bincount(corner, weights=element_mass / 8.0, minlength=len(lumped))
    x, y, z = mesh.points / body.outer_radius[-1]
    shapes = np.stack([np.ones_like(x), x**2 + y**2 + z**2, x])
    moments = np.stack([np.ones_like(x), x**2 + z**2, x])
    rows = len(bond) + 1
    columns = np.stack([x, z])[:, -rows * bond.shape[1] :].reshape(2, rows, -1)
    bonded = float((bond * (np.diff(columns, axis=1) ** 2).sum(axis=0)).sum())
    inertia = 0.5 * moment_of_inertia(body) / body.outer_radius[-1] ** 2 - bonded
    wanted = np.array([0.5 * mass(body), inertia, 0.0])
    scale = np.linalg.solve((moments * lumped) @ shapes.T, wanted)
    exact: FloatArray = lumped * (scale @ shapes)
    return exact


def _surface(mesh: HalfSphere, radius: float, points: int) -> Surface:
    """Sample the outer quadrilaterals at points x points evenly spread places."""
    corners = mesh.points[:, mesh.surface[mesh.faces]]
    cross = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1], axis=0)
    size = 0.5 * np.sqrt((cross**2).sum(axis=0))
    size *= 2.0 * np.pi * radius**2 / size.sum()
    place = (2.0 * np.arange(points) + 1.0) / points - 1.0
    xi, eta = (grid.ravel() for grid in np.meshgrid(place, place, indexing="ij"))
    shape = np.stack(
        [(1 + a * xi) * (1 + b * eta) / 4 for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))], axis=1
    )
    sampled = np.einsum("pa,iaf->ipf", shape, corners)
    bulge = radius - np.sqrt((sampled**2).sum(axis=0)).mean(axis=0)
    area = np.zeros(len(mesh.surface))
    for corner, share in zip(mesh.faces, shape.mean(axis=0), strict=True):
        area += np.bincount(corner, weights=size * share, minlength=len(area))
    return Surface(mesh.surface, mesh.faces, shape, size / len(shape), bulge, area)
