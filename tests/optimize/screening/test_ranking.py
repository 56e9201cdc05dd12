"""Fronts, ranks and indistinguishable builds against plain definitions."""

import numpy as np
import pytest

from optimize.screening.ranking import fronts, indistinguishable, ranks
from optimize.search.shortlist import non_dominated


@pytest.mark.parametrize("goals", [1, 2, 3])
def test_fronts_are_those_of_peeling(goals):
    losses = np.random.default_rng(4).integers(0, 12, (150, goals)).astype(float)  # with ties
    found, left, number = fronts(losses), np.arange(150), 0
    while len(left):
        number += 1
        first = non_dominated(losses[left])
        assert set(found[left[first]]) == {number}
        left = left[~first]


def test_ranks_put_feasible_builds_first_then_the_closest_and_leave_out_the_rest():
    losses = np.array([[2.0, 2.0], [1.0, 1.0], [0.0, 0.0], [0.0, 0.0], [np.nan, 0.0], [0.0, 0.0]])
    distance = np.array([0.0, 0.0, 0.2, 0.1, 0.0, np.nan])
    found = ranks(losses, distance)
    assert found.rank.tolist() == [2, 1, 4, 3, 0, 0]
    assert found.front.tolist() == [2, 1, 0, 0, 0, 0]


def test_without_a_sound_build_nothing_is_ranked():
    found = ranks(np.array([[np.nan]]), np.array([np.nan]))
    assert (found.rank.tolist(), found.front.tolist()) == ([0], [0])


def test_indistinguishable_names_the_best_and_counts_all():
    values = np.array([[1.0, 5.0], [1.1, 5.0], [1.2, 5.0], [1.0, 6.0], [np.nan, 5.0]])
    errors = np.tile([0.1, 0.0], (5, 1))
    found = indistinguishable(values, errors, [2, 1, 0, 3, 4])
    # 0 and 2 are told apart, both are as 1: the best of the order is named.
    assert found.first.tolist() == [1, 2, 2, 3, -1]
    assert found.count.tolist() == [1, 2, 1, 0, 0]


def test_indistinguishable_builds_of_a_long_table_are_those_of_the_definition():
    """Many builds, some by far less resolved than others, against every pair."""
    rng = np.random.default_rng(8)
    values = rng.normal(size=(200, 3)) * (1.0, 100.0, 0.01)
    values[rng.random(200) < 0.1, 1] = np.nan
    errors = np.abs(rng.normal(size=(200, 3))) * (0.1, 20.0, 0.01)
    errors[::17] *= 5.0
    order = rng.permutation(200).tolist()
    found = indistinguishable(values, errors, order)
    whole = [i for i in order if np.isfinite(values[i]).all()]
    for place, i in enumerate(whole):
        alike = [
            j
            for j in whole
            if (np.abs(values[i] - values[j]) <= np.hypot(errors[i], errors[j])).all()
        ]
        assert found.count[i] == len(alike) - 1
        assert found.first[i] == next(j for j in whole[: place + 1] if j in alike)
    assert (found.count > 0).any()
    assert (found.first == -1).sum() == 200 - len(whole)
