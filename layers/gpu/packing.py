"""Builds as the march on a card takes them: one row of numbers each, many builds at once.

The mesh is linear in the radii and a ring's nodes lie along fixed directions, so volumes are cubic
in them: masses follow from sums over one mesh. The formulas are those of `layers.strike.model`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.ball import Body
from layers.gpu.plan import Plan, plan_of
from layers.gpu.unit import Unit, unit_of
from layers.mass.inertia import Pieces, layer_volume, mass, moment_of_inertia
from layers.strike import kernels
from layers.strike.model import THICK, Model, Settings, _counts, as_rows

# Rows of the tables in the source.
MOST_LAYERS = 8
LAYER_ROWS, PAIR_ROWS = 6, 3
ELEMENT_ROWS = 8
# Squared frequencies are of the order of 1e12 1/s2: their eighth powers must fit single precision.
FREQUENCY_UNIT = 1e-12


def grouped(bodies: Sequence[Body]) -> dict[tuple[int, int, bool], list[int]]:
    """Sort builds by what is equal in a batch: counts of layers and relaxation pairs, graded."""
    groups: dict[tuple[int, int, bool], list[int]] = {}
    for i, body in enumerate(bodies):
        layers, pairs = body.relaxation_strength.shape
        groups.setdefault((layers, pairs, body.graded), []).append(i)
    return groups


@dataclass(frozen=True)
class Packed:
    """Builds of one plan, ready for the card.

    Attributes
    ----------
    plan : Plan
    unit : Unit
    pairs : int
        Relaxation pairs of each layer.
    graded : bool
        Whether elements have constants of their own.
    builds : (b, ...) array
        A row of numbers each, see the source.
    law : (b, 4) array
        See `layers.strike.model.Model`.
    mass, inertia : (b,) array
        Of the half ball, kg, and of the whole, kg m2.
    heaviest : (b,) array
        Greatest nodal mass, kg.
    radius : (b,) array
        m.
    """

    plan: Plan
    unit: Unit
    pairs: int
    graded: bool
    builds: npt.NDArray[np.floating]
    law: FloatArray
    mass: FloatArray
    inertia: FloatArray
    heaviest: FloatArray
    radius: FloatArray


def pack(bodies: Sequence[Body], settings: Settings, dtype: npt.DTypeLike) -> Packed:
    """Lay out builds of equal counts of layers and pairs.

    Parameters
    ----------
    bodies : sequence of Body
    settings : Settings
        Mesh and contact.
    dtype : dtype
        float32 or float64.
    """
    counts = _counts(len(bodies[0].outer_radius), settings)
    plan = plan_of(counts)
    unit = unit_of(counts, settings.points)
    radii = np.array([body.outer_radius for body in bodies])
    ratio = np.array([body.dynamic_modulus_ratio for body in bodies])
    strength = np.array([body.relaxation_strength for body in bodies])
    shear = ratio * np.array([body.shear_modulus for body in bodies])
    bulk = ratio * np.array([body.bulk_modulus for body in bodies])
    spheres = Pieces(
        radii,
        np.array([body.density for body in bodies]),
        np.array([body.dimple_volume_fraction for body in bodies]),  # type: ignore[arg-type]
        np.array([body.dimple_depth for body in bodies]),  # type: ignore[arg-type]
    )
    density = _solver_density(spheres)
    glassy = 1.0 + strength.sum(axis=2)
    wave = bulk + 4.0 / 3.0 * glassy * shear
    thickness = np.diff(radii, axis=1, prepend=0.0)
    ring = thickness / [len(part) for part in counts.rings]
    relief = np.minimum(1.0, ring**2 / (wave / density * settings.thinnest_step**2))
    relief[:, 0] = 1.0
    extra = 0.25 * density * ring * (1.0 / relief - 1.0)

    rows, of_ring = _row_radii(radii, counts.rings)
    bond = unit.area * (rows[:, 1:] ** 2 * extra[:, of_ring])[:, :, None]
    node_mass = _node_masses(unit, rows, density[:, 0], density[:, of_ring], bond, spheres)
    carry, pivot = _factored(node_mass, bond, len(unit.area))

    table = _layer_table(bodies, shear, bulk, wave, density, relief, settings)
    parts = (
        node_mass,
        1.0 / node_mass[:, : plan.inner],
        carry,
        pivot,
        rows / rows[:, :1],
        rows[:, :1],
        table,
    )
    return Packed(
        plan=plan,
        unit=unit,
        pairs=strength.shape[2],
        graded=False,
        builds=_joined(parts, dtype),
        law=_laws(thickness[:, -1], radii[:, -1], wave[:, -1], density[:, -1], settings),
        mass=node_mass.sum(axis=1),
        inertia=moment_of_inertia(spheres),
        heaviest=node_mass.max(axis=1),
        radius=radii[:, -1],
    )


def _layer_table(
    bodies: Sequence[Body],
    shear: FloatArray,
    bulk: FloatArray,
    wave: FloatArray,
    density: FloatArray,
    relief: FloatArray,
    settings: Settings,
) -> FloatArray:
    """Constants of the elements of each layer, (b, MOST_LAYERS, rows); see the source."""
    strength = np.array([body.relaxation_strength for body in bodies])
    time = np.array([body.relaxation_time for body in bodies])
    glassy = 1.0 + strength.sum(axis=2)
    table = np.zeros((len(bodies), MOST_LAYERS, LAYER_ROWS + PAIR_ROWS * strength.shape[2]))
    of_layer = table[:, : shear.shape[1]]
    of_layer[:, :, 0], of_layer[:, :, 1] = shear, bulk
    of_layer[:, :, 2], of_layer[:, :, 3] = 8.0 * wave / density * FREQUENCY_UNIT, relief
    of_layer[:, :, 4] = settings.hourglass * glassy * shear / 64.0
    of_layer[:, :, 5] = settings.bulk_viscosity * np.sqrt(wave * density)
    of_layer[:, :, LAYER_ROWS::PAIR_ROWS] = strength * shear[:, :, None]
    of_layer[:, :, LAYER_ROWS + 1 :: PAIR_ROWS] = 1.0 / time
    return table


def pack_models(
    models: Sequence[Model],
    bodies: Sequence[Body],
    settings: Settings,
    threads: int,
    dtype: npt.DTypeLike,
) -> Packed:
    """Lay out builds whose elements have constants of their own, from their models.

    Parameters
    ----------
    models, bodies : sequence of Model, of Body
        Of equal counts of layers and pairs.
    settings : Settings
        That the models were built by.
    threads : int
        Of a block: elements are padded to whole batches.
    dtype : dtype
        float32 or float64.
    """
    counts = _counts(len(bodies[0].outer_radius), settings)
    plan = plan_of(counts)
    unit = unit_of(counts, settings.points)
    pairs = bodies[0].relaxation_strength.shape[1]
    radii = np.array([body.outer_radius for body in bodies])
    rows, _ = _row_radii(radii, counts.rings)
    node_mass = np.array([model.node_mass[plan.node] for model in models])
    count = len(plan.element)
    own = np.zeros((len(models), ELEMENT_ROWS + 2 * pairs, -(-count // threads) * threads))
    for i, model in enumerate(models):
        constant, branch = as_rows(model.constant), as_rows(model.branch)
        for row, of_model in enumerate(_ELEMENT_CONSTANTS):
            own[i, row, :count] = constant[of_model, plan.element]
        own[i, 2] *= FREQUENCY_UNIT
        for k in range(pairs):
            first = kernels.BRANCH_ROWS * k
            own[i, ELEMENT_ROWS + 2 * k, :count] = branch[first + kernels.STRENGTH, plan.element]
            own[i, ELEMENT_ROWS + 2 * k + 1, :count] = branch[first + kernels.RATE, plan.element]
    parts = (
        node_mass,
        1.0 / node_mass[:, : plan.inner],
        np.array([model.chain.carry[:, plan.column] for model in models]),
        np.array([model.chain.pivot[:, plan.column] for model in models]),
        rows / rows[:, :1],
        rows[:, :1],
        np.zeros((len(models), MOST_LAYERS * (LAYER_ROWS + PAIR_ROWS * pairs))),
        own,
    )
    return Packed(
        plan=plan,
        unit=unit,
        pairs=pairs,
        graded=True,
        builds=_joined(parts, dtype),
        law=np.array([model.law for model in models]),
        mass=node_mass.sum(axis=1),
        inertia=np.array([moment_of_inertia(body) for body in bodies]),
        heaviest=node_mass.max(axis=1),
        radius=radii[:, -1],
    )


_ELEMENT_CONSTANTS = (
    kernels.SHEAR,
    kernels.BULK,
    kernels.FREQUENCY,
    kernels.RELIEF,
    kernels.HOURGLASS,
    kernels.HOURGLASS + 1,
    kernels.HOURGLASS + 2,
    kernels.VISCOSITY,
)


def _joined(parts: Sequence[FloatArray], dtype: npt.DTypeLike) -> npt.NDArray[np.floating]:
    flat = [part.reshape(len(part), -1) for part in parts]
    joined = np.empty((len(flat[0]), sum(part.shape[1] for part in flat)), dtype=dtype)
    first = 0
    for part in flat:
        joined[:, first : first + part.shape[1]] = part
        first += part.shape[1]
    return joined


def _solver_density(spheres: Pieces) -> FloatArray:
    """Densities for smooth spheres of the true masses; see `layers.mass.inertia.solver_density`."""
    density = spheres.density.copy()
    full = (layer_volume(spheres) * density).sum(axis=1)
    density[:, -1] -= (full - mass(spheres)) / layer_volume(spheres)[:, -1]
    return density


def _row_radii(radii: FloatArray, rings: Sequence[Sequence[float]]) -> tuple[FloatArray, list[int]]:
    """Radius of each row of a column, (b, rows) m; the layer of each ring between them."""
    rows, of_ring = [radii[:, 0]], []
    for layer in range(1, len(rings)):
        inner = radii[:, layer - 1]
        rows += [inner + (radii[:, layer] - inner) * position for position in rings[layer]]
        of_ring += [layer] * len(rings[layer])
    return np.stack(rows, axis=1), of_ring


def _node_masses(
    unit: Unit,
    rows: FloatArray,
    core_density: FloatArray,
    ring_density: FloatArray,
    bond: FloatArray,
    spheres: Pieces,
) -> FloatArray:
    """Lumped masses, scaled to the half ball's mass, centre and moment of inertia, (b, n) kg."""
    outer, columns = rows[:, -1], len(unit.area)
    ring = ring_density * np.diff(rows**3, axis=1)
    row = np.zeros_like(rows)
    row[:, :-1] += ring
    row[:, 1:] += ring
    lumped = np.concatenate(
        [
            (core_density * rows[:, 0] ** 3)[:, None] * unit.core,
            (row[:, 1:, None] * unit.column).reshape(len(rows), -1),
        ],
        axis=1,
    )
    lumped[:, len(unit.core) - columns : len(unit.core)] += row[:, :1] * unit.column
    size = np.repeat(rows / outer[:, None], columns, axis=1)
    size = np.concatenate([np.repeat(size[:, :1], len(unit.core) - columns, axis=1), size], axis=1)
    ray = unit.place[:, -columns:]
    place = np.concatenate([unit.place, *[ray] * (rows.shape[1] - 1)], axis=1)
    x, square = size * place[0], size**2 * (place**2).sum(axis=0)
    about = size**2 * (place[0] ** 2 + place[2] ** 2)
    turning, leaning = about * lumped, x * lumped
    matrix = np.empty((len(rows), 3, 3))
    for i, moment in enumerate((lumped, turning, leaning)):
        matrix[:, i, 0] = moment.sum(axis=1)
        matrix[:, i, 1] = (moment * square).sum(axis=1)
        matrix[:, i, 2] = (moment * x).sum(axis=1)
    gaps = (np.diff(rows, axis=1) / outer[:, None]) ** 2
    bonded = ((bond @ (ray[0] ** 2 + ray[2] ** 2)) * gaps).sum(axis=1)
    wanted = np.stack(
        [
            0.5 * mass(spheres),
            0.5 * moment_of_inertia(spheres) / outer**2 - bonded,
            np.zeros(len(rows)),
        ],
        axis=1,
    )
    scale = np.linalg.solve(matrix, wanted[:, :, None])[:, :, 0]
    masses: FloatArray = lumped * (scale[:, :1] + scale[:, 1:2] * square + scale[:, 2:] * x)
    return masses


def _factored(
    node_mass: FloatArray, bond: FloatArray, columns: int
) -> tuple[FloatArray, FloatArray]:
    """Factors of every column's mass matrix; see `layers.strike.model.Chain`."""
    rows = bond.shape[1] + 1
    mass_ = node_mass[:, -rows * columns :].reshape(len(node_mass), rows, columns)
    carry, pivot = np.zeros_like(mass_), np.empty_like(mass_)
    for r in range(rows):
        diagonal = mass_[:, r].copy()
        if r > 0:
            carry[:, r] = bond[:, r - 1] * pivot[:, r - 1]
            diagonal += bond[:, r - 1] * (1.0 - carry[:, r])
        if r < rows - 1:
            diagonal += bond[:, r]
        pivot[:, r] = 1.0 / diagonal
    return carry, pivot


def _laws(
    thickness: FloatArray,
    radius: FloatArray,
    wave: FloatArray,
    density: FloatArray,
    settings: Settings,
) -> FloatArray:
    """Contact laws, (b, 4); see `layers.strike.model.Model`."""
    cover = np.minimum(thickness, THICK * radius)
    normal = settings.contact_stiffness * wave / cover
    along = settings.shear_stiffness * normal
    damping, quarter = 2.0 * settings.contact_damping, 0.25 * density * cover
    return np.stack(
        [normal, damping * np.sqrt(normal * quarter), along, damping * np.sqrt(along * quarter)],
        axis=1,
    )
