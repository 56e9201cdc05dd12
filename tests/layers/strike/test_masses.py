"""Masses and contact of many builds of one mesh: what they are worked out from."""

import numpy as np
import pytest

from layers.numerics.cubed_sphere import Counts
from layers.strike.masses import unit_of


def counts(*rings: tuple[float, ...]) -> Counts:
    return Counts(8, 6, 8, rings, focus=0.7, block=0.55)


def test_analytic_volumes_of_a_half_sphere_and_of_its_outermost_ring():
    """A straight-sided mesh lies within the sphere; half of a ring is lumped at its outer nodes."""
    half = 2.0 * np.pi / 3.0
    for ring in ((1.0,), (0.5, 1.0)):
        core = unit_of(counts(ring), 3).core
        assert core.sum() == pytest.approx(half, rel=0.03)
        unit = unit_of(counts((1.0,), ring), 3)
        assert unit.column.sum() == pytest.approx(half / 2.0, rel=0.1)
        np.testing.assert_allclose(np.linalg.norm(unit.place[:, -len(unit.column) :], axis=0), 1.0)


def test_analytic_moments_are_sums_over_the_nodes():
    unit = unit_of(counts((0.5, 1.0)), 3)
    x, y, z = unit.place
    rows, scaled = (1.0, x**2 + z**2, x), (1.0, x**2 + y**2 + z**2, x)
    by_hand = [[float(np.sum(unit.core * a * b)) for b in scaled] for a in rows]
    np.testing.assert_allclose(unit.core_moments, by_hand, rtol=1e-12)
    # Of a half sphere of radius 1: integral of r^2 is 2 pi / 5, of x^2 + z^2 two thirds of it.
    assert unit.core_moments[0, 1] == pytest.approx(2.0 * np.pi / 5.0, rel=0.1)
    assert unit.core_moments[1, 0] == pytest.approx(4.0 * np.pi / 15.0, rel=0.1)
