"""Closed forms of pieces: names, units, and bodies inside a ball. Kinds: analytic, structure."""

import numpy as np
import pytest

from layers.errors import InputError
from layers.figures import parse_figure
from optimize.lab.scatter import Scatter
from optimize.tolerance.exact import (
    balance_names,
    balance_of,
    closed_form,
    is_balance,
    is_exact,
    pieces_of,
    thickness_of,
    unit_of,
)
from optimize.tolerance.pieces import Draws, sources_of
from tests.optimize.tolerance.test_study import K1

SOURCES = sources_of(K1, Scatter())
STILL = Draws(np.zeros((2, 9)), np.zeros((2, 2, 3)))


def test_which_figures_are_closed_forms():
    balance = ("imbalance_g_mm", "minimum_moi_g_cm2", "maximum_moi_g_cm2", "moi_asymmetry_percent")
    walls = ("stage2.minimum_thickness_mm", "stage12.maximum_thickness_mm")
    for name in (*balance, *walls):
        assert is_balance(name)
        assert is_exact(name)
    closed = ("diameter_mm", "mass_g", "mean_density_g_cm3", "moi_g_cm2", "moi_ratio")
    for name in (*closed, "stage1.mass_g", "stage2.diameter_mm"):
        assert is_exact(name)
        assert not is_balance(name)
    for name in ("deflection_mm", "cor", "driver fast.spin_rpm", "stage1.deflection_mm"):
        assert not is_exact(name)
        assert not is_balance(name)


def test_units():
    units = {
        "imbalance_g_mm": "g mm",
        "minimum_moi_g_cm2": "g cm2",
        "maximum_moi_g_cm2": "g cm2",
        "moi_asymmetry_percent": "%",
        "stage2.minimum_thickness_mm": "mm",
        "mass_g": "g",
        "stage1.deflection_mm": "mm",
        "driver fast.spin_rpm": "rpm",
    }
    assert {name: unit_of(name) for name in units} == units


def test_a_ball_of_one_layer_is_never_eccentric():
    assert balance_names(K1.stage(1)) == ()
    assert balance_names(K1.stage(2))[4:] == ("stage2.minimum_thickness_mm",)
    assert balance_names(K1)[4:] == ("stage2.minimum_thickness_mm", "stage3.minimum_thickness_mm")
    assert balance_names(K1)[0] == "imbalance_g_mm"


def test_only_whole_balls_have_dimples():
    assert K1.dimple_volume_percent > 0.0
    whole, inner = (pieces_of(K1, SOURCES, STILL.move, n) for n in (3, 2))
    assert whole.dimple_volume_fraction == K1.body().dimple_volume_fraction
    assert inner.dimple_volume_fraction == 0.0
    assert whole.dimple_depth == K1.body().dimple_depth
    assert (whole.outer_radius.shape, inner.density.shape) == ((2, 3), (2, 2))


def test_analytic_a_stages_figures_are_of_its_layers_alone():
    for count in (1, 2, 3):
        pieces = pieces_of(K1, SOURCES, STILL.move, count)
        diameter = closed_form(pieces, parse_figure(f"stage{count}.diameter_mm"))
        assert diameter == pytest.approx([K1.layer[count - 1].outer_diameter_mm] * 2)
    core = pieces_of(K1, SOURCES, STILL.move, 1)
    rubber = K1.layer[0].material.density_g_cm3.value
    mass = rubber * np.pi / 6.0 * 3.8**3
    assert closed_form(core, parse_figure("stage1.mass_g")) == pytest.approx([mass] * 2)
    assert closed_form(core, parse_figure("stage1.moi_ratio")) == pytest.approx([0.4] * 2)
    assert closed_form(core, parse_figure("stage1.mean_density_g_cm3")) == pytest.approx(
        [rubber] * 2
    )
    inertia = 0.4 * mass * 1.9**2
    assert closed_form(core, parse_figure("stage1.moi_g_cm2")) == pytest.approx([inertia] * 2)


def test_analytic_principal_moments_of_a_core_off_centre():
    """A denser core moved along one axis: the moment about that axis stays, the others grow."""
    offset = np.zeros((2, 2, 3))
    offset[1, 0] = (0.0, 1e-3, 0.0)
    found = balance_of(K1, SOURCES, Draws(STILL.move, offset))
    even = closed_form(pieces_of(K1, SOURCES, STILL.move, 3), parse_figure("moi_g_cm2"))[0]
    assert found["minimum_moi_g_cm2"] == pytest.approx([even] * 2, rel=1e-9)
    assert found["imbalance_g_mm"][0] == pytest.approx(0.0, abs=1e-12)
    mantle = K1.layer[1].material.density_g_cm3.value
    heavier = (K1.layer[0].material.density_g_cm3.value - mantle) * np.pi / 6.0 * 3.8**3
    assert found["imbalance_g_mm"][1] == pytest.approx(heavier * 1.0, rel=1e-9)
    mass = closed_form(pieces_of(K1, SOURCES, STILL.move, 3), parse_figure("mass_g"))[0]
    grown = heavier * 0.1**2 * (1.0 - heavier / mass)  # about the ball's own centre of mass
    assert found["maximum_moi_g_cm2"][1] == pytest.approx(even + grown, rel=1e-9)
    mean = even + 2.0 * grown / 3.0
    assert found["moi_asymmetry_percent"][1] == pytest.approx(100.0 * grown / mean, rel=1e-6)
    assert found["moi_asymmetry_percent"][0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("number", [0, 1, 4])
def test_limits_a_thickness_is_of_a_layer_around_another(number):
    with pytest.raises(InputError, match="the stage must be from 2 to 3, a layer around another"):
        thickness_of(K1, SOURCES, STILL, f"stage{number}.minimum_thickness_mm")
    for stage in (2, 3):
        assert len(thickness_of(K1, SOURCES, STILL, f"stage{stage}.maximum_thickness_mm")) == 2
