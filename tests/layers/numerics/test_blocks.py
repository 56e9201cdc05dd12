"""Rows cut into blocks and back, and arrays that begin where lanes may be loaded."""

import numpy as np
import pytest

from layers.numerics.blocks import as_blocks, as_rows
from layers.numerics.vectors import aligned, width_of


@pytest.mark.parametrize(("columns", "blocks"), [(1, 1), (7, 1), (8, 1), (9, 2), (16, 2), (19, 3)])
def test_rows_come_back_from_their_blocks_filled_up_with_nothing(columns, blocks):
    rows = np.arange(1.0, 3 * columns + 1).reshape(3, columns)
    cut = as_blocks(rows, np.float64, 8)
    assert cut.shape == (blocks, 3, 8)
    for block in range(blocks):
        part = rows[:, 8 * block : 8 * block + 8]
        np.testing.assert_array_equal(cut[block, :, : part.shape[1]], part)
        assert not cut[block, :, part.shape[1] :].any()
    back = as_rows(cut)
    np.testing.assert_array_equal(back[:, :columns], rows)
    assert back.shape == (3, 8 * blocks)
    assert not back[:, columns:].any()


def test_blocks_have_their_own_precision_and_rows_are_double():
    cut = as_blocks(np.full((1, 3), 0.1), np.float32, 16)
    assert cut.dtype == np.float32
    assert as_rows(cut).dtype == np.float64
    assert as_rows(cut)[0, 0] == np.float32(0.1)


@pytest.mark.parametrize(("dtype", "width"), [(np.float64, 8), (np.float32, 16), (np.int32, 16)])
def test_lanes_are_64_bytes_and_arrays_begin_at_a_multiple(dtype, width):
    assert width_of(dtype) == width
    for size in (1, 3, 17, 100):
        made = aligned((size, 2), dtype)
        assert made.ctypes.data % 64 == 0
        assert (made.shape, made.dtype) == ((size, 2), dtype)
        assert not made.any()
        made[:] = 1  # all of it is its own
        assert made.flags.c_contiguous
