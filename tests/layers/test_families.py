"""Families: what a card leaves unsaid follows its modulus, is said, and survives being written."""

import pytest

from layers.ball import Ball, Layer
from layers.ball_file import ball_from_table, ball_toml
from layers.families import NUMBERS, Law, families
from layers.files.toml import parse_toml
from layers.materials import Material, default_catalogue, numeric_fields

CARD = {"name": "x, soft", "youngs_modulus_mpa": 50, "poisson_ratio": 0.48, "density_g_cm3": 1.1}


def card(family: str, **changes: object) -> Material:
    return Material.model_validate(CARD | {"family": family} | changes)


def strength(material: Material) -> float:
    return sum(pair.strength for pair in material.relaxation)


@pytest.mark.parametrize("family", ["rubber", "ionomer", "urethane"])
def test_a_card_without_loss_takes_its_familys_and_says_so(family):
    found = card(family)
    assert strength(found) > 0.0
    assert f"{family} family at 50 MPa" in found.relaxation_source
    for name in NUMBERS:
        assert f"{family} family at 50 MPa" in getattr(found, name).source
    assert set(found.from_family) >= {"relaxation", *NUMBERS}


def test_a_card_that_states_its_own_keeps_it():
    lossless = card("urethane", relaxation=[])
    assert lossless.relaxation == ()
    assert "relaxation" not in lossless.from_family
    own = card("urethane", dynamic_modulus_ratio=1.7, friction=0.5)
    assert (own.dynamic_modulus_ratio.value, own.friction.value) == (1.7, 0.5)
    assert "friction" not in own.from_family
    assert "friction_wet" in own.from_family


def test_a_card_that_states_its_relaxation_takes_the_rest_alone():
    own = card("rubber", relaxation=[{"strength": 1.0, "time_us": 10}])
    assert own.from_family == NUMBERS
    assert (own.relaxation_source, own.relaxation_grade) == ("not stated", "unstated")
    assert own.dynamic_modulus_ratio.value == pytest.approx(1.33)


def test_a_material_of_no_family_stays_lossless():
    assert card("other").relaxation == ()
    assert card("other").from_family == ()


def test_loss_and_dynamic_modulus_follow_a_modulus_that_is_moved():
    soft = default_catalogue().find("core rubber, soft")
    firm = soft.with_values("moved", youngs_modulus_mpa=70)
    twin = default_catalogue().find("core rubber, firm")
    assert firm.relaxation == twin.relaxation
    assert firm.dynamic_modulus_ratio.value == twin.dynamic_modulus_ratio.value
    assert strength(firm) < strength(soft)
    assert firm.dynamic_modulus_ratio.value > soft.dynamic_modulus_ratio.value
    # A number that the card states does not follow.
    own = card("rubber", relaxation=[{"strength": 1.0, "time_us": 10}])
    assert own.with_values("moved", youngs_modulus_mpa=90).relaxation == own.relaxation
    # Nor does another number move the family's.
    assert soft.with_values("moved", density_g_cm3=1.2).relaxation == soft.relaxation


def test_no_reader_sees_soft_at_a_firm_modulus():
    soft = default_catalogue().find("core rubber, soft")
    assert soft.label == "core rubber, soft"
    assert soft.with_values("moved", youngs_modulus_mpa=37).label == "core rubber, soft"
    moved = soft.with_values("moved", youngs_modulus_mpa=76)
    assert moved.label == "core rubber"
    assert moved.name == "core rubber, soft"  # what searches and calibrations know it by


def test_laws_stay_within_the_cards_ranges_and_hold_at_the_ends():
    low, high = numeric_fields()["dynamic_modulus_ratio"]
    for family in families():
        for modulus in (0.5, 20.0, 300.0, 3000.0):
            found = card(family, youngs_modulus_mpa=modulus)
            assert low <= found.dynamic_modulus_ratio.value <= high
        same = card(family, youngs_modulus_mpa=2999.0)
        assert strength(same) == strength(found)


@pytest.mark.parametrize("relaxation", [None, []])
def test_a_ball_that_is_written_reads_back_the_same(relaxation):
    given = {} if relaxation is None else {"relaxation": relaxation}
    moved = card("urethane", **given).with_values("moved", youngs_modulus_mpa=80)
    ball = Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material=moved),))
    again = ball_from_table(parse_toml(ball_toml(ball), "x"), default_catalogue(), "x")
    assert again.layer[0].material == moved
    assert again == ball


def test_analytic_a_law_is_a_power_within_its_range_and_holds_at_the_ends():
    law = Law(2.0, 50.0, -0.5, 10.0, 200.0, "", "")
    assert law.of(50.0) == 2.0
    assert law.of(200.0) == pytest.approx(1.0)
    assert law.of(12.5) == pytest.approx(4.0)
    assert law.of(1e3) == law.of(200.0)
    assert law.of(1.0) == law.of(10.0) == pytest.approx(2.0 * 5.0**0.5)


def test_golden_numbers_of_rubber():
    """As families.toml has them: 2.28 and 1.33 at 50 MPa, powers -0.3 and 0.1 from 15 to 120."""
    found = families()["rubber"]
    assert found.strength.of(100.0) == pytest.approx(2.28 * 2.0**-0.3)
    ratio = found.number["dynamic_modulus_ratio"]
    assert ratio.of(25.0) == pytest.approx(1.33 * 0.5**0.1)
    assert ratio.of(120.0) == ratio.of(121.0) > ratio.of(119.0)
    assert ratio.of(15.0) == ratio.of(14.0) < ratio.of(16.0)
    friction = families()["urethane"].number["friction"]
    assert friction.of(20.0) == friction.of(150.0) == 0.4  # no exponent: the same at any modulus
    (pair,) = card("rubber").relaxation
    assert (pair.strength, pair.time_us) == (2.28, 6.0)
    assert card("rubber").relaxation_grade == "from memory"


@pytest.mark.parametrize(
    ("modulus", "kept"), [(55, True), (55.1, False), (45, True), (44.9, False)]
)
def test_a_name_holds_within_a_tenth_of_its_modulus(modulus, kept):
    own = card("rubber", named_at_mpa=50)
    found = own.with_values("moved", youngs_modulus_mpa=modulus - 1e-9 * (modulus > 50))
    assert found.label == ("x, soft" if kept else "x")


def test_a_name_of_which_no_modulus_is_known_is_kept():
    own = card("rubber", named_at_mpa=0)
    assert own.label == own.with_values("moved", youngs_modulus_mpa=500).label == "x, soft"
