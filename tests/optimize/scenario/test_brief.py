"""Reading a search brief: what is taken, and one sentence for what is not."""

import math
from typing import get_args

import pytest
from annotated_types import Ge, Le
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from layers.errors import InputError
from layers.figures import parse_figure
from optimize.scenario.brief import Scenario, read_scenario, scenario_from_toml
from optimize.scenario.conditions import ConditionsTable
from optimize.scenario.goals import Bound, Goal, Limit
from optimize.scenario.variables import (
    CENTRE_DIAMETER,
    FILL_DENSITY,
    Envelope,
    Fill,
    LayerVariables,
)
from tests.helpers.briefs import FOUR_LAYERS, four_layers


def edited(old: str, new: str) -> str:
    assert old in FOUR_LAYERS
    return FOUR_LAYERS.replace(old, new, 1)


def complaint(text: str) -> str:
    with pytest.raises(InputError) as caught:
        scenario_from_toml(text, "brief.toml")
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("brief.toml")
    return message


def test_a_whole_brief_is_read():
    scenario = four_layers()
    assert [layer.role for layer in scenario.layer] == [
        "inner core",
        "outer core",
        "mantle",
        "cover",
    ]
    assert scenario.layer[1].thickness_mm == (3.0, 8.0)
    assert scenario.layer[1].material == ("core rubber, firm",)
    assert {card.name for card in scenario.material} == {
        name for layer in scenario.layer for name in layer.material
    }


def test_bounds_come_from_layers_fill_limits_and_rules():
    found = {(b.figure, b.side, b.value) for b in four_layers().bounds()}
    assert found == {
        (CENTRE_DIAMETER, "at least", 20.0),
        (CENTRE_DIAMETER, "at most", 30.0),
        (FILL_DENSITY, "at least", 1.0),
        (FILL_DENSITY, "at most", 1.45),
        ("stage2.mass_g", "at least", 20.0),
        ("mass_g", "at most", 45.93),
        ("diameter_mm", "at least", 42.67),
    }


def test_a_scenario_needs_no_other_file_once_read():
    scenario = four_layers()
    assert Scenario.model_validate_json(scenario.model_dump_json()) == scenario


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[3.0, 8.0]", "[-3.0, 8.0]", ("layer 2", "thickness_mm", "-3.0", "at least 0.2")),
        ("[3.0, 8.0]", "[8.0, 3.0]", ("layer 2", "thickness_mm", "from 8 to 3")),
        ("[3.0, 8.0]", "[3.0, nan]", ("layer 2", "thickness_mm", "nan", "finite")),
        ("[3.0, 8.0]", "[3.0, inf]", ("layer 2", "thickness_mm", "inf")),
        ("[3.0, 8.0]", '"thick"', ("layer 2", "thickness_mm", "'thick'", "[lowest, highest]")),
        ("[3.0, 8.0]", "true", ("layer 2", "thickness_mm", "true", "number")),
        ("[3.0, 8.0]", "[1.0, 2.0, 3.0]", ("layer 2", "thickness_mm", "3 numbers")),
        ("[3.0, 8.0]", "[20.0, 21.0]", ("layers 2 to 4", "at least 5 mm")),
        ("increment_mm = 0.05", "increment_mm = 0", ("layer 4", "increment_mm", "at least 0.001")),
        ("thickness_mm = [0.8", "thicknes_mm = [0.8", ("layer 3", "did you mean thickness_mm")),
        ("optional = true", "diameter_mm = 30", ("layer 3", "diameter_mm is for layer 1")),
        ("diameter_mm = [20.0, 30.0]", "optional = true", ("layer 1 cannot be optional",)),
        ("diameter_mm = [20.0, 30.0]", "thickness_mm = 3", ("layer 1", "no thickness_mm")),
        ('aim = "maximize"', 'aim = "maximise"', ("goal 1", "aim", "'maximise'", "'maximize'")),
        ('aim = "maximize"', 'aim = "target"', ("goal 1", "no target; add one")),
        ('"mass and diameter"', '"mass"', ("rule set 'mass'",)),
        ("stage2.mass_g", "stage4.mass_g", ("'stage4.mass_g'", "only 3 layers")),
        ("stage2.mass_g", "stage2.mas_g", ("'stage2.mas_g'", "did you mean mass_g")),
        ("stage1.mass_g", "moi_g_cm2", ("two goals on moi_g_cm2", "one goal")),
        ('"urethane, soft"', '"urthane, soft"', ("layer 4", "'urthane, soft'", "urethane, soft")),
        ('"urethane, soft"', '"urethane, medium"', ("layer 4", "twice")),
        ("layer = 1", "layer = 3", ("layer 3 is filled", "cannot be optional")),
        ("layer = 1", "layer = 2", ("layer 2 is filled", "no density_g_cm3")),
        ("at_least = 20.0", "", ("limit 1", "at_least, at_most or both")),
        ("at_least = 20.0", "at_least = 5\nat_most = 4", ("limit 1", "no room")),
        ("at_least = 20.0", "at_least = 20.0\nmargin = -1", ("limit 1", "margin", "at least 0")),
        ("population = 20", "population = 2.5", ("population", "2.5")),
        ("evaluations = 200", "evaluations = 0", ("evaluations", "at least 1")),
        ("[ball]", "[bal]", ("bal is not a known field", "did you mean ball")),
        ("rules =", "rules ==", ("not valid TOML",)),
        ("rules =", 'catalogue = "nowhere.toml"\nrules =', ()),
    ],
)
def test_bad_input_is_told_in_one_sentence_that_names_the_field(old, new, words):
    with pytest.raises(InputError) as caught:
        scenario_from_toml(edited(old, new), "brief.toml")
    message = str(caught.value)
    assert "\n" not in message
    assert all(word in message for word in words), message


@given(
    value=st.one_of(
        st.floats(max_value=0.199), st.floats(min_value=25.01), st.sampled_from([math.nan])
    )
)
def test_no_thickness_out_of_range_is_taken(value):
    text = "nan" if math.isnan(value) else "-inf" if value == -math.inf else repr(value)
    message = complaint(edited("[3.0, 8.0]", text))
    assert "layer 2, thickness_mm" in message


@given(name=st.from_regex(r"[a-z_]{1,12}", fullmatch=True))
def test_no_unknown_field_is_taken(name):
    if name in Scenario.model_fields or name == "catalogue":
        return
    assert name in complaint(f"{name} = 1\n{FOUR_LAYERS}")


@given(
    start=st.integers(0, len(FOUR_LAYERS) - 1),
    length=st.integers(1, 40),
    put=st.text(alphabet='0123456789.-=[]"\nabcxyz_ ', max_size=10),
)
def test_a_mangled_brief_is_read_or_told_never_a_crash(start, length, put):
    text = FOUR_LAYERS[:start] + put + FOUR_LAYERS[start + length :]
    message = ""
    try:
        scenario_from_toml(text, "brief.toml")
    except InputError as error:
        message = str(error)
    assert "\n" not in message


def _numeric_fields():
    for model in (Scenario, ConditionsTable, Envelope, Fill, LayerVariables, Goal, Limit):
        for name, field in model.model_fields.items():
            if _holds_number(field.annotation):
                yield f"{model.__name__}.{name}", field


def _holds_number(kind: object) -> bool:
    if kind in (int, float):
        return True
    if isinstance(kind, type) and issubclass(kind, BaseModel | bool | str):
        return False
    return any(_holds_number(part) for part in get_args(kind))


def _bounds(thing: object) -> set[type]:
    here = {type(m) for m in getattr(thing, "metadata", ())}
    here |= {type(m) for m in getattr(thing, "__metadata__", ())}
    for inner in getattr(thing, "__metadata__", ()):
        here |= _bounds(inner)
    kind = getattr(thing, "annotation", thing)
    for part in get_args(kind):
        here |= _bounds(part)
    return here


@pytest.mark.parametrize(("name", "field"), list(_numeric_fields()))
def test_every_numeric_field_has_unit_bounds_and_help(name, field):
    assert field.description, name
    assert field.json_schema_extra["unit"], name
    assert {Ge, Le} <= _bounds(field), name


def test_own_cards_and_a_catalogue_file_replace_the_shipped_ones(tmp_path):
    card = (
        '[[material]]\nname = "{}"\nyoungs_modulus_mpa = {}\npoisson_ratio = 0.48\n'
        "density_g_cm3 = 1.1\n"
    )
    (tmp_path / "ours.toml").write_text(card.format("urethane, soft", 33))
    text = 'catalogue = "ours.toml"\n' + FOUR_LAYERS + card.format("ionomer, soft", 77)
    path = tmp_path / "brief.toml"
    path.write_text(text)
    cards = {c.name: c.youngs_modulus_mpa.value for c in read_scenario(path).material}
    assert (cards["urethane, soft"], cards["ionomer, soft"]) == (33.0, 77.0)


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(InputError, match=r"none\.toml cannot be read: No such file"):
        read_scenario(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("side", "value", "excess"), [("at least", 2.0, 0.7), ("at most", 2.0, 0.0)]
)
def test_a_bound_keeps_its_margin(side, value, excess):
    bound = Bound("deflection_mm", side, 2.6 if side == "at least" else 2.2, 0.1, "limit")
    assert bound.excess(value) == pytest.approx(excess)


def test_a_mass_set_to_its_limit_keeps_it():
    assert Bound("mass_g", "at most", 45.5, 0.0, "limit").excess(45.500000000000007) == 0.0
    assert Bound("mass_g", "at most", 45.5, 0.0, "limit").excess(45.5000001) > 0.0


@pytest.mark.parametrize(
    ("goal", "better", "worse"),
    [
        ({"aim": "maximize"}, 2.0, 1.0),
        ({"aim": "minimize"}, 1.0, 2.0),
        ({"aim": "target", "target": 3.0, "band": 0.1}, 3.05, 3.2),
    ],
)
def test_a_smaller_loss_is_better(goal, better, worse):
    goal = Goal(figure="deflection_mm", **goal)
    assert goal.loss(better) < goal.loss(worse)
    assert parse_figure(goal.figure).quantity == "deflection_mm"
