"""Every shipped scenario is read, its space can be made, and invented prices are graded so."""

from pathlib import Path

import pytest

from optimize.scenario.brief import read_scenario

SHIPPED = sorted((Path(__file__).parents[3] / "scenarios").glob("*.toml"))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_a_shipped_scenario_is_read(path):
    scenario = read_scenario(path)
    priced = [card for card in scenario.material if card.price_per_kg.value]
    assert all(card.price_per_kg.grade == "invented" for card in priced)
    if scenario.process:
        assert len(priced) == len(scenario.material)
        assert "cost_per_ball" in {goal.figure for goal in scenario.goal}
