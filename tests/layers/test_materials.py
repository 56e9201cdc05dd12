"""Material cards and hardness relations: published values, ranges, messages."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.files.explain import explain
from layers.materials import (
    Material,
    catalogue_from_toml,
    default_catalogue,
    modulus_from_shore_a,
    modulus_from_shore_d,
    numeric_fields,
)

CARD = {"name": "x", "youngs_modulus_mpa": 50, "poisson_ratio": 0.49, "density_g_cm3": 1.1}


@pytest.mark.parametrize(("shore", "mpa"), [(40, 34.8), (50, 62.6), (60, 117.3), (70, 243.3)])
def test_published_shore_d(shore, mpa):
    # Qi, Joyce, Boyce 2003, Rubber Chem. Technol. 76, 419, eq. 11 (restated).
    assert modulus_from_shore_d(shore) == pytest.approx(mpa, abs=0.06)


@pytest.mark.parametrize(("shore", "mpa"), [(50, 2.46), (70, 5.52), (90, 20.8)])
def test_published_shore_a(shore, mpa):
    # Gent 1958, Trans. Inst. Rubber Ind. 34, 46 (restated).
    assert modulus_from_shore_a(shore) == pytest.approx(mpa, rel=3e-3)


def test_limits_the_two_hardness_scales_agree_within_their_scatter():
    # log10 E = 0.0235 S - 0.6403, S = A or D + 50, is the published bridge between the scales.
    for shore_d in (40, 45):
        bridge = 10 ** (0.0235 * (shore_d + 50) - 0.6403)
        assert modulus_from_shore_d(shore_d) == pytest.approx(bridge, rel=0.4)


def test_hardness_input_carries_its_relation_and_scatter():
    card = Material.model_validate(
        {"name": "x", "hardness_shore_d": 60, "poisson_ratio": 0.45, "density_g_cm3": 1}
    )
    assert card.youngs_modulus_mpa.value == pytest.approx(117.3, abs=0.1)
    assert "40 %" in card.youngs_modulus_mpa.source
    assert card.density_g_cm3.grade == "unstated"


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
        ({"hardness_shore_d": 60}, ("youngs_modulus_mpa or hardness_shore_d",)),
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
        catalogue_from_toml(row + row)
    with pytest.raises(InputError, match="not valid TOML"):
        catalogue_from_toml("[[material]")


@given(st.text(max_size=200))
def test_any_text_is_a_catalogue_or_one_sentence(text):
    try:
        catalogue_from_toml(text)
    except InputError as error:
        sentence = str(error)
    else:
        sentence = ""
    assert "\n" not in sentence


@pytest.mark.parametrize(
    ("modulus", "low", "high"), [(modulus_from_shore_d, 30, 80), (modulus_from_shore_a, 40, 95)]
)
def test_limits_a_hardness_is_taken_up_to_the_ends_of_its_range(modulus, low, high):
    assert modulus(low) < modulus(high)
    for outside in (low - 0.1, high + 0.1):
        with pytest.raises(InputError, match=f"from {low} to {high}"):
            modulus(outside)
