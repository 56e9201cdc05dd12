"""Near rows of a table against comparing every pair."""

import numpy as np
import pytest

from layers.numerics.near_rows import near_rows


def found(values, errors, place):
    first, count = np.full(len(values), -1), np.full(len(values), -1)
    near_rows(values, errors, place, float(errors[:, 0].max()), first, count)
    return first, count


@pytest.mark.parametrize("columns", [1, 2, 4])
@pytest.mark.parametrize("scale", [0.02, 0.3, 2.0])
def test_rows_near_in_every_column_are_those_of_all_pairs(columns, scale):
    rng = np.random.default_rng(columns)
    values = rng.normal(size=(80, columns))
    values = values[np.argsort(values[:, 0])]
    errors = scale * rng.uniform(0.1, 1.0, values.shape)
    place = rng.permutation(80)
    apart = np.abs(values[:, None] - values[None])
    near = (apart**2 <= errors[:, None] ** 2 + errors[None] ** 2).all(axis=2)
    first, count = found(values, errors, place)
    np.testing.assert_array_equal(count, near.sum(axis=1))
    np.testing.assert_array_equal(first, [place[row].min() for row in near])


def test_rows_exactly_as_far_apart_as_both_errors_are_near():
    """3, 4 and 5: the hypotenuse itself still counts, in the first column and in the others."""
    values = np.array([[0.0, 0.0], [5.0, 0.0], [5.0, 5.0], [10.001, 5.0]])
    errors = np.array([[3.0, 3.0], [4.0, 3.0], [3.0, 4.0], [4.0, 3.0]])
    first, count = found(values, errors, np.array([3, 2, 1, 0]))
    assert count.tolist() == [2, 3, 2, 1]
    assert first.tolist() == [2, 1, 1, 0]
