"""Rows of numbers cut into blocks of as many as lie side by side, and back."""

from typing import Any

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.numerics.vectors import aligned


def as_blocks(rows: npt.NDArray[Any], dtype: npt.DTypeLike, width: int) -> npt.NDArray[Any]:
    """Cut (r, n) rows into (m, r, width) blocks, the last filled up with zeros.

    Parameters
    ----------
    rows : (r, n) array
    dtype
        Of the blocks.
    width : int
        How many numbers lie side by side.
    """
    count, whole = -(-rows.shape[1] // width), rows.shape[1] // width
    blocks = aligned((count, len(rows), width), dtype)
    cut = whole * width
    blocks[:whole] = rows[:, :cut].reshape(len(rows), whole, width).transpose(1, 0, 2)
    if cut < rows.shape[1]:
        blocks[whole, :, : rows.shape[1] - cut] = rows[:, cut:]
    return blocks


def as_rows(blocks: npt.NDArray[Any]) -> FloatArray:
    """Undo `as_blocks`, in double precision; the filling stays."""
    rows = blocks.transpose(1, 0, 2).reshape(blocks.shape[1], len(blocks) * blocks.shape[2])
    return rows.astype(np.float64, copy=False)
