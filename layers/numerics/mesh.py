"""Conforming axisymmetric meshes of a layered sphere: a curved square block inside rings.

The half plane (r, z) of a sphere is meshed by a block of quadrilaterals about the centre, whose
three (or, for a quarter, two) free sides carry rings of quadrilaterals outward. Rings follow the
interfaces. The topology depends only on the counts, never on the diameters, so that every computed
figure moves smoothly when an interface moves.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray, IntArray

# Half width of the block over the radius of its layer, and how far its free sides bulge from a
# square (0) to the circle (1).
BLOCK_SIZE = 0.45
BLOCK_BULGE = 0.5


@dataclass(frozen=True)
class Mesh:
    """Four-node quadrilaterals of the half plane.

    Attributes
    ----------
    points : (n, 2) array
        Node coordinates (r, z), m, r >= 0.
    quads : (m, 4) array
        Corner nodes, counter-clockwise in (r, z).
    layer : (m,) array
        Index of the layer each element belongs to, 0 innermost.
    surface : (k,) array
        Outer nodes from the first angle to the last.
    """

    points: FloatArray
    quads: IntArray
    layer: IntArray
    surface: IntArray


def sphere_mesh(
    outer_radius: FloatArray,
    rings: tuple[FloatArray, ...],
    angles: FloatArray,
    side: int,
    block_angles: FloatArray | None = None,
) -> Mesh:
    """Mesh the half plane of a layered sphere, or its upper quarter.

    Parameters
    ----------
    outer_radius : (n,) array
        Outer radius of each layer, m.
    rings : tuple of n arrays
        Relative positions in (0, 1], ending with 1, of the ring boundaries in each layer; those of
        the innermost layer run from the block's edge (0) to the layer's radius (1).
    angles : (m + 1,) array
        Polar angles from the +z axis, increasing from 0 to pi/2 (quarter) or to pi (half).
    side : int
        Elements along the block's side in r. The quarter has m - side elements along z, the half
        m - 2 side.
    block_angles : (m + 1,) array, optional
        Polar angles at the block's edge, `angles` if not given. Even ones keep the block's elements
        large where `angles` crowd toward a pole.

    Returns
    -------
    Mesh
    """
    half = angles[-1] > 2.0
    tall = len(angles) - 1 - (2 if half else 1) * side
    arc = _unit_arc(angles)
    block_arc = arc if block_angles is None else _unit_arc(block_angles)
    rim = BLOCK_SIZE * outer_radius[0] * _bulged_square(block_arc, side, tall)
    block = _fill_block(rim, side, tall, half)

    points = [block.reshape(-1, 2)]
    index = np.arange((side + 1) * (tall + 1)).reshape(tall + 1, side + 1)
    lower, upper = index[:-1], index[1:]
    quads = [_quads(lower, upper)]
    layer = [np.zeros(side * tall, dtype=np.int64)]
    row = _rim_index(index, half)
    count = points[0].shape[0]
    inner_points = rim
    for number, (radius, positions) in enumerate(zip(outer_radius, rings, strict=True)):
        for position in positions:
            new = np.arange(count, count + len(angles))
            points.append(inner_points + position * (radius * arc - inner_points))
            quads.append(_quads(row[None, :], new[None, :]))
            layer.append(np.full(len(angles) - 1, number, dtype=np.int64))
            count += len(angles)
            row = new
        inner_points = radius * arc
    return Mesh(np.concatenate(points), np.concatenate(quads), np.concatenate(layer), row)


def _unit_arc(angles: FloatArray) -> FloatArray:
    """Points of the unit circle, exactly on the axis (and on the equator) at the ends."""
    arc = np.column_stack([np.sin(angles), np.cos(angles)])
    arc[0, 0] = 0.0
    arc[-1, 0 if angles[-1] > 2.0 else 1] = 0.0
    return arc


def _bulged_square(arc: FloatArray, side: int, tall: int) -> FloatArray:
    """Free sides of the block, between the square around the unit circle and the circle."""
    corner = arc[side]
    square = np.empty_like(arc)
    for k, (r, z) in enumerate(arc):
        if k <= side:
            square[k] = (r * corner[1] / z, corner[1])
        elif k <= side + tall:
            square[k] = (corner[0], z * corner[0] / r)
        else:
            last = arc[side + tall]
            square[k] = (r * last[1] / z, last[1])
    return (1.0 - BLOCK_BULGE) * square + BLOCK_BULGE * arc


def _fill_block(rim: FloatArray, side: int, tall: int, half: bool) -> FloatArray:
    """Fill the block between its free sides by transfinite interpolation, (tall+1, side+1, 2)."""
    grid = np.zeros((tall + 1, side + 1, 2))
    top, right = rim[: side + 1], rim[side : side + tall + 1][::-1]
    if half:
        bottom = rim[side + tall :][::-1]
    else:
        bottom = np.column_stack([top[:, 0] / top[-1, 0] * right[0, 0], np.zeros(side + 1)])
    stretch = (right[:, 1] - right[0, 1]) / (right[-1, 1] - right[0, 1])
    left = np.column_stack(
        [np.zeros(tall + 1), bottom[0, 1] + stretch * (top[0, 1] - bottom[0, 1])]
    )
    u = (top[:, 0] / top[-1, 0])[None, :, None]
    v = stretch[:, None, None]
    grid[:] = (
        (1 - u) * left[:, None]
        + u * right[:, None]
        + (1 - v) * bottom[None]
        + v * top[None]
        - (1 - u) * (1 - v) * bottom[0]
        - u * (1 - v) * bottom[-1]
        - (1 - u) * v * top[0]
        - u * v * top[-1]
    )
    grid[:, 0, 0] = 0.0
    return grid


def _rim_index(index: IntArray, half: bool) -> IntArray:
    """Block nodes along its free sides, from the +z axis on."""
    parts = [index[-1, :], index[-2::-1, -1]]
    if half:
        parts.append(index[0, -2::-1])
    return np.concatenate(parts)


def _quads(first: IntArray, second: IntArray) -> IntArray:
    """Quads between two rows of nodes, counter-clockwise when `second` lies outward."""
    corners = [first[:, :-1], first[:, 1:], second[:, 1:], second[:, :-1]]
    return np.stack(corners, axis=-1).reshape(-1, 4)
