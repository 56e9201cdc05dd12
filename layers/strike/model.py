"""Arrays of one build for the oblique impact: mesh, element constants, masses, contact."""

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from layers.arrays import DTYPES, FloatArray, IntArray
from layers.ball import Body
from layers.graded.curve import element_means
from layers.numerics.blocks import as_blocks, as_rows
from layers.numerics.cubed_sphere import Counts, HalfSphere, half_sphere
from layers.numerics.hexes import as_nodes, corners_by_width
from layers.numerics.vectors import aligned, width_of
from layers.strike import fill, kernels
from layers.strike.contact import Surface
from layers.strike.masses import Matter, lay_out, matter_of, unit_of
from layers.strike.settings import Settings, counts_of


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

    @property
    def volume(self) -> FloatArray:
        """Volume of each element, (m,) m3."""
        rows = self.constant[:, kernels.VOLUME].reshape(-1)
        return np.asarray(rows[: self.mesh.hexes.shape[1]], dtype=np.float64)


@lru_cache(maxsize=16)
def _corners(counts: Counts, width: int) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Corner nodes of the elements in blocks for the march, and for filling in constants."""
    hexes = half_sphere(np.ones(len(counts.rings)), counts).hexes
    return as_blocks(hexes, np.int32, width), corners_by_width(hexes)


def build_model(body: Body, settings: Settings) -> Model:
    """Lay out one build's arrays."""
    counts = counts_of(len(body.outer_radius), settings)
    unit = unit_of(counts, settings.points)
    mesh = half_sphere(body.outer_radius, counts)
    matter = matter_of([body])
    own = _Own.of(body, matter, mesh)
    stiffest = np.maximum.reduceat(
        own.wave, np.searchsorted(own.layer, np.arange(len(counts.rings)))
    )
    laid = lay_out(matter, stiffest[None], own.wave[-1:], counts, unit, settings)
    hexes, constant, branch = _filled(mesh, own, laid.relief[0, own.layer], counts, settings)
    chain = Chain(laid.bond[0], laid.carry[0], laid.pivot[0])
    node_mass, radius = laid.node_mass[0], float(body.outer_radius[-1])
    normal, damping, along, drag = laid.law[0]
    surface = unit.surface._replace(
        weight=radius**2 * unit.surface.weight,
        bulge=radius * unit.surface.bulge,
        area=radius**2 * unit.surface.area,
    )
    return Model(
        mesh=mesh,
        points=mesh.points,
        node_mass=node_mass,
        push=1.0 / node_mass[: len(node_mass) - chain.pivot.size],
        chain=chain,
        hexes=hexes,
        constant=constant,
        branch=branch,
        surface=surface,
        law=(float(normal), float(damping), float(along), float(drag)),
    )


class _Own(NamedTuple):
    """What each layer of an even build is made of, or each element of a graded one: m of them."""

    layer: IntArray  # (m,)
    density: FloatArray
    shear: FloatArray
    bulk: FloatArray
    strength: FloatArray  # (m, pairs)
    rate: FloatArray

    @classmethod
    def of(cls, body: Body, matter: Matter, mesh: HalfSphere) -> "_Own":
        graded = any(body.modulus_curve) or any(body.loss_curve)
        layer = mesh.layer if graded else np.arange(len(body.outer_radius))
        own = cls(layer, *(part[0, layer] for part in matter[1:]))
        if not graded:
            return own
        stiff = element_means(body.modulus_curve, layer, mesh.points, mesh.hexes)
        loss = element_means(body.loss_curve, layer, mesh.points, mesh.hexes)
        return own._replace(
            shear=own.shear * stiff, bulk=own.bulk * stiff, strength=own.strength * loss[:, None]
        )

    @property
    def glassy(self) -> FloatArray:
        """Shear modulus before any relaxation, Pa."""
        return np.asarray((1.0 + self.strength.sum(axis=1)) * self.shear)

    @property
    def wave(self) -> FloatArray:
        """Modulus of the fastest waves, Pa."""
        return np.asarray(self.bulk + 4.0 / 3.0 * self.glassy)


def _filled(
    mesh: HalfSphere, own: _Own, relief: FloatArray, counts: Counts, settings: Settings
) -> tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]:
    """Blocks of the elements' corners, constants and relaxing networks."""
    number = DTYPES[settings.precision]
    width, real = width_of(number), len(mesh.layer)
    hexes, corners = _corners(counts, width)
    matter = np.empty((fill.MATTER_ROWS, len(own.layer)))
    matter[fill.STIFF] = settings.hourglass * own.glassy
    matter[fill.VISCOUS] = settings.bulk_viscosity * np.sqrt(own.wave * own.density)
    matter[fill.OF_SHEAR], matter[fill.OF_BULK] = own.shear, own.bulk
    matter[fill.OF_FREQUENCY], matter[fill.OF_RELIEF] = 8.0 * own.wave / own.density, relief
    networks = np.zeros((kernels.BRANCH_ROWS * own.strength.shape[1], len(own.layer)))
    networks[kernels.STRENGTH :: kernels.BRANCH_ROWS] = (own.strength * own.shear[:, None]).T
    networks[kernels.RATE :: kernels.BRANCH_ROWS] = own.rate.T
    if len(own.layer) < real:
        matter, networks = matter[:, mesh.layer], networks[:, mesh.layer]
    constant = aligned((len(hexes), kernels.CONSTANT_ROWS, width), number)
    part = as_blocks(matter, np.float64, corners.shape[2])
    fill.fill_constants(as_nodes(mesh.points), corners, part, constant)
    constant[-1, :, real - width * (len(hexes) - 1) :] = 0.0
    if constant[:, kernels.VOLUME].min() < 0.0:
        raise ValueError("an element of the mesh is turned inside out")
    return hexes, constant, as_blocks(networks, number, width)


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
