"""Impacts on a rigid barrier in batches: builds packed, results read off.

Geometry and masses are made where the march runs, from the radii: a build is a hundred numbers.
"""

from collections.abc import Sequence
from typing import Any

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
    untiled,
)
from layers.mass.inertia import solver_density
from layers.numerics.mesh import Mesh

LAYERS, LAYER_ROWS, PARAMETERS, RESULTS = 8, 3, 5, 21
(STEPS, LEFT, COR, TIME, PEAK, DEFORMATION, INITIAL, FINAL, ELASTIC, VISCOUS, NETWORK) = range(11)
HOURGLASSES, WORK, LOWEST = 11, 12, 13
Key = tuple[Any, ...]


def key_of(body: Body, resolution: Resolution) -> Key:
    """Return what must be equal in a batch: rings of the layers, relaxation pairs in use, graded.

    Parameters
    ----------
    body : Body
    resolution : Resolution
        Of the mesh.
    """
    mesh = impact_mesh(body, resolution)
    rings = tuple(np.bincount(mesh.layer).tolist())
    return rings, tuple(body.relaxation_strength.any(axis=0).tolist()), body.graded


def program_of(body: Body, resolution: Resolution, threads: int, blocks: int) -> Program:
    """Return the source and what all builds of one key share.

    Parameters
    ----------
    body : Body
        Any of them.
    resolution : Resolution
        Of the mesh.
    threads, blocks : int
        Of a block, and blocks that a multiprocessor shall hold.
    """
    mesh = impact_mesh(body, resolution)
    count, nodes = len(mesh.quads), len(mesh.points)
    padded = -(-count // threads) * threads
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
        "LAYERS_USED": len(body.outer_radius),
        "PAIRS": int(body.relaxation_strength.any(axis=0).sum()),
        "GRADED": int(body.graded),
    }
    return Program(
        files=("common.h", "barrier.h"),
        definitions=tuple(f"-D{name}={value}" for name, value in values.items()),
        arrays={
            "corner": corner,
            "layer": layer,
            "slot": slot,
            "surface": surface,
            "place": _places(mesh, body, resolution),
        },
        far=0,
        threads=threads,
        blocks=blocks,
        results=RESULTS,
    )


def _places(mesh: Mesh, body: Body, resolution: Resolution) -> FloatArray:
    """Places of the nodes per metre of each radius, (layers, 2, nodes): the mesh is linear."""
    from layers.impact.model import mesh_of

    rings = np.bincount(mesh.layer)
    rings[0] -= resolution.side * (resolution.angles - 2 * resolution.side)
    counts = (rings // resolution.angles).tolist()
    unit = np.eye(len(counts))
    first = mesh_of(unit[0], counts, resolution).points.T
    parts = [first]
    for row in unit[1:]:
        parts.append(mesh_of(unit[0] + row, counts, resolution).points.T - first)
    return np.ascontiguousarray(np.array(parts))


def pack_throws(bodies: Sequence[Body], resolution: Resolution, threads: int) -> FloatArray:
    """Lay out builds of one key, a row of numbers each.

    Parameters
    ----------
    bodies : sequence of Body
    resolution : Resolution
        Of the mesh.
    threads : int
        Of a block: elements are padded to whole batches.
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
            parts.append(_own_constants(body, resolution, pairs, threads).ravel())
        rows.append(np.concatenate(parts))
    return np.array(rows)


def _own_constants(body: Body, resolution: Resolution, pairs: int, threads: int) -> FloatArray:
    """Shear and bulk modulus, and of each pair modulus and rate, of each element."""
    row, count = untiled(impact_model(body, resolution).w), len(impact_mesh(body, resolution).quads)
    wanted = [kernels.SHEAR, kernels.BULK]
    for j in range(pairs):
        first = kernels.BRANCH + j * kernels.BRANCH_ROWS
        wanted += [first + kernels.MODULUS, first + kernels.RATE]
    out = np.zeros((len(wanted), -(-count // threads) * threads))
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
