"""Material cards and hardness relations: published values, ranges, messages."""

import math
import re

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
    Datum,
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


ENDS = {
    "youngs_modulus_mpa": (0.5, 3000.0),
    "poisson_ratio": (0.0, 0.495),
    "density_g_cm3": (0.4, 12.0),
    "dynamic_modulus_ratio": (1.0, 5.0),
    "friction": (0.0, 2.0),
    "friction_wet": (0.0, 2.0),
    "friction_half_speed_m_s": (1.0, 1e6),
    "price_per_kg": (0.0, 1e6),
}


@pytest.mark.parametrize("field", ENDS)
def test_numbers_of_a_card_have_ends(field):
    low, high = ENDS[field]
    assert numeric_fields()[field] == (low, high)
    for value in (low, high):
        assert getattr(Material.model_validate(CARD | {field: value}), field).value == value
    for value in (low - 1e-3, high * 1.0001):
        with pytest.raises(ValidationError, match=re.escape(f"from {low:g} to {high:g}")):
            Material.model_validate(CARD | {field: value})


def test_a_card_of_no_family_is_lossless_and_grips_as_assumed():
    card = Material.model_validate(CARD)
    assert (card.dynamic_modulus_ratio.value, card.friction.value) == (1.0, 0.4)
    assert (card.friction_wet.value, card.friction_half_speed_m_s.value) == (0.25, 1e6)
    assert (card.price_per_kg.value, card.currency, card.relaxation) == (0.0, "", ())
    assert card.named_at_mpa == 50


@pytest.mark.parametrize(
    ("change", "fits"),
    [
        ({"relaxation": [{"strength": 50, "time_us": 0.5}] * 4}, True),
        ({"relaxation": [{"strength": 0, "time_us": 1e5}]}, True),
        ({"relaxation": [{"strength": 1, "time_us": 5}] * 5}, False),
        ({"relaxation": [{"strength": 50.1, "time_us": 5}]}, False),
        ({"relaxation": [{"strength": 1, "time_us": 0.49}]}, False),
        ({"relaxation": [{"strength": 1, "time_us": 1.001e5}]}, False),
        ({"named_at_mpa": 1e6}, True),
        ({"named_at_mpa": 1.001e6}, False),
        ({"named_at_mpa": -0.1}, False),
        ({"name": "x" * 80, "currency": "c" * 12}, True),
        ({"name": "x" * 81}, False),
        ({"name": ""}, False),
        ({"currency": "c" * 13}, False),
        ({"friction": True}, False),
        ({"youngs_modulus_mpa": True}, False),
    ],
)
def test_the_rest_of_a_card_has_ends(change, fits):
    if fits:
        assert Material.model_validate(CARD | change)
        return
    with pytest.raises(ValidationError):
        Material.model_validate(CARD | change)


def test_a_number_of_any_key_is_below_a_thousand_million():
    for value in (-1e9, 1e9):
        assert Datum(value=value).value == value
        with pytest.raises(ValidationError):
            Datum(value=1.001 * value)


@pytest.mark.parametrize(
    ("hardness", "source"),
    [
        (80, "Shore C 80 by Gent 1958, spring of type C; scatter +-40 %"),
        (
            {"value": 80, "grade": "measured"},
            "Shore C 80, measured by Gent 1958, spring of type C; scatter +-40 %",
        ),
        (
            {"value": 80, "source": "plaque"},
            "Shore C 80 (plaque) by Gent 1958, spring of type C; scatter +-40 %",
        ),
    ],
)
def test_a_modulus_of_a_hardness_says_how_it_was_found(hardness, source):
    card = {"name": "x", "shore_c": hardness, "poisson_ratio": 0.45, "density_g_cm3": 1}
    assert Material.model_validate(card).youngs_modulus_mpa.source == source


def test_analytic_shear_and_bulk_modulus_of_a_card():
    """Of 60 MPa and a ratio of 0.25: G = 24 and K = 40 MPa."""
    card = Material.model_validate(CARD | {"youngs_modulus_mpa": 60, "poisson_ratio": 0.25})
    assert card.shear_modulus_pa == pytest.approx(24e6)
    assert card.bulk_modulus_pa == pytest.approx(40e6)


@pytest.mark.parametrize("key", ["named_at_mpa", "youngs_modulus_mpa"])
def test_true_is_no_number_of_a_card(key):
    with pytest.raises(ValidationError):
        Material.model_validate(CARD | {"youngs_modulus_mpa": 60, "poisson_ratio": 0.25, key: True})
