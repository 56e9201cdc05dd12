"""Cells of a kept build by column: every number that determines its figures, each by its name."""

import json

from layers.estimates import Figure
from layers.graded.profile import Profile
from optimize.ledger.columns import build_cells, figure_cells, title
from optimize.scenario.space import content_of
from tests.helpers.builds import random_balls


def test_every_number_of_a_build_has_its_column():
    for ball in random_balls(4, seed=7):
        expected = {
            "dimple_volume_percent": ball.dimple_volume_percent,
            "dimple_depth_mm": ball.dimple_depth_mm,
        }
        for i, layer in enumerate(ball.layer, start=1):
            card = layer.material
            expected |= {
                f"layer{i}_outer_diameter_mm": layer.outer_diameter_mm,
                f"layer{i}_youngs_modulus_mpa": card.youngs_modulus_mpa.value,
                f"layer{i}_poisson_ratio": card.poisson_ratio.value,
                f"layer{i}_density_g_cm3": card.density_g_cm3.value,
                f"layer{i}_dynamic_modulus_ratio": card.dynamic_modulus_ratio.value,
                f"layer{i}_friction": card.friction.value,
                f"layer{i}_friction_wet": card.friction_wet.value,
                f"layer{i}_friction_half_speed_m_s": card.friction_half_speed_m_s.value,
            }
            for j, pair in enumerate(card.relaxation, start=1):
                expected[f"layer{i}_relaxation{j}_strength"] = pair.strength
                expected[f"layer{i}_relaxation{j}_time_us"] = pair.time_us
        assert build_cells(content_of(ball)) == expected
        assert "layer1_relaxation1_strength" in expected


def test_a_pattern_and_profiles_have_columns_where_there_are_any():
    knots = ((0.0, 0.8, 0.02), (0.5, 0.9, 0.03), (1.0, 1.2, 0.05))
    profiles = [
        Profile(surface_over_centre=4.0, shape=2.0, loss_surface_over_centre=1.5),
        None,
        Profile(relative_knots=knots),
        Profile(relative_knots=tuple(knot[:2] for knot in knots)),
    ]
    plain = {"dimples": [1.0, 0.2], "layers": [[40.0, *range(1, 8), [[0.3, 50.0]]]]}
    graded = plain | {"pattern": "p1", "profiles": [p and p.content() for p in profiles]}
    cells = build_cells(json.dumps(graded))
    more = cells.items() - build_cells(json.dumps(plain)).items()
    assert dict(more) == {
        "dimple_pattern": "p1",
        "layer1_surface_over_centre": 4.0,
        "layer1_shape": 2.0,
        "layer1_loss_surface_over_centre": 1.5,
        "layer3_surface_over_centre": profiles[2].contrast,  # knots have no shape
        "layer3_loss_surface_over_centre": 2.5,
        "layer4_surface_over_centre": profiles[3].contrast,
        "layer4_loss_surface_over_centre": 1.0,
    }
    assert cells["layer1_outer_diameter_mm"] == 40.0
    assert cells["layer1_friction_half_speed_m_s"] == 7
    assert (cells["layer1_relaxation1_strength"], cells["layer1_relaxation1_time_us"]) == (0.3, 50)


def test_a_figure_has_its_name_and_what_belongs_to_it_a_longer_one():
    figure = Figure("mass_g", 45.5, "g", "closed form", 0.1, 0.2, "flagged", "careful")
    assert figure_cells({"mass_g": figure}, {"cor": "crushed"}) == {
        "mass_g": 45.5,
        "mass_g_difference_error": 0.1,
        "mass_g_absolute_error": 0.2,
        "mass_g_unit": "g",
        "mass_g_basis": "closed form",
        "mass_g_flag": "flagged",
        "mass_g_caution": "careful",
        "cor_failed": "crushed",
    }
    assert (title("", "build"), title("mass_g", "value")) == ("build", "mass_g")
