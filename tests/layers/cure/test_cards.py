"""Cards of peroxides and co-agents, cycles from files, and what a recipe's cards bring."""

import re

import pytest

from layers.compound.recipe import default_ingredients, recipe_from_table
from layers.cure.chemistry import (
    Coagent,
    Peroxide,
    chemistry_from_table,
    decomposition_rate,
    default_chemistry,
    read_chemistry,
)
from layers.cure.cycle import Cycle, cycle_from_table, cycle_toml, legs_of, one_step, read_cycle
from layers.cure.stock import stock_of
from layers.errors import InputError
from layers.files.toml import parse_toml

PEROXIDE = {
    "name": "slow peroxide", "half_life_minutes": 2.0, "half_life_celsius": 160,
    "activation_energy_kj_mol": 150, "molar_mass_g_mol": 200, "groups": 1, "storage_celsius": 30,
}  # fmt: skip
COAGENT = {"name": "own salt", "molar_mass_g_mol": 200, "double_bonds": 2, "heat_kj_mol": 75}


def card(kind, **changes):
    whole = (PEROXIDE if kind == "peroxide" else COAGENT) | changes
    return getattr(chemistry_from_table({kind: [whole]}, "own.toml"), kind)[0]


@pytest.mark.parametrize(
    ("kind", "key", "low", "high"),
    [
        ("peroxide", "half_life_celsius", 20, 300),
        ("peroxide", "activation_energy_kj_mol", 80, 220),
        ("peroxide", "storage_celsius", -40, 60),
        ("coagent", "molar_mass_g_mol", 50, 2000),
        ("coagent", "heat_kj_mol", 20, 120),
    ],
)
def test_numbers_with_a_source_are_held_to_their_range(kind, key, low, high):
    """Every one of a card, not the first alone, ends included, bare or with its source."""
    for value in (low, high):
        assert getattr(card(kind, **{key: value}), key).value == value
        told = {"value": value, "source": "a sheet"}
        assert getattr(card(kind, **{key: told}), key).source == "a sheet"
    for value, said in ((low - 0.5, f"{low - 0.5:g}"), (high + 0.5, f"{high + 0.5:g}")):
        with pytest.raises(InputError, match=re.escape(f"is {said}, but must be from {low} to")):
            card(kind, **{key: value})


def test_names_of_cards_have_a_length():
    assert len(card("peroxide", name="x" * 80).name) == 80
    assert card("coagent", name="x").name == "x"
    for name in ("", "x" * 81):
        with pytest.raises(InputError, match="name"):
            card("peroxide", name=name)


def test_chemistry_at_fault_names_the_nearest_key():
    with pytest.raises(InputError, match="double_bonds"):
        chemistry_from_table({"coagent": [COAGENT | {"double_bond": 2}]}, "own.toml")
    with pytest.raises(InputError, match="co-agent 'own salt' stands twice"):
        chemistry_from_table({"coagent": [COAGENT, COAGENT]}, "own.toml")
    with pytest.raises(InputError, match="peroxide 'slow peroxide' stands twice"):
        chemistry_from_table({"peroxide": [PEROXIDE, PEROXIDE]}, "own.toml")


def test_a_labs_cards_join_and_replace_the_shipped_ones(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text(
        '[[coagent]]\nname = "zinc diacrylate"\nmolar_mass_g_mol = 207.5\ndouble_bonds = 2\n'
        'heat_kj_mol = 70\n[[coagent]]\nname = "own salt"\nmolar_mass_g_mol = 200\n'
        "double_bonds = 1\nheat_kj_mol = 60\n"
    )
    shipped, joined = default_chemistry(), read_chemistry(file)
    assert joined.peroxide == shipped.peroxide
    heat = {c.name: c.heat_kj_mol.value for c in joined.coagent}
    usual = {c.name: c.heat_kj_mol.value for c in shipped.coagent}
    assert heat == usual | {"zinc diacrylate": 70.0, "own salt": 60.0}
    assert [type(c) for c in (joined.peroxide[0], joined.coagent[0])] == [Peroxide, Coagent]


def test_shorter_half_lives_go_with_the_platen():
    """150 kJ/mol halve the time in about 7.5 K near 160 C (Arrhenius)."""
    slow = card("peroxide")
    ratio = decomposition_rate(slow, 167.5) / decomposition_rate(slow, 160.0)
    assert ratio == pytest.approx(2.0, rel=0.03)


CYCLE = """\
name = "two steps"
preform_celsius = 30.0
open_minutes = 0.5
contact_w_m2_k = 800.0
cooling_celsius = 18.0
cooling_minutes = 30.0
cooling_w_m2_k = 300.0
source = "invented"

[[before]]
celsius = 110.0
minutes = 4.0

[[before]]
celsius = 25.0
minutes = 600.0

[[step]]
platen_celsius = 150.0
minutes = 5.0
ramp = false

[[step]]
platen_celsius = 165.0
minutes = 8.0
ramp = true
"""


def test_a_cycle_is_written_as_it_is_read(tmp_path):
    made = cycle_from_table(parse_toml(CYCLE, "c.toml"), "c.toml")
    assert cycle_toml(made) == CYCLE
    file = tmp_path / "c.toml"
    file.write_text(CYCLE)
    assert read_cycle(file) == made
    file.write_text(CYCLE.replace("open_minutes = 0.5", "open_minutes = 13"))
    with pytest.raises(
        InputError,
        match=r"open_minutes of two steps is 13, but must be below the 13 min in the press",
    ):
        read_cycle(file)
    with pytest.raises(InputError, match="platen_celsius"):
        cycle_from_table({"step": [{"platen_celcius": 160, "minutes": 1}]}, "c.toml")


def test_a_cycle_of_one_step_is_named_by_it():
    made = one_step(160.0, 12.5)
    assert made.name == "160 C for 12.5 min"
    assert made == Cycle(name=made.name, step=[{"platen_celsius": 160, "minutes": 12.5}])
    assert not made.step[0].ramp
    assert made.minutes == 12.5


def test_a_short_cooling_is_followed_too():
    made = Cycle(step=[{"platen_celsius": 160, "minutes": 5}], cooling_minutes=0.5)
    assert legs_of(made).end.tolist() == [300.0, 330.0]


@pytest.mark.parametrize(
    ("key", "good", "bad"),
    [
        ("step", [{"platen_celsius": 160, "minutes": 1}] * 20, 21),
        ("before", [{"celsius": 25, "minutes": 1}] * 20, 21),
        ("name", "x" * 120, 121),
        ("name", "x", 0),
        ("source", "x" * 200, 201),
        ("step", [{"platen_celsius": 160, "minutes": 1}], 0),
    ],
)
def test_rows_and_texts_of_a_cycle_have_their_length(key, good, bad):
    whole = {"step": [{"platen_celsius": 160, "minutes": 1}]}
    assert cycle_from_table(whole | {key: good}, "c.toml")
    with pytest.raises(InputError, match=key):
        cycle_from_table(whole | {key: good[:1] * bad}, "c.toml")


ROLES = {
    "base rubber": 1950.0,
    "co-agent": 1300.0,
    "peroxide": 1500.0,
    "oxide": 500.0,
    "filler": 700.0,
    "other": 1800.0,
}
BY_CARD = {"peroxide": "dicumyl peroxide", "co-agent": "zinc diacrylate"}


def plain(phr, **changes):
    """Return a recipe of one ingredient a role, none with a specific heat of its own."""
    cards = [
        {"name": role, "role": role, "density_g_cm3": 1.5, "chemistry": BY_CARD.get(role, "")}
        | changes.get(role.replace("-", ""), {})
        for role in ROLES
    ]
    part = [{"ingredient": role, "phr": phr.get(role, 0.0)} for role in ROLES if role in phr]
    table = {"name": "plain", "part": part, "ingredient": cards}
    return recipe_from_table(table, default_ingredients(), "plain.toml")


@pytest.mark.parametrize("role", [role for role in ROLES if role != "peroxide"])
def test_the_usual_heat_of_a_role(role):
    """Pinned, as the code has them from memory: by mass, at 25 C."""
    phr = {"base rubber": 100.0, "peroxide": 1.0} | ({role: 30.0} if role != "base rubber" else {})
    made = stock_of(plain(phr), default_chemistry())
    total = sum(phr.values())
    at_25 = made.heat + 25.0 * made.heat_slope
    assert at_25 == pytest.approx(sum(p * ROLES[r] for r, p in phr.items()) / total, rel=1e-12)
    assert made.heat_slope == pytest.approx(350.0 / total, rel=1e-12)
    solid = phr[role] / total if role in ("filler", "oxide") else 0.0  # all of one density
    assert made.solids == pytest.approx(solid)


def test_cards_are_found_by_their_chemistry_and_parts_of_nothing_are_left_out():
    phr = {"base rubber": 100.0, "peroxide": 1.0, "co-agent": 20.0}
    made = stock_of(plain(phr), default_chemistry())
    assert made.peroxide == ("dicumyl peroxide",)
    assert made.bridges > 0.0
    without = stock_of(plain(phr | {"co-agent": 0.0}, coagent={"chemistry": "?"}),
                       default_chemistry())  # fmt: skip
    assert (without.bridges, without.polymerisation) == (0, 0.0)
    with pytest.raises(InputError) as caught:
        stock_of(plain(phr | {"peroxide": 0.0}), default_chemistry())
    assert str(caught.value) == "plain has no peroxide, so that nothing cures it; add one."
    with pytest.raises(InputError) as caught:
        stock_of(plain(phr, coagent={"chemistry": "zinc salt"}), default_chemistry())
    assert re.fullmatch(
        r"plain: co-agent 'zinc salt' is not in the chemistry cards; known: [^.]+: set chemistry "
        r"on the card of 'co-agent', or add a card of your own\.",
        str(caught.value),
    )
