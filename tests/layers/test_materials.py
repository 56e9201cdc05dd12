"""Material cards and hardness relations: published values, ranges, messages."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.ball_file import ball_from_table
from layers.errors import InputError
from layers.files.explain import explain
from layers.hardness import modulus_from_hardness
from layers.materials import (
    Catalogue,
    Material,
    default_catalogue,
    numeric_fields,
)

CARD = {"name": "x", "youngs_modulus_mpa": 50, "poisson_ratio": 0.49, "density_g_cm3": 1.1}


@pytest.mark.parametrize("key", ["shore_d", "hardness_shore_d"])
def test_hardness_input_carries_its_relation_and_scatter(key):
    card = Material.model_validate(
        {"name": "x", key: 60, "poisson_ratio": 0.45, "density_g_cm3": 1}
    )
    assert card.youngs_modulus_mpa.value == pytest.approx(117.3, abs=0.1)
    assert "40 %" in card.youngs_modulus_mpa.source
    assert card.density_g_cm3.grade == "unstated"


def test_a_hardness_carries_its_source_and_grade_into_the_modulus():
    hardness = {"value": 80, "source": "3 plaques", "grade": "measured"}
    card = Material.model_validate(
        {"name": "x", "shore_c": hardness, "poisson_ratio": 0.45, "density_g_cm3": 1}
    )
    modulus = card.youngs_modulus_mpa
    assert modulus.value == pytest.approx(50.9, abs=0.1)
    assert modulus.source.startswith("Shore C 80, measured (3 plaques) by Gent 1958")
    assert modulus.grade == "published example"  # the relation's: the modulus was not measured


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"shore_d": 20}, "hardness Shore D is 20, but must be from 30 to 80"),
        ({"jis_c": "hard"}, "jis_c is 'hard', but must be a finite number"),
        ({"shore_d": 60, "shore_c": 80}, "give shore_c or shore_d, not both"),
    ],
)
def test_a_bad_hardness_of_a_layer_is_told_in_a_sentence(given, words):
    layer = {"role": "core", "outer_diameter_mm": 42.67, "material": "core rubber, soft"}
    table = {"name": "x", "layer": [layer | given]}
    with pytest.raises(InputError, match=words):
        ball_from_table(table, default_catalogue(), "b.toml")


def test_a_layer_takes_a_hardness_in_place_of_its_cards_modulus():
    layer = {"role": "core", "outer_diameter_mm": 42.67, "material": "core rubber, soft"}
    table = {"name": "x", "layer": [layer | {"shore_c": 75}]}
    modulus = ball_from_table(table, default_catalogue(), "b.toml").layer[0].material
    assert modulus.youngs_modulus_mpa.value == pytest.approx(38.2, abs=0.05)
    assert "Shore C 75 by Gent" in modulus.youngs_modulus_mpa.source


def test_every_numeric_field_has_unit_bounds_and_help():
    for model in (Ball, Layer):
        for name, field in model.model_fields.items():
            if field.annotation is float:
                assert field.description, name
                assert "unit" in (field.json_schema_extra or {}), name
                assert field.metadata, name
    for name in numeric_fields():
        field = Material.model_fields[name]
        assert field.description
        assert "unit" in field.json_schema_extra


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"youngs_modulus_mpa": -5}, ("youngs_modulus_mpa", "-5", "0.5 to 3000")),
        ({"poisson_ratio": 0.5}, ("poisson_ratio", "0.5", "0.495")),
        ({"density_g_cm3": math.nan}, ("density_g_cm3", "nan")),
        ({"youngs_modulus": 5}, ("youngs_modulus", "did you mean youngs_modulus_mpa")),
        ({"shore_d": 60}, ("youngs_modulus_mpa or shore_d",)),
        (
            {"relaxation": [{"strength": -1, "time_us": 5}]},
            ("relaxation 1, strength", "at least 0"),
        ),
    ],
)
def test_bad_card_is_one_sentence_naming_field_value_range(change, words):
    with pytest.raises(ValidationError) as caught:
        Material.model_validate(CARD | change)
    sentence = str(explain(caught.value, "card", tuple(Material.model_fields)))
    assert "\n" not in sentence
    for word in words:
        assert word in sentence


def test_catalogue_is_complete_and_says_where_numbers_come_from():
    for card in default_catalogue().material:
        for name in numeric_fields():
            datum = getattr(card, name)
            assert datum.grade != "unstated", (card.name, name)
            assert len(datum.source) > 10
        assert card.relaxation
        assert card.relaxation_grade != "unstated"


def test_catalogue_offers_the_nearest_name():
    with pytest.raises(InputError, match="core rubber, soft"):
        default_catalogue().find("core rubber soft")


def test_catalogue_refuses_a_name_twice_and_bad_toml():
    row = '[[material]]\nname="a"\nyoungs_modulus_mpa=5\npoisson_ratio=0.4\ndensity_g_cm3=1\n'
    with pytest.raises(InputError, match="stands twice"):
        Catalogue.from_toml(row + row)
    with pytest.raises(InputError, match="not valid TOML"):
        Catalogue.from_toml("[[material]")


@given(st.text(max_size=200))
def test_any_text_is_a_catalogue_or_one_sentence(text):
    try:
        Catalogue.from_toml(text)
    except InputError as error:
        sentence = str(error)
    else:
        sentence = ""
    assert "\n" not in sentence


@pytest.mark.parametrize(("scale", "low", "high"), [("D", 30, 80), ("A", 40, 95)])
def test_limits_a_hardness_is_taken_up_to_the_ends_of_its_range(scale, low, high):
    assert modulus_from_hardness(scale, low) < modulus_from_hardness(scale, high)
    for outside in (low - 0.1, high + 0.1):
        with pytest.raises(InputError, match=f"from {low} to {high}"):
            modulus_from_hardness(scale, outside)
