"""Impacts on a rigid barrier in batches: builds packed, results read off.

Geometry and masses are made where the march runs, from the radii: a build is a hundred numbers.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.errors import SolverError
from layers.gpu.source import Program
from layers.impact import kernels
from layers.impact.barrier import SAFETY, BarrierImpact, EnergyBalance, flag_of
from layers.impact.crushed import crushed
from layers.impact.model import (
    HOURGLASS,
    SURFACE_SHIFT,
    Resolution,
    impact_mesh,
    impact_model,
    mesh_of,
    ring_counts,
    untiled,
)
from layers.mass.inertia import solver_density

LAYERS, LAYER_ROWS, PARAMETERS, RESULTS = 8, 3, 5, 21
(STEPS, LEFT, COR, TIME, PEAK, DEFORMATION, INITIAL, FINAL, ELASTIC, VISCOUS, NETWORK) = range(11)
HOURGLASSES, WORK, LOWEST = 11, 12, 13


class Key(NamedTuple):
    """What is equal in a batch: rings of the layers, relaxation pairs in use, whether graded."""

    rings: tuple[int, ...]
    pairs: tuple[bool, ...]
    graded: bool


def key_of(body: Body, resolution: Resolution) -> Key:
    """Return which batch a build belongs to.

    Parameters
    ----------
    body : Body
    resolution : Resolution
        Of the mesh.
    """
    pairs = tuple(bool(strength.any()) for strength in body.relaxation_strength.T)
    return Key(ring_counts(body, resolution), pairs, body.graded)


@lru_cache(maxsize=64)
def program_of(key: Key, resolution: Resolution, threads: int, blocks: int) -> Program:
    """Return the source and what all builds of one key share.

    Parameters
    ----------
    key : Key
    resolution : Resolution
        Of the mesh.
    threads, blocks : int
        Of a block, and blocks that a multiprocessor shall hold.
    """
    layers = len(key.rings)
    mesh = mesh_of(np.arange(1.0, layers + 1.0), key.rings, resolution)
    count, nodes = len(mesh.quads), len(mesh.points)
    padded = _padded(count)
    corner = np.zeros((padded, 4), dtype=np.uint16)
    layer = np.full(padded, 255, dtype=np.uint8)
    corner[:count], layer[:count] = mesh.quads, mesh.layer
    slot = np.full((nodes, 4), -1, dtype=np.int16)
    used = np.zeros(nodes, dtype=np.int64)
    for e, quad in enumerate(mesh.quads):
        for k, n in enumerate(quad):
            slot[n, used[n]] = 4 * e + k
            used[n] += 1
    surface = np.zeros(nodes, dtype=np.uint8)
    surface[mesh.surface] = 1
    values = {
        "REAL": "double",
        "THREADS": threads,
        "BLOCKS": blocks,
        "NN": nodes,
        "NE": count,
        "EP": padded,
        "NS": resolution.angles,
        "LAYERS_USED": layers,
        "PAIRS": sum(key.pairs),
        "GRADED": int(key.graded),
    }
    return Program(
        files=("common.h", "barrier.h"),
        definitions=tuple(f"-D{name}={value}" for name, value in values.items()),
        arrays={
            "corner": corner,
            "layer": layer,
            "slot": slot,
            "surface": surface,
            "place": _places(key.rings, resolution),
        },
        far=0,
        threads=threads,
        blocks=blocks,
        results=RESULTS,
    )


def _padded(elements: int) -> int:
    return -(-elements // 32) * 32


def _places(rings: tuple[int, ...], resolution: Resolution) -> FloatArray:
    """Places of the nodes per metre of each radius, (layers, 2, nodes): the mesh is linear."""
    unit = np.eye(len(rings))
    first = mesh_of(unit[0], rings, resolution).points.T
    others = [mesh_of(unit[0] + row, rings, resolution).points.T - first for row in unit[1:]]
    return np.ascontiguousarray(np.array([first, *others]))


def pack_throws(bodies: Sequence[Body], resolution: Resolution) -> FloatArray:
    """Lay out builds of one key, a row of numbers each.

    Parameters
    ----------
    bodies : sequence of Body
    resolution : Resolution
        Of the mesh.
    """
    rows = []
    for body in bodies:
        used = body.relaxation_strength.any(axis=0)
        pairs = int(used.sum())
        radius = np.zeros(LAYERS)
        radius[: len(body.outer_radius)] = body.outer_radius
        table = np.zeros((LAYERS, LAYER_ROWS + 2 * pairs))
        shear = body.dynamic_modulus_ratio * body.shear_modulus
        own = table[: len(shear)]
        own[:, 0], own[:, 1] = solver_density(body), shear
        own[:, 2] = body.dynamic_modulus_ratio * body.bulk_modulus
        own[:, LAYER_ROWS::2] = shear[:, None] * body.relaxation_strength[:, used]
        own[:, LAYER_ROWS + 1 :: 2] = 1.0 / body.relaxation_time[:, used]
        parts = [radius, table.ravel()]
        if body.graded:
            parts.append(_own_constants(body, resolution, pairs).ravel())
        rows.append(np.concatenate(parts))
    return np.array(rows)


def _own_constants(body: Body, resolution: Resolution, pairs: int) -> FloatArray:
    """Shear and bulk modulus, and each pair's modulus, of each element."""
    exact = replace(resolution, precision="double")
    row, count = untiled(impact_model(body, exact).w), len(impact_mesh(body, exact).quads)
    first = kernels.BRANCH + kernels.MODULUS
    wanted = [kernels.SHEAR, kernels.BULK]
    wanted += [first + j * kernels.BRANCH_ROWS for j in range(pairs)]
    out = np.zeros((len(wanted), _padded(count)))
    out[:, :count] = row[wanted, :count]
    return out


def parameters_of(speeds: Sequence[float]) -> FloatArray:
    """Lay out the parameters of throws at these speeds, m/s, (n, PARAMETERS)."""
    same = (SAFETY, 0.02, HOURGLASS, SURFACE_SHIFT)
    return np.array([(speed, *same) for speed in speeds])


def impact_of(body: Body, speed: float, result: FloatArray) -> BarrierImpact:
    """Read the outcome off one throw's results.

    Parameters
    ----------
    body : Body
    speed : float
        Inbound, m/s.
    result : (RESULTS,) array

    Raises
    ------
    SolverError
        If an element turned inside out.
    """
    if not result[LEFT]:
        count = len(body.density)
        lowest = result[LOWEST : LOWEST + count]
        raise SolverError(
            f"The impact broke down after {result[STEPS]:.0f} steps: "
            + crushed(body, lowest, np.arange(count), speed)
        )
    parts = {
        "final_kinetic": float(result[FINAL]),
        "elastic": float(result[ELASTIC]),
        "viscous": float(result[VISCOUS]),
        "network": float(result[NETWORK]),
        "contact": 0.0,
        "contact_damping": -float(result[WORK]),
        "hourglass": float(result[HOURGLASSES]),
    }
    initial = float(result[INITIAL])
    energy = EnergyBalance(initial, **parts, residual=initial - sum(parts.values()))
    return BarrierImpact(
        speed=speed,
        cor=float(result[COR]),
        contact_time=float(result[TIME]),
        peak_force=float(result[PEAK]),
        peak_deformation=float(result[DEFORMATION]),
        energy=energy,
        flag=flag_of(energy),
    )
