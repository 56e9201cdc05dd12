"""Indices of computed builds against closed forms, enumeration and an established library.

Kinds: analytic (a linear function), published (Ishigami's and the g-function), comparison.
"""

import numpy as np
import pytest
from scipy.stats import sobol_indices, uniform

from layers.errors import InputError
from optimize.sensitivity.sequence import computed_indices, sequence_design
from optimize.sensitivity.sobol import Grid, Indices
from tests.optimize.sensitivity.test_sobol import (
    PUBLISHED,
    exact,
    grid,
    inside,
    points,
    singles,
)


def of_function(function, of: Grid, parts, count: int = 1024, seed: int = 1) -> Indices:
    drawn = sequence_design(of, parts, count, seed)
    return computed_indices(drawn, function(drawn.rows), of.sizes, seed)


@pytest.mark.parametrize("levels", [41, 400])
@pytest.mark.parametrize(("function", "first", "total"), PUBLISHED)
def test_published_indices(function, first, total, levels):
    d, near = len(first), 0.01
    found = of_function(lambda r: function(points(r, levels)), grid(d, levels), singles(d), 4096)
    assert [index.value for index in found.first] == pytest.approx(first, abs=near)
    assert [index.value for index in found.total] == pytest.approx(total, abs=near)
    assert all(inside(found, first, total))
    # Tolerance guard: with the last variable in the first one's place the indices are far off.
    assert abs(found.first[-1].value - first[0]) > 4 * near


def test_a_linear_functions_indices_are_its_shares_of_variance():
    slopes = np.array([3.0, 2.0, 1.0, 0.0])
    shares = slopes**2 / np.sum(slopes**2)
    for seed in range(5):
        found = of_function(lambda r: r @ slopes, grid(4), singles(4), 1024, seed)
        assert [index.value for index in found.total] == pytest.approx(shares, abs=0.003)
        assert [index.value for index in found.first] == pytest.approx(shares, abs=0.01)
        assert all(inside(found, shares, shares))
        # Tolerance guard: a slope of 2 that were 2.4 would be noticed.
        assert abs(found.total[1].value - 2.4**2 / (14.0 - 4.0 + 2.4**2)) > 0.05


def test_a_sequence_errs_less_than_random_builds():
    """Random builds of this number scatter by 0.03 in a total (Jansen's formula, normal theory)."""
    function, _, total = PUBLISHED[0]
    errors = [
        of_function(lambda r: function(points(r)), grid(3), singles(3), 1024, seed).total[0].value
        - total[0]
        for seed in range(6)
    ]
    assert np.sqrt(np.mean(np.square(errors))) < 0.02


def test_variables_that_bound_each_other_keep_their_definitions():
    def function(rows):
        return rows[..., 0] + 0.5 * rows[..., 1] + 0.1 * rows[..., 0] * rows[..., 2]

    half = Grid(np.array([12, 12, 5]), lambda rows: rows[:, 0] + rows[:, 1] <= 11)
    drawn = sequence_design(half, [*singles(3), (0, 2)], 4096, 1)
    assert half.allowed(drawn.rows.reshape(-1, 3)).all()
    found = computed_indices(drawn, function(drawn.rows), half.sizes, 1)
    for i in range(3):
        first, total = exact(function, half, [i])
        assert found.first[i].value == pytest.approx(first, abs=0.004)
        assert found.total[i].low <= total <= found.total[i].high
    assert found.total[3].value == pytest.approx(exact(function, half, [0, 2])[1], abs=0.01)
    # Tolerance guard: over all rows the first variable's total is another.
    free = exact(function, Grid(half.sizes, grid(3).allowed), [0])
    assert abs(free[1] - found.total[0].value) > 0.05


def test_scipys_indices_are_met_by_a_function_that_jumps():
    def jumps(u):
        return np.where(u[..., 0] > 0.3, 2.0 * u[..., 1], u[..., 2] ** 2)

    found = of_function(lambda r: jumps(points(r, 50)), grid(3, 50), singles(3), 4096)
    theirs = sobol_indices(
        func=lambda x: jumps(points(np.floor(x * 50), 50).T),
        n=2**14,
        dists=[uniform()] * 3,
        rng=np.random.default_rng(0),
    )
    assert [i.value for i in found.first] == pytest.approx(theirs.first_order, abs=0.012)
    assert [i.value for i in found.total] == pytest.approx(theirs.total_order, abs=0.012)


def test_the_same_seed_draws_the_same_and_a_space_without_builds_is_said():
    one, again, other = (sequence_design(grid(2, 9), singles(2), 100, s) for s in (3, 3, 4))
    assert (one.rows == again.rows).all()
    assert (one.rows != other.rows).any()
    with pytest.raises(InputError, match="hardly any build can be made"):
        sequence_design(grid(2, 3, lambda rows: np.zeros(len(rows), dtype=bool)), [], 2, 1)
