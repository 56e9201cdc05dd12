"""Order of elements and nodes for a block of threads: depends on the mesh's counts alone.

Elements of one colour share no node. The block of hexahedra takes eight colours by the parity of
its cells. Its rim of quadrilaterals takes four: with the three elements other than zero of Z2 x Z2
as steps along x, y and z, and an offset for each side of the block, neighbours differ across the
block's edges too. Rings take them by turns, so that twelve colours do in all.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from layers.arrays import IntArray
from layers.numerics.cubed_sphere import Counts, HalfSphere, half_sphere

_STEPS = np.array([1, 2, 3])  # along x, y and z; any two sum to the third
PADDING = 255


@dataclass(frozen=True)
class Plan:
    """Arrays that all builds of one mesh share.

    Attributes
    ----------
    mesh : HalfSphere
        Of radii 1, 2, ...: of the builds only the places of the nodes differ.
    rows : int
        Of a column of nodes, from the first interface to the surface.
    inner : int
        Nodes inside the first row.
    element, node, column : (m,), (n,), (k,) array
        Which element, node, column of the mesh comes at each place.
    colour : (m,) array
        Of each element in that order.
    corner : (m, 8) array
        New numbers of its nodes.
    layer, row : (m,) array
        Its layer; the row under it if it lies between rows, else -1.
    face, around : (f, 4), (k, 4) array
        Columns at the corners of the surface's faces; for each column 4 face + corner, or -1.
    far : int
        Node opposite the first touch.
    """

    mesh: HalfSphere
    rows: int
    inner: int
    element: IntArray
    node: IntArray
    column: IntArray
    colour: IntArray
    corner: npt.NDArray[np.uint16]
    layer: npt.NDArray[np.uint8]
    row: npt.NDArray[np.int8]
    face: npt.NDArray[np.uint16]
    around: npt.NDArray[np.int16]
    far: int

    def batches(self, threads: int) -> dict[str, npt.NDArray[Any]]:
        """Cut the elements into batches of a block's threads, padded; see the source's Topology.

        Parameters
        ----------
        threads : int
            Of a block.
        """
        count = len(self.layer)
        padded = -(-count // threads) * threads
        corner = np.zeros((padded, 8), dtype=np.uint16)
        code = np.full(padded, PADDING, dtype=np.uint8)
        row = np.full(padded, -1, dtype=np.int8)
        corner[:count], row[:count] = self.corner, self.row
        phases = np.empty(padded // threads, dtype=np.uint8)
        for batch in range(len(phases)):
            part = slice(batch * threads, min((batch + 1) * threads, count))
            colours, phase = np.unique(self.colour[part], return_inverse=True)
            phases[batch] = len(colours)
            code[part] = self.layer[part] + 8 * phase
        return {"corner": corner, "code": code, "row": row, "phases": phases}


@lru_cache(maxsize=16)
def plan_of(counts: Counts) -> Plan:
    """Lay out the order for a mesh of these counts."""
    mesh = half_sphere(np.arange(1.0, len(counts.rings) + 1.0), counts)
    rows = sum(map(len, counts.rings[1:])) + 1
    nodes, columns = mesh.points.shape[1], len(mesh.surface)
    inner = nodes - rows * columns
    cells = (counts.normal, counts.lateral, counts.upward)
    grid = np.stack(np.unravel_index(np.arange(np.prod(np.add(cells, 1))), np.add(cells, 1)))
    last = np.array(cells)[:, None]
    on_rim = (grid == last).any(axis=0) | (grid[[0, 2]] == 0).any(axis=0)
    rim = grid[:, on_rim]
    column = _by_parity(rim)
    rings = (nodes - grid.shape[1]) // columns
    ringed = grid.shape[1] + np.arange(rings)[:, None] * columns + column
    node = np.concatenate([_by_parity(grid), ringed.ravel()])
    new_node, new_column = np.argsort(node), np.argsort(column)

    colour, row = _colours(mesh, rim, cells, rings - rows)
    element = np.lexsort((np.arange(len(colour)), colour))
    face = np.ascontiguousarray(new_column[mesh.faces].T)
    around = np.full((columns, 4), -1, dtype=np.int16)
    used = np.zeros(columns, dtype=np.int64)
    for f, corners in enumerate(face):
        for corner, at in enumerate(corners):
            around[at, used[at]] = 4 * f + corner
            used[at] += 1
    return Plan(
        mesh=mesh,
        rows=rows,
        inner=inner,
        element=element,
        node=node,
        column=column,
        colour=colour[element],
        corner=new_node[mesh.hexes[:, element]].T.astype(np.uint16),
        layer=mesh.layer[element].astype(np.uint8),
        row=row[element].astype(np.int8),
        face=face.astype(np.uint16),
        around=around,
        far=int(new_node[np.argmax(mesh.points[0])]),
    )


def _by_parity(grid: IntArray) -> IntArray:
    """Order nodes by parity of their places, then along: elements of a colour read side by side."""
    parity = (grid % 2 * np.array([[4], [2], [1]])).sum(axis=0)
    return np.lexsort((np.arange(grid.shape[1]), parity))


def _colours(
    mesh: HalfSphere, rim: IntArray, cells: tuple[int, int, int], core_rings: int
) -> tuple[IntArray, IntArray]:
    """Colour of each element, and the row of columns under it."""
    block = int(np.prod(cells))
    cell = np.stack(np.unravel_index(np.arange(block), cells))
    parity = (cell % 2 * np.array([[4], [2], [1]])).sum(axis=0)
    quads = mesh.faces.shape[1]
    corners = rim[:, mesh.faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    across = np.argmax(low == high, axis=0)  # the side's axis
    tint = np.zeros(quads, dtype=np.int64)
    for axis in range(3):
        tint ^= np.where(across == axis, 0, low[axis] % 2 * _STEPS[axis])
    # Parity of the block's outermost cell on that side, which the offset follows from.
    end = np.where(low[across, np.arange(quads)] == 0, 0, np.array(cells)[across] - 1) % 2
    tint ^= np.choose(
        across, [end * _STEPS[0], _STEPS[0] ^ (end * _STEPS[1]), (1 - end) * _STEPS[2]]
    )
    ring = np.repeat(np.arange((mesh.hexes.shape[1] - block) // quads), quads)
    first = np.where(ring == 0, 8, np.where(ring % 2 == 1, 0, 4))
    colour = np.concatenate([parity, first + np.tile(tint, len(ring) // quads)])
    row = np.concatenate([np.full(block, -1), np.maximum(ring - core_rings - 1, -1)])
    return colour, row
