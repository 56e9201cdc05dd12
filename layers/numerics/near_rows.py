"""Rows of a table that are near each other in every column."""

import math
from typing import Any

from layers.numerics.machine_code import njit


@njit(cache=True)
def near_rows(values: Any, errors: Any, place: Any, reach: float, first: Any, count: Any) -> None:
    """Find for each row those whose every value differs by no more than both errors together.

    Parameters
    ----------
    values, errors : (n, k) array
        Sorted by the first column; two values are near within the hypotenuse of their errors.
    place : (n,) int array
        A number of each row.
    reach : float
        Greatest error in the first column.
    first, count : (n,) int array
        Written: the least place among the rows near each, itself among them; how many they are.
    """
    rows, columns = values.shape
    squares, low = errors * errors, 0
    second = min(1, columns - 1)
    for i in range(rows):
        width = math.hypot(reach, errors[i, 0])
        # Reaches differ from row to row: a row's own begins somewhere from here on.
        while values[low, 0] < values[i, 0] - 2.0 * reach:
            low += 1
        least, near = place[i], 0
        for j in range(low, rows):
            away = values[j, 0] - values[i, 0]
            if away > width:
                break
            apart = values[j, second] - values[i, second]
            if apart * apart > squares[i, second] + squares[j, second]:
                continue
            same = True
            for k in range(columns):
                apart = values[j, k] - values[i, k]
                if apart * apart > squares[i, k] + squares[j, k]:
                    same = False
                    break
            if same:
                near += 1
                least = min(least, place[j])
        first[i], count[i] = least, near
