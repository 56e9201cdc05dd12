"""Lanes as the compiler makes them, against NumPy: every lane counts, in both precisions."""

import numpy as np
import pytest
from numba import njit

from layers.numerics import lanes, nodes
from layers.numerics.vectors import aligned, width_of


@njit
def _reduced(a, out, room, rounded):
    """Write sum and largest of each block's row 0, and lanes that are made of rows 0 and 1."""
    for block in range(a.shape[0]):
        one, two = lanes.load(a, block, 0), lanes.load(a, block, 1)
        out[0, block], out[1, block] = lanes.total(one), lanes.highest(one)
        lanes.store(room, block, 0, lanes.maximum(one, two))
        lanes.store(room, block, 1, lanes.square_root(one * one))
        lanes.store(room, block, 2, lanes.nought(a) - one + 2.0 * two / (one * one + 1.0))
        lanes.store_rounded(rounded, block, 1, 0, one)


@njit
def _moved(values, index, out, sums):
    """Gather the vectors of nodes, write them, and add them to others."""
    for block in range(index.shape[0]):
        x, y, z = nodes.gather(values, index, block, 0)
        lanes.store(out, block, 0, x)
        lanes.store(out, block, 1, y)
        lanes.store(out, block, 2, z)
        nodes.add_at(sums, index, block, 0, x, y, z)
    nodes.store_node(sums, 0, nodes.load_node(values, 1))


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_analytic_lanes_are_numbers_side_by_side(dtype):
    width = width_of(dtype)
    a = aligned((width, 2, width), dtype)
    rng = np.random.default_rng(3)
    a[:] = rng.normal(size=a.shape)
    a[np.arange(width), 0, np.arange(width)] = 9.0  # the largest is in another lane each time
    out = np.zeros((2, width))
    room, rounded = aligned((width, 3, width), dtype), aligned((width, 2, width), np.float32)
    _reduced(a, out, room, rounded)
    one, two = a[:, 0].astype(float), a[:, 1].astype(float)
    np.testing.assert_allclose(out[0], one.sum(axis=1), rtol=1e-12)
    np.testing.assert_array_equal(out[1], 9.0)
    np.testing.assert_array_equal(room[:, 0], np.maximum(a[:, 0], a[:, 1]))
    exact = 1e-13 if dtype is np.float64 else 1e-5
    np.testing.assert_allclose(room[:, 1], np.abs(one), rtol=exact)
    np.testing.assert_allclose(room[:, 2], 2.0 * two / (one**2 + 1.0) - one, rtol=exact, atol=exact)
    np.testing.assert_array_equal(rounded[:, 1], one.astype(np.float32))
    assert not rounded[:, 0].any()


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_analytic_vectors_of_nodes_are_gathered_and_added(dtype):
    """A node that stands in several lanes is added to as often."""
    width = width_of(dtype)
    rng = np.random.default_rng(4)
    values = aligned((40, 4), dtype)
    values[:] = rng.normal(size=values.shape)
    index = rng.integers(0, 40, (3, 1, width)).astype(np.int32)
    index[0, 0, [1, 4]] = 7
    out, sums = aligned((3, 3, width), dtype), aligned((40, 4), dtype)
    sums[:] = start = rng.normal(size=sums.shape).astype(dtype)
    _moved(values, index, out, sums)
    for block in range(3):
        np.testing.assert_array_equal(out[block], values[index[block, 0], :3].T)
    expected = start.astype(float)
    np.add.at(expected, index.ravel(), values[index.ravel()] * [1.0, 1.0, 1.0, 0.0])
    expected[0] = values[1]
    np.testing.assert_allclose(sums, expected, rtol=1e-6, atol=1e-6)
