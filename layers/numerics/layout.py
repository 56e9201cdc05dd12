"""Eight-node elements laid out over the quarter section of a layered sphere."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray, IntArray
from layers.numerics.mesh import sphere_mesh


@dataclass(frozen=True)
class Layout:
    """Everything of a mesh that does not depend on the diameters.

    Attributes
    ----------
    basis : (nodes, 2, n) array
        Node coordinates per unit outer radius of each of the n layers: points = basis @ radius.
    elements : (m, 8) array
        Nodes of each element.
    layer : (m,) array
        Layer of each element.
    edges : (k, 3) array
        First, middle and last node of each edge of the outer surface, from the pole on.
    fixed : (unknowns,) bool array
        Unknowns that symmetry holds at zero, and the padding.
    last : (unknowns,) array
        Last unknown that each unknown is coupled to, never falling: the profile of the matrix.
        There are 2 an each node, padded to a multiple of four.
    """

    basis: FloatArray
    elements: IntArray
    layer: IntArray
    edges: IntArray
    fixed: npt.NDArray[np.bool_]
    last: IntArray


@lru_cache(maxsize=64)
def layout(rings: tuple[tuple[float, ...], ...], angles: tuple[float, ...], side: int) -> Layout:
    """Lay out quadratic elements over the quarter section of a sphere of len(rings) layers.

    Parameters
    ----------
    rings : tuple of n tuples
        Relative positions of the elements' outer edges in each layer, each ending with 1.
    angles : tuple
        Polar angles of the elements' edges, 0 to pi/2.
    side : int
        Elements along the block's side in r.

    Returns
    -------
    Layout
    """
    halved = tuple(_with_middles(np.array((0.0, *r)))[1:] for r in rings)
    fine_angles = _with_middles(np.array(angles))
    ones = np.ones(len(rings))
    mesh = sphere_mesh(ones, halved, fine_angles, 2 * side)
    # Points are linear in the radii: the step that one radius makes is its basis vector.
    parts = [
        sphere_mesh(ones + unit, halved, fine_angles, 2 * side).points - mesh.points
        for unit in np.eye(len(rings))
    ]
    tall = len(angles) - 1 - side
    quads, layer = mesh.quads, mesh.layer
    elements, owner = _merge_quads(quads, layer, side, tall, len(angles) - 1)
    order = _from_surface_inward(elements, mesh.surface, mesh.points.shape[0])
    number_of = np.full(mesh.points.shape[0], -1)
    number_of[order] = np.arange(len(order))
    elements = number_of[elements]
    basis = np.stack(parts, axis=-1)[order]
    surface = number_of[mesh.surface]
    edges = np.column_stack([surface[:-2:2], surface[1:-1:2], surface[2::2]])
    last = _profile(elements, len(order))
    fixed = np.ones(len(last), dtype=np.bool_)
    held = np.abs(mesh.points[order]) < 1e-9
    fixed[: held.size] = held.reshape(-1)
    return Layout(basis, elements, owner, edges, fixed, last)


def _with_middles(edges: FloatArray) -> FloatArray:
    """Insert the middle of every interval."""
    out = np.empty(2 * len(edges) - 1)
    out[::2] = edges
    out[1::2] = 0.5 * (edges[:-1] + edges[1:])
    return out


def _merge_quads(
    quads: IntArray, layer: IntArray, side: int, tall: int, around: int
) -> tuple[IntArray, IntArray]:
    """Join two by two small quads into eight-node elements (the middle node drops out)."""
    block = 4 * side * tall
    grids = [np.arange(block).reshape(2 * tall, 2 * side)]
    grids.append(np.arange(block, len(quads)).reshape(-1, 2 * around))
    elements, owner = [], []
    for grid in grids:
        for i in range(0, grid.shape[0], 2):
            for j in range(0, grid.shape[1], 2):
                a, b = quads[grid[i, j]], quads[grid[i, j + 1]]
                d, c = quads[grid[i + 1, j]], quads[grid[i + 1, j + 1]]
                elements.append([a[0], b[1], c[2], d[3], a[1], b[2], c[3], d[0]])
                owner.append(layer[grid[i, j]])
    return np.array(elements), np.array(owner)


def _from_surface_inward(elements: IntArray, surface: IntArray, count: int) -> IntArray:
    """Order nodes by graph distance from the surface, neighbours close together."""
    neighbours: list[set[int]] = [set() for _ in range(count)]
    for row in elements:
        for node in row:
            neighbours[node].update(int(n) for n in row)
    order = [int(n) for n in surface]
    seen = set(order)
    for node in order:
        for other in sorted(neighbours[node] - seen):
            seen.add(other)
            order.append(other)
    return np.array(order)


def _profile(elements: IntArray, count: int) -> IntArray:
    """Last coupled unknown of each unknown, made monotone so that fill-in stays inside."""
    last = np.arange(-(-count // 2) * 4)
    for row in elements:
        low, high = row, 2 * row.max() + 1
        for node in low:
            last[2 * node] = max(last[2 * node], high)
            last[2 * node + 1] = max(last[2 * node + 1], high)
    return np.maximum.accumulate(last)


def divided(edges: tuple[float, ...], parts: int) -> tuple[float, ...]:
    """Divide each interval of (0, *edges) evenly."""
    whole = np.arange(len(edges) + 1)
    return tuple(np.interp(np.arange(1, len(edges) * parts + 1) / parts, whole, (0.0, *edges)))
