"""What the mesh error of a build follows."""

import numpy as np
import pytest

from layers.resolution.nearness import construction
from tests.helpers.builds import random_balls


def test_analytic_numbers_of_a_construction():
    ball = next(ball for ball in random_balls(20, seed=2) if len(ball.layer) == 3)
    found = construction(ball)
    outer = [layer.outer_diameter_mm for layer in ball.layer]
    thickness = [outer[0], outer[1] - outer[0], outer[2] - outer[1]]
    np.testing.assert_allclose(found["thickness"], np.log(thickness))
    cards = [layer.material for layer in ball.layer]
    relaxing = [sum(pair.strength for pair in card.relaxation) for card in cards]
    assert max(relaxing) > 0.0
    rest = [
        *(np.log(card.dynamic_modulus_ratio.value) for card in cards),
        *(1.0 - 1.0 / (1.0 + strength) for strength in relaxing),
        *(np.log(1.0 - 2.0 * card.poisson_ratio.value) for card in cards),
        *(np.log(card.density_g_cm3.value) for card in cards),
        cards[-1].friction.value,
    ]
    assert found["rest"] == pytest.approx(rest)
    moduli = [np.log(card.youngs_modulus_mpa.value) for card in cards]
    assert found["modulus"] == pytest.approx([*moduli, 0.0, 0.0, 0.0])
