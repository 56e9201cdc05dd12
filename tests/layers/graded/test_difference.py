"""Hardness at the surface less at the centre, and its error."""

import math

import pytest

from layers.graded.difference import hardness_difference
from layers.hardness import HARDNESS_SCATTER, find_scale, reading_of


@pytest.mark.parametrize(("centre", "surface"), [(4.0, 60.0), (11.3, 78.2), (90.0, 25.0)])
def test_the_error_is_the_relations_scatter_at_both_ends(centre, surface):
    """The scatter is of the modulus, as a share: times the reading's slope by its logarithm."""
    scale, step = find_scale("C"), 1e-5

    def error(modulus: float) -> float:
        ends = [reading_of(scale, modulus * math.exp(by)) for by in (step, -step)]
        return HARDNESS_SCATTER * (ends[0] - ends[1]) / (2.0 * step)

    difference, found, _ = hardness_difference(centre, surface)
    by_hand = reading_of(scale, surface) - reading_of(scale, centre)
    assert difference == pytest.approx(by_hand, rel=1e-12)
    assert found == pytest.approx(math.hypot(error(centre), error(surface)), rel=1e-5)


def test_readings_outside_the_relations_range_are_told():
    assert hardness_difference(11.3, 78.2)[2] == ""
    for ends in ((0.5, 20.0), (20.0, 0.5), (20.0, 2500.0)):
        assert "is outside 30 to 95" in hardness_difference(*ends)[2]
