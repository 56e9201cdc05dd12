"""Builds as the march on a card takes them: one row of numbers each, many builds at once.

The mesh is linear in the radii and a ring's nodes lie along fixed directions, so volumes are cubic
in them: masses follow from sums over one mesh, see `layers.strike.masses`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.ball import Body
from layers.gpu.plan import Plan, plan_of
from layers.gpu.unit import unit_of
from layers.mass.inertia import moment_of_inertia
from layers.numerics.blocks import as_rows
from layers.strike import kernels
from layers.strike.masses import Matter, Unit, lay_out, matter_of, rows_of
from layers.strike.model import Model
from layers.strike.settings import Settings, counts_of

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
    counts = counts_of(len(bodies[0].outer_radius), settings)
    plan = plan_of(counts)
    unit = unit_of(counts, settings.points)
    matter = matter_of(bodies)
    wave = matter.wave
    laid = lay_out(matter, wave, wave[:, -1], counts, unit, settings)
    masses = _masses(laid.row, laid.node_mass, laid.carry, laid.pivot, plan.inner)
    return Packed(
        plan=plan,
        unit=unit,
        pairs=matter.rate.shape[2],
        graded=False,
        builds=_joined((*masses, _layer_table(matter, laid.relief, settings)), dtype),
        law=laid.law,
        mass=laid.node_mass.sum(axis=1),
        inertia=moment_of_inertia(matter.spheres),
        heaviest=laid.node_mass.max(axis=1),
        radius=matter.spheres.outer_radius[:, -1],
    )


def _masses(
    row: FloatArray, node_mass: FloatArray, carry: FloatArray, pivot: FloatArray, inner: int
) -> tuple[FloatArray, ...]:
    """Parts of a row of numbers that both kinds of builds have, in the source's order."""
    return node_mass, 1.0 / node_mass[:, :inner], carry, pivot, row / row[:, :1], row[:, :1]


def _layer_table(matter: Matter, relief: FloatArray, settings: Settings) -> FloatArray:
    """Constants of the elements of each layer, (b, MOST_LAYERS, rows); see the source."""
    shear, wave, (builds, layers, pairs) = matter.shear, matter.wave, matter.rate.shape
    table = np.zeros((builds, MOST_LAYERS, LAYER_ROWS + PAIR_ROWS * pairs))
    of_layer = table[:, :layers]
    of_layer[:, :, 0], of_layer[:, :, 1] = shear, matter.bulk
    of_layer[:, :, 2] = 8.0 * wave / matter.density * FREQUENCY_UNIT
    of_layer[:, :, 3] = relief
    of_layer[:, :, 4] = settings.hourglass * matter.glassy * shear / 64.0
    of_layer[:, :, 5] = settings.bulk_viscosity * np.sqrt(wave * matter.density)
    of_layer[:, :, LAYER_ROWS::PAIR_ROWS] = matter.strength * shear[:, :, None]
    of_layer[:, :, LAYER_ROWS + 1 :: PAIR_ROWS] = matter.rate
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
    counts = counts_of(len(bodies[0].outer_radius), settings)
    plan = plan_of(counts)
    unit = unit_of(counts, settings.points)
    pairs = bodies[0].relaxation_strength.shape[1]
    radii = np.array([body.outer_radius for body in bodies])
    rows, _ = rows_of(radii, counts.rings)
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
    carry = np.array([model.chain.carry[:, plan.column] for model in models])
    pivot = np.array([model.chain.pivot[:, plan.column] for model in models])
    parts = (
        *_masses(rows, node_mass, carry, pivot, plan.inner),
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
