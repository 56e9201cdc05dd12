"""Quadratics without products are fitted exactly. Kind: analytic."""

import numpy as np
import pytest

from optimize.tolerance.surrogate import fit

STEP = np.array([0.5, 2.0])
DESIGN = np.vstack(
    [np.zeros(2), *(k * row for k in (-2.0, -1.0, 1.0, 2.0) for row in np.diag(STEP))]
)


def truth(move):
    a, b = move.T
    return np.column_stack([3.0 + 2.0 * a - 5.0 * b + 0.5 * a**2 + 7.0 * b**2, 1.0 - a + 4.0 * b])


def test_analytic_a_quadratic_is_found_with_its_coefficients():
    found = fit(("one", "two"), STEP, DESIGN, truth(DESIGN))
    assert found.names == ("one", "two")
    assert found.constant == pytest.approx([3.0, 1.0])
    assert found.linear == pytest.approx(np.array([[2.0, -1.0], [-5.0, 4.0]]) * STEP[:, None])
    assert found.square == pytest.approx(np.array([[0.5, 0.0], [7.0, 0.0]]) * STEP[:, None] ** 2)
    anywhere = np.random.default_rng(1).normal(0.0, 3.0, (20, 2))
    assert found(anywhere) == pytest.approx(truth(anywhere))


def test_some_figures_are_those_of_all():
    found = fit(("one", "two"), STEP, DESIGN, truth(DESIGN))
    move = np.array([[0.3, -1.0], [2.0, 5.0]])
    assert np.array_equal(found.only(["two"])(move), found(move)[:, 1:])
    assert found.only(["two", "one"]).names == ("two", "one")
    assert np.array_equal(found.only(["two", "one"])(move), found(move)[:, ::-1])
