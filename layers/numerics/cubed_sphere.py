"""Conforming hexahedra of half a layered sphere: a block about the centre inside rings.

The half is y >= 0, cut along the plane of swing. A block of hexahedra about the centre carries
rings of hexahedra outward from five of its sides; rings follow the interfaces. The topology depends
only on the counts, never on the diameters, so that every computed figure moves smoothly when an
interface moves. Points are linear in the interface radii: what depends on counts alone is computed
once and kept.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from layers.arrays import FloatArray, IntArray

# How far the block bulges from a cube (0) to a ball (1).
BULGE = 0.25


@dataclass(frozen=True)
class Counts:
    """What fixes the mesh's topology and grading.

    Attributes
    ----------
    normal, lateral, upward : int
        Elements of the block along x (the face's normal), y (lateral, half) and z (up the face).
    rings : tuple of tuple of float
        For each layer the relative positions in (0, 1], ending with 1, of its ring boundaries;
        those of the innermost run from the block's edge (0) to the layer's radius (1).
    focus : float
        Below 1, the surface elements about the contact pole (-x) are smaller by this factor, and
        larger by it about the far pole.
    block : float
        Half width of the block over the radius of the innermost layer.
    """

    normal: int
    lateral: int
    upward: int
    rings: tuple[tuple[float, ...], ...]
    focus: float = 1.0
    block: float = 0.5


@dataclass(frozen=True)
class HalfSphere:
    """Eight-node hexahedra of the half sphere y >= 0.

    Attributes
    ----------
    points : (3, n) array
        Node coordinates, m.
    hexes : (8, m) array
        Corner nodes; corner a has local coordinates (-1 or 1) by the bits 1, 2, 4 of a.
    layer : (m,) array
        Layer of each element, 0 innermost.
    surface : (k,) array
        Nodes of the outer surface.
    plane : (p,) array
        Nodes of the plane y = 0.
    faces : (4, f) array
        Outer faces, as positions in `surface`, in order around the face.
    """

    points: FloatArray
    hexes: IntArray
    layer: IntArray
    surface: IntArray
    plane: IntArray
    faces: IntArray


def half_sphere(outer_radius: FloatArray, counts: Counts) -> HalfSphere:
    """Mesh half a layered sphere.

    Parameters
    ----------
    outer_radius : (n,) array
        Outer radius of each layer, m.
    counts : Counts
        With n entries in `rings`.
    """
    weights, topology = _template(counts)
    points = np.einsum("lcn,l->cn", weights, outer_radius)
    return HalfSphere(points, *topology)


@lru_cache(maxsize=16)
def _template(
    counts: Counts,
) -> tuple[FloatArray, tuple[IntArray, IntArray, IntArray, IntArray, IntArray]]:
    """Node coordinates per metre of each radius, (layers, 3, nodes), and the topology."""
    cube = _cube_coordinates(counts)
    shape = cube.shape[1:]
    inner = (counts.block * _rounded(cube, BULGE)).reshape(3, -1)
    index = np.arange(np.prod(shape)).reshape(shape)
    rim = _rim_faces(index)
    rim_nodes: IntArray
    rim_nodes, inverse = np.unique(rim, return_inverse=True)
    rim_quads: IntArray = inverse.reshape(rim.shape)
    flat = cube.reshape(3, -1)[:, rim_nodes]
    direction = _rounded(flat, 1.0)
    direction[1, flat[1] == 0.0] = 0.0
    focused = _focused(direction, counts.focus)

    layers, nodes_per_ring = len(counts.rings), len(rim_nodes)
    innermost = [inner]
    rim_below = inner[:, rim_nodes]
    innermost += [rim_below + p * (direction - rim_below) for p in counts.rings[0]]
    core = _focused(np.concatenate(innermost, axis=1), counts.focus)
    blocks = [np.zeros((layers, 3, core.shape[1]))]
    blocks[0][0] = core
    for number in range(1, layers):
        for position in counts.rings[number]:
            ring = np.zeros((layers, 3, nodes_per_ring))
            ring[number - 1], ring[number] = (1.0 - position) * focused, position * focused
            blocks.append(ring)

    hexes = [_block_hexes(index)]
    layer = [np.zeros(hexes[0].shape[1], dtype=np.int64)]
    below: IntArray = rim_nodes
    count = index.size
    for number, positions in enumerate(counts.rings):
        for _ in positions:
            above: IntArray = np.arange(count, count + nodes_per_ring, dtype=np.int64)
            hexes.append(np.concatenate([below[rim_quads], above[rim_quads]]))
            layer.append(np.full(rim_quads.shape[1], number, dtype=np.int64))
            below, count = above, count + nodes_per_ring
    points = np.concatenate(blocks, axis=2)
    plane = np.flatnonzero(np.abs(points[:, 1]).max(axis=0) == 0.0)
    faces = rim_quads[[0, 1, 3, 2]]
    return points, (np.concatenate(hexes, axis=1), np.concatenate(layer), below, plane, faces)


def _cube_coordinates(counts: Counts) -> FloatArray:
    """Nodes of the block before rounding, (3, normal + 1, lateral + 1, upward + 1)."""
    axes = (
        np.linspace(-1.0, 1.0, counts.normal + 1),
        np.linspace(0.0, 1.0, counts.lateral + 1),
        np.linspace(-1.0, 1.0, counts.upward + 1),
    )
    return np.stack(np.meshgrid(*axes, indexing="ij"))


def _rounded(cube: FloatArray, bulge: float) -> FloatArray:
    """Move the cube's points toward the ball's: x sqrt(1 - y^2/2 - z^2/2 + y^2 z^2/3) and so on."""
    x2, y2, z2 = cube**2
    ball = cube * np.sqrt(
        np.stack(
            [
                1.0 - 0.5 * (y2 + z2) + y2 * z2 / 3.0,
                1.0 - 0.5 * (z2 + x2) + z2 * x2 / 3.0,
                1.0 - 0.5 * (x2 + y2) + x2 * y2 / 3.0,
            ]
        )
    )
    # 0.8: a cube as wide as the ball would poke out of it.
    rounded: FloatArray = 0.8 * (1.0 - bulge) * cube + bulge * ball
    return rounded


def _focused(points: FloatArray, focus: float) -> FloatArray:
    """Crowd directions about the -x pole by the conformal map tan(a'/2) = f tan(a/2).

    f falls from 1 at the centre, where the map would tear, to `focus` at radius 1.
    """
    radius = np.maximum(np.sqrt((points**2).sum(axis=0)), 1e-300)
    angle = np.arccos(np.clip(-points[0] / radius, -1.0, 1.0))
    new = 2.0 * np.arctan2(focus**radius * np.sin(0.5 * angle), np.cos(0.5 * angle))
    ratio = np.sin(new) / np.maximum(np.sin(angle), 1e-12)
    return np.stack([-radius * np.cos(new), ratio * points[1], ratio * points[2]])


def _block_hexes(index: IntArray) -> IntArray:
    corners = [
        index[i : index.shape[0] - 1 + i, j : index.shape[1] - 1 + j, k : index.shape[2] - 1 + k]
        for k in (0, 1)
        for j in (0, 1)
        for i in (0, 1)
    ]
    return np.stack([corner.ravel() for corner in corners])


def _rim_faces(index: IntArray) -> IntArray:
    """Faces of the block that carry rings, (4, faces): corners by bits, seen from outside.

    With the ring's outward direction as third local axis the element is right-handed.
    """
    sides = [
        index[0].T,
        index[-1],
        index[:, -1].T,
        index[:, :, 0].T,
        index[:, :, -1],
    ]
    faces = []
    for side in sides:
        corners = [side[:-1, :-1], side[1:, :-1], side[:-1, 1:], side[1:, 1:]]
        faces.append(np.stack([corner.ravel() for corner in corners]))
    return np.concatenate(faces, axis=1)
