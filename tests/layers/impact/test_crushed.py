"""What is said of an element that turned inside out."""

import re

import numpy as np
import pytest

from layers.impact.crushed import crushed
from tests.helpers.calculix import layered_body

BODY = layered_body([25.0, 38.0, 42.7], [40.0, 6.5, 120.0], [0.48, 0.45, 0.4], [1.1, 1.1, 0.95])
LAYER = np.array([0, 0, 1, 1, 2, 2])


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        ([0.9, 0.1, 0.9, 0.9, 0.15, 0.9], r"layer 1 of 3, .* modulus 40 MPa"),
        ([0.9, 0.1, 0.9, 0.2, 0.15, 0.9], r"layer 2 of 3, .* modulus 6.5 MPa"),
        ([0.9, 0.9, 0.9, 0.9, 0.9, np.nan], r"layer 3 of 3, .* modulus 120 MPa"),
        ([0.9, 0.8, 0.9, 0.7, 0.8, 0.6], r"layer 3 of 3, "),
    ],
)
def test_the_softest_of_the_flat_layers_is_named_with_its_youngs_modulus(ratio, said):
    """Young's modulus comes back from the bulk and shear modulus that were made of it."""
    told = crushed(BODY, np.array(ratio), LAYER, 45.0)
    assert "turned inside out at 45 m/s" in told
    assert re.search(said, told)
