"""Scatter of cure: the contrast of a graded layer scatters, that of an even one cannot."""

import numpy as np
import pytest

from layers.graded.profile import Profile
from optimize.lab.scatter import Scatter
from optimize.tolerance.pieces import draw, kinds_for, piece, sources_of
from optimize.tolerance.study import study
from tests.helpers.staircase import graded_ball

GRADED = graded_ball(Profile(surface_over_centre=4.0, shape=2.0))
NAMES = ("stage1.hardness_difference_shore_c", "mass_g")


def test_only_a_graded_layer_scatters_in_contrast():
    kinds = kinds_for(NAMES)
    assert not [s for s in sources_of(graded_ball(), Scatter(), kinds) if s.kind == "contrast"]
    (source,) = (s for s in sources_of(GRADED, Scatter(), kinds) if s.kind == "contrast")
    assert (source.layer, source.deviation, source.lot) == (0, 0.04, 0.04)


def test_other_draws_do_not_depend_on_a_profile():
    draws = []
    for ball in (GRADED, graded_ball()):
        sources = sources_of(ball, Scatter(), kinds_for(NAMES))
        found = draw(sources, np.zeros(2), 5, np.random.default_rng(3))
        draws.append(found.move[:, [s.kind != "contrast" for s in sources]])
    assert np.array_equal(*draws)


def test_a_piece_keeps_its_mean_and_has_another_contrast():
    sources = sources_of(GRADED, Scatter(), kinds_for(NAMES))
    move = np.array([0.1 if s.kind == "contrast" else 0.0 for s in sources])
    found = piece(GRADED, sources, move).layer[0]
    assert found.profile.contrast == pytest.approx(4.0 * np.exp(0.1))
    assert found.material.youngs_modulus_mpa.value == pytest.approx(
        GRADED.layer[0].material.youngs_modulus_mpa.value
    )


def test_hardness_difference_of_a_lot_scatters_with_contrast():
    found = study(GRADED, NAMES)
    places = [i for i, s in enumerate(found.sources) if s.kind == "contrast"]
    slope = found.surrogate.linear[:, found.surrogate.names.index(NAMES[0])]
    # Mean modulus moves both ends alike; contrast moves them apart.
    assert abs(slope[places[0]]) == np.abs(slope).max() > 0.0
    assert found.check_error[NAMES[0]] < 0.1
