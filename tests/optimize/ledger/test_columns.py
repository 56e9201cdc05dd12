"""Cells of a kept build by column: every number that determines its figures, each by its name."""

from optimize.ledger.columns import build_cells
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
