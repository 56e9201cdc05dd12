"""A recipe as what cures, by hand; half-lives; legs of a cycle; what came before the press."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.compound.recipe import default_ingredients, density, recipe_from_table
from layers.cure.chemistry import celsius_of_half_life, decomposition_rate, default_chemistry
from layers.cure.cycle import Cycle, legs_of
from layers.cure.law import Law, doses_before
from layers.cure.stock import Stock, stock_of
from layers.errors import InputError

PARTS = {
    "polybutadiene, high cis": 100.0,
    "zinc diacrylate": 25.0,
    "dicumyl peroxide": 0.9,
    "di(tert-butylperoxyisopropyl)benzene": 0.5,
    "zinc oxide": 6.0,
    "barium sulfate": 12.0,
}


def recipe(parts=PARTS):
    rows = [{"ingredient": name, "phr": phr} for name, phr in parts.items()]
    return recipe_from_table({"name": "core", "part": rows}, default_ingredients(), "core.toml")


@pytest.fixture(scope="module")
def made() -> Stock:
    return stock_of(recipe(), default_chemistry())


def card(name):
    return next(p.ingredient for p in recipe().part if p.ingredient.name == name)


def test_radicals_and_bridges_by_hand(made):
    """Two radicals a peroxide group; grams in a kilogram of rubber are ten times the parts."""
    expected = [
        2.0 * groups * phr * card(name).active_percent / 100.0 * 10.0 / molar
        for name, phr, groups, molar in (
            ("dicumyl peroxide", 0.9, 1, 270.4),
            ("di(tert-butylperoxyisopropyl)benzene", 0.5, 2, 338.5),
        )
    ]
    assert made.radicals == pytest.approx(expected)
    salt = default_chemistry().coagent[0]
    active = card("zinc diacrylate").active_percent / 100.0
    assert made.bridges == pytest.approx(250.0 * active / salt.molar_mass_g_mol.value)
    assert made.coagent_phr == pytest.approx(25.0 * active)
    assert made.peroxide == ("dicumyl peroxide", "di(tert-butylperoxyisopropyl)benzene")
    joule = made.bridges * salt.double_bonds * 1e3 * salt.heat_kj_mol.value
    share = 100.0 / sum(PARTS.values())
    assert made.polymerisation == pytest.approx(joule * share * made.density)


def test_heat_conductivity_and_solids_by_hand(made):
    assert made.density == pytest.approx(1e3 * density(recipe()))
    total = sum(PARTS.values())
    usual = {"base rubber": 1950, "co-agent": 1300, "peroxide": 1500, "oxide": 500, "filler": 700}
    at_25 = sum(
        p.phr * (p.ingredient.specific_heat_j_kg_k.value or usual[p.ingredient.role])
        for p in recipe().part
    )
    slope = 3.5 * 100.0 / total
    assert made.heat_slope == pytest.approx(slope)
    assert made.heat == pytest.approx(at_25 / total - 25.0 * slope)
    volume = {p.ingredient.role: 0.0 for p in recipe().part}
    for p in recipe().part:
        volume[p.ingredient.role] += p.phr / p.ingredient.density_g_cm3.value
    solids = (volume["oxide"] + volume["filler"]) / sum(volume.values())
    assert made.solids == pytest.approx(solids)
    # Maxwell 1873, dilute spheres that conduct much better.
    assert made.conductivity == pytest.approx(0.19 * (1 + 2 * solids) / (1 - solids))
    capacity = made.density * (made.heat + 100.0 * slope)
    assert made.diffusivity == pytest.approx(made.conductivity / capacity)
    assert 0.8e-7 < made.diffusivity < 1.3e-7


def test_an_ingredient_s_own_heat_goes_before_the_usual_one(made):
    rows = [{"ingredient": name, "phr": phr} for name, phr in PARTS.items()]
    filler = card("barium sulfate").model_dump() | {"name": "own", "specific_heat_j_kg_k": 900.0}
    table = {"name": "core", "part": [*rows[:-1], {"ingredient": "own", "phr": 12.0}]}
    table["ingredient"] = [filler]
    own = stock_of(
        recipe_from_table(table, default_ingredients(), "core.toml"), default_chemistry()
    )
    by_card = card("barium sulfate").specific_heat_j_kg_k.value or 700.0
    assert own.heat - made.heat == pytest.approx((900.0 - by_card) * 12.0 / sum(PARTS.values()))


def test_analytic_adiabatic_rise(made):
    """c0 T + c1 T^2/2 gains the heat of polymerisation; without a slope the quotient."""
    rise = made.adiabatic_rise(80.0)
    gain = made.polymerisation / made.density
    warm = made.heat * rise + 0.5 * made.heat_slope * ((80.0 + rise) ** 2 - 80.0**2)
    assert warm == pytest.approx(gain, rel=1e-12)
    even = replace(made, heat_slope=0.0)
    assert even.adiabatic_rise(80.0) == pytest.approx(gain / made.heat, rel=1e-12)


def test_stock_without_peroxide_or_card_is_refused():
    without = {k: v for k, v in PARTS.items() if "perox" not in k}
    with pytest.raises(InputError, match="core has no peroxide"):
        stock_of(recipe(without), default_chemistry())
    bare = default_chemistry().model_copy(update={"coagent": ()})
    with pytest.raises(InputError, match="set chemistry on the card of 'zinc diacrylate'"):
        stock_of(recipe(), bare)


@pytest.mark.parametrize("place", range(3))
def test_a_half_life_and_its_temperature_undo_each_other(place):
    peroxide = default_chemistry().peroxide[place]
    for minutes in (0.1, 1.0, 60.0, 6000.0):
        celsius = celsius_of_half_life(peroxide, minutes)
        rate = decomposition_rate(peroxide, celsius)
        assert math.log(2.0) / rate / 60.0 == pytest.approx(minutes, rel=1e-9)
    anchor = peroxide.half_life_celsius.value
    assert celsius_of_half_life(peroxide, peroxide.half_life_minutes) == pytest.approx(anchor)


@pytest.mark.parametrize("place", range(2))
def test_rates_and_energies_are_the_cards(made, place):
    name = made.peroxide[place]
    peroxide = next(p for p in default_chemistry().peroxide if p.name == name)
    assert made.rate[place] == pytest.approx(decomposition_rate(peroxide, 160.0))
    assert made.energy[place] == pytest.approx(
        1e3 * peroxide.activation_energy_kj_mol.value / 8.31446
    )


def test_legs_of_steps_a_ramp_and_the_cooling():
    cycle = Cycle(
        preform_celsius=30.0,
        open_minutes=0.5,
        contact_w_m2_k=800.0,
        step=[
            {"platen_celsius": 120, "minutes": 3, "ramp": True},
            {"platen_celsius": 160, "minutes": 5},
            {"platen_celsius": 140, "minutes": 2, "ramp": True},
        ],
        cooling_celsius=18.0,
        cooling_minutes=30.0,
        cooling_w_m2_k=300.0,
    )
    legs = legs_of(cycle)
    assert legs.end.tolist() == [180.0, 480.0, 600.0, 2400.0]
    assert legs.first.tolist() == [30.0, 160.0, 160.0, 18.0]
    assert legs.last.tolist() == [120.0, 160.0, 140.0, 18.0]
    assert legs.transfer.tolist() == [800.0, 800.0, 800.0, 300.0]
    assert (legs.closed, legs.demoulded) == (30.0, 600.0)
    assert cycle.minutes == 10.0
    assert len(legs_of(cycle.model_copy(update={"cooling_minutes": 0.0})).end) == 3
    with pytest.raises(InputError, match="must be below the 10 min in the press"):
        legs_of(cycle.model_copy(update={"open_minutes": 10.0}))


def test_holds_one_after_the_other_add_up(made):
    """Two holds of one temperature are one; a cold one in between changes nothing."""

    def doses(*holds):
        before = [{"celsius": c, "minutes": m} for c, m in holds]
        step = [{"platen_celsius": 150, "minutes": 1}]
        return doses_before(made, Cycle(before=before, step=step), Law(rate=1.2))

    whole, split = doses((125.0, 30.0)), doses((125.0, 10.0), (-20.0, 60.0), (125.0, 20.0))
    np.testing.assert_allclose(split[0], whole[0], rtol=1e-6)
    assert split[1] == pytest.approx(whole[1], rel=1e-4)
    rates = [
        1.2 * decomposition_rate(p, 125.0)
        for name in made.peroxide
        for p in default_chemistry().peroxide
        if p.name == name
    ]
    np.testing.assert_allclose(whole[0], np.array(rates) * 1800.0, rtol=1e-9)
    # Little has decomposed: the square root of the flow of both is near its start.
    start = math.sqrt(float(made.radicals @ rates))
    kappa = 0.36 * math.exp(-20e3 / 8.31446 * (1 / 398.15 - 1 / 433.15))
    short = doses((125.0, 1.0))[1]
    assert short == pytest.approx(60.0 * kappa * start, rel=5e-3)
    assert doses()[1] == 0.0
