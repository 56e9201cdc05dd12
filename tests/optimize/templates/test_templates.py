"""Files to start from: every answer gives a file that its reader takes, and that leads on."""

import numpy as np
import pytest

from layers.ball_file import ball_from_table
from layers.errors import InputError
from layers.estimation import estimate
from layers.files.toml import parse_toml
from layers.materials import Catalogue, default_catalogue
from layers.rules.screen import rule_set, screen
from layers.strike.swings import SwingTable, default_swings
from optimize.scenario.brief import scenario_from_toml
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Space
from optimize.templates.ball import ball_text
from optimize.templates.cards import materials_text, swings_text
from optimize.templates.scenario import PLAYERS, WISHES, scenario_text


@pytest.mark.parametrize("count", range(1, 7))
@pytest.mark.parametrize("cover", ["urethane, soft", "ionomer, very firm"])
def test_a_new_ball_has_its_layers_and_keeps_the_rules_of_mass_and_size(count, cover):
    text = ball_text('A "new" ball', count, "core rubber, soft", cover)
    ball = ball_from_table(parse_toml(text, "ball"), default_catalogue(), "ball")
    assert len(ball.layer) == count
    assert ball.name == 'A "new" ball'
    assert count == 1 or ball.layer[-1].material.name == cover
    mass = estimate(ball, ["mass_g"])["mass_g"].value
    assert 45.7 < mass <= 45.8  # the density is rounded down to a thousandth
    rules = rule_set("mass and diameter")
    found = estimate(ball, [limit.figure for limit in rules.limit])
    assert all((margin.margin or 0.0) > 0.0 for margin in screen(found, rules))


@pytest.mark.parametrize("count", range(2, 7))
def test_most_builds_of_a_new_scenario_can_be_made(count):
    text = scenario_text("brief", count, list(WISHES)[:4], "slow", 100)
    space = Space(scenario_from_toml(text))
    rows = np.random.default_rng(5).integers(0, space.sizes, size=(2000, len(space.sizes)))
    assert can_be_made(space, rows).mean() > 0.4


@pytest.mark.parametrize("player", PLAYERS)
@pytest.mark.parametrize("goal", WISHES)
def test_every_goal_is_a_figure_of_the_player(goal, player):
    (found,) = scenario_from_toml(scenario_text("brief", 3, [goal], player, 100)).goal
    assert found.aim == WISHES[goal].aim
    if "{player}" in WISHES[goal].figure:
        assert f" {player}." in found.figure


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ((1, ["distance"], "fast"), "layers is 1"),
        ((7, ["distance"], "fast"), "from 1 to 6"),
        ((3, ["elegance"], "fast"), "'elegance' is not known"),
        ((3, ["distance", "Distance"], "fast"), "each once"),
        ((3, [], "fast"), "one to four"),
        ((3, ["distance"], "quick"), "'quick'"),
    ],
)
def test_an_answer_that_cannot_be_is_named(answers, words):
    with pytest.raises(InputError, match=words):
        scenario_text("brief", *answers, 100)


def test_a_core_is_of_rubber_and_a_card_is_known():
    with pytest.raises(InputError, match="is not a rubber; choose one of: core rubber"):
        ball_text("ball", 3, "urethane, soft", "urethane, soft")
    with pytest.raises(InputError, match="urethane, soft"):
        ball_text("ball", 3, "core rubber, soft", "urethane soft")


@pytest.mark.parametrize("family", ["rubber", "ionomer", "urethane"])
def test_a_new_card_takes_what_it_does_not_state_from_its_family(family):
    (card,) = Catalogue.from_toml(materials_text("ours", family, 61.5)).material
    assert (card.name, card.youngs_modulus_mpa.value) == ("ours", 61.5)
    assert "friction" in card.from_family
    with pytest.raises(InputError, match="family is 'wood'"):
        materials_text("ours", "wood", 61.5)


@pytest.mark.parametrize("like", [swing.name for swing in default_swings().swing])
def test_a_new_swing_has_the_numbers_of_the_one_it_starts_from(like):
    (swing,) = SwingTable.from_toml(swings_text("ours", like, 33.0)).swing
    shipped = default_swings().find(like)
    own = {"name", "club_speed_m_s", "source", "grade"}
    assert swing.model_dump(exclude=own) == shipped.model_dump(exclude=own)
    assert (swing.name, swing.club_speed_m_s, swing.grade) == ("ours", 33.0, "unstated")
