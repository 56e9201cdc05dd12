"""What scatters, and pieces drawn from it. Kinds: analytic, limits."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.ball_file import ball_from_table
from layers.errors import InputError
from layers.materials import default_catalogue
from optimize.lab.scatter import LayerScatter, Scatter
from optimize.tolerance.pieces import (
    Source,
    check_walls,
    draw,
    eccentricity_of,
    kinds_for,
    piece,
    sources_of,
)
from tests.optimize.tolerance.test_study import K1

ALL = kinds_for(["driver fast.spin_rpm"])


def test_analytic_steps_suit_the_deviation_but_are_never_short():
    # With pieces at one and two steps, 3.4 step^2 = 3 deviation^2.
    wide = Source(0, "modulus", 0.3, 0.4)
    assert 3.4 * wide.step**2 == pytest.approx(3.0 * 0.5**2)
    least = {
        "diameter": 0.05, "density": 0.006, "modulus": 0.04, "loss": 0.05, "dynamic ratio": 0.03,
        "friction": 0.08, "contrast": 0.06,
    }  # fmt: skip
    for kind, step in least.items():
        assert Source(0, kind, 0.0).step == step
        assert Source(0, kind, 1e-3, 1e-3).step == step


def test_four_pieces_along_what_every_figure_depends_on_and_two_along_the_rest():
    for kind in ("diameter", "density", "modulus", "contrast"):
        assert Source(0, kind, 0.1).fitted == (-2.0, -1.0, 1.0, 2.0)
    for kind in ("loss", "dynamic ratio", "friction"):
        assert Source(0, kind, 0.1).fitted == (-1.0, 1.0)


def test_sources_are_each_kind_in_turn_from_the_centre_out_with_the_roles_deviations():
    table = {
        "core": LayerScatter(density_percent=1.0, lot_density_percent=0.5, diameter_mm=0.04),
        "cover": LayerScatter(friction_percent=7.0, lot_friction_percent=9.0),
    }
    sources = sources_of(K1, Scatter(**table), ALL)
    kinds = ("diameter", "density", "modulus", "loss", "dynamic ratio")
    told = [(s.kind, s.layer) for s in sources]
    assert told == [*((kind, n) for kind in kinds for n in range(3)), ("friction", 2)]
    assert sources[0] == Source(0, "diameter", 0.04, 0.0)  # a lot's size is set on its machine
    assert sources[3] == Source(0, "density", 0.01, 0.005)
    assert sources[-1] == Source(2, "friction", 0.07, 0.09)
    assert sources_of(K1, Scatter()) == sources_of(
        K1, Scatter(), ("diameter", "density", "modulus")
    )
    assert Source(0, "density", 0.01).lot == 0.0


def test_analytic_a_piece_is_the_build_moved_in_every_number():
    sources = sources_of(K1, Scatter(), ALL)
    by = {"diameter": 0.02, "density": 0.03, "modulus": 0.2}
    move = np.array([by.get(s.kind, 0.0) * (1 + s.layer) for s in sources])
    found = piece(K1, sources, move)
    for n, (new, old) in enumerate(zip(found.layer, K1.layer, strict=True), start=1):
        assert new.outer_diameter_mm == pytest.approx(old.outer_diameter_mm + 0.02 * n)
        density, modulus = old.material.density_g_cm3, old.material.youngs_modulus_mpa
        assert new.material.density_g_cm3.value == pytest.approx(density.value * (1 + 0.03 * n))
        moved = modulus.value * math.exp(0.2 * n)
        assert new.material.youngs_modulus_mpa.value == pytest.approx(moved)
        assert new.material.friction.value == old.material.friction.value
        assert "drawn from the process's scatter" in repr(new.material.density_g_cm3)
    assert (found.name, len(found.layer)) == (K1.name, 3)


def test_limits_a_modulus_ratio_does_not_fall_below_one():
    sources = sources_of(K1, Scatter(), ALL)
    move = np.array([-3.0 if s.kind == "dynamic ratio" else 0.0 for s in sources])
    assert all(
        x.material.dynamic_modulus_ratio.value == 1.0 for x in piece(K1, sources, move).layer
    )


def test_a_piece_that_cannot_be_is_told():
    sources = sources_of(K1, Scatter())
    move = np.array([5.0 if s.kind == "diameter" and s.layer == 0 else 0.0 for s in sources])
    with pytest.raises(InputError, match="a piece of K1 prototype within its scatter"):
        piece(K1, sources, move)


def test_what_is_drawn_has_the_deviations_and_the_rest_is_drawn_last():
    sources = sources_of(K1, Scatter(), ALL)
    off = np.array([1e-5, 3e-5])
    found = draw(sources, off, 5, np.random.default_rng(3))
    rng = np.random.default_rng(3)
    first, offset = rng.standard_normal((5, 9)), rng.standard_normal((5, 2, 3))
    last = rng.standard_normal((5, len(sources) - 9))
    assert np.array_equal(found.move, np.hstack([first, last]) * [s.deviation for s in sources])
    assert np.array_equal(found.offset, offset * np.array([[1e-5], [3e-5]]))


def test_analytic_eccentricity_is_of_the_layer_around():
    table = {
        "mantle": LayerScatter(concentricity_mm=0.05),
        "cover": LayerScatter(concentricity_mm=0.08),
    }
    assert eccentricity_of(K1, Scatter(**table)) == pytest.approx([5e-5, 8e-5])


def two_layers(cover_mm: float):
    rows = [
        {"role": "core", "material": "core rubber, soft", "outer_diameter_mm": 42.7 - 2 * cover_mm},
        {"role": "cover", "material": "urethane, soft", "outer_diameter_mm": 42.7},
    ]
    return ball_from_table({"name": "two", "layer": rows}, default_catalogue(), "test")


def test_limits_a_wall_is_six_deviations_of_its_thickness():
    """Diameters of 0.3 and 0.4 mm: a quarter; with 0.6 mm of eccentricity 0.65 mm, so 3.9 mm."""
    sources = (Source(0, "diameter", 0.3), Source(1, "diameter", 0.4))
    check_walls(two_layers(3.91), sources, np.array([0.6e-3]))
    with pytest.raises(InputError) as told:
        check_walls(two_layers(3.89), sources, np.array([0.6e-3]))
    assert str(told.value) == (
        "layer 2 (cover) is 3.890 mm thick, but its thickness scatters by 0.650 mm (diameters and "
        "concentricity), which must be at most 0.648 mm."
    )
    check_walls(two_layers(1.51), sources, np.array([0.0]))
    with pytest.raises(InputError, match="layer 2"):
        check_walls(two_layers(1.49), sources, np.array([0.0]))


def test_a_wall_is_between_its_own_two_diameters():
    sources = [replace(s, deviation=0.0) for s in sources_of(K1, Scatter())]
    sources[0] = replace(sources[0], deviation=0.6)  # of the core: the mantle, 1.3 mm, alone
    with pytest.raises(InputError, match=r"layer 2 \(mantle\) is 1.300 mm .* by 0.300 mm"):
        check_walls(K1, sources, np.zeros(2))
    sources[0], sources[2] = sources[1], replace(sources[2], deviation=0.6)
    with pytest.raises(InputError, match=r"layer 3 \(cover\) is 1.075 mm .* at most 0.179 mm"):
        check_walls(K1, sources, np.zeros(2))
