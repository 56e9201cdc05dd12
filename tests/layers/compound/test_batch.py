"""Weighings of a charge, by hand, and the ends of what is taken."""

import pytest

from layers.compound.batch import batch_weights, mixer_charge_g
from layers.compound.recipe import default_ingredients, density, recipe_from_table
from layers.errors import InputError


def recipe(**parts):
    lines = {"polybutadiene, high cis": 100.0, **{k.replace("_", " "): v for k, v in parts.items()}}
    rows = [{"ingredient": name, "phr": phr} for name, phr in lines.items()]
    return recipe_from_table({"name": "trial", "part": rows}, default_ingredients(), "x")


def test_analytic_weights_by_hand():
    """125 phr in 1,000 g are 8 g a phr: 800, 80 and 120 g; on a scale of 50 g 800, 100, 100."""
    batch = batch_weights(recipe(zinc_oxide=10.0, barium_sulfate=15.0), 1000.0, 50.0)
    assert [line.exact_g for line in batch.line] == pytest.approx([800.0, 80.0, 120.0])
    assert [line.weighed_g for line in batch.line] == pytest.approx([800.0, 100.0, 100.0])
    assert [line.flag for line in batch.line] == [
        "",
        "rounding is 25.0 %: use a finer scale",
        "rounding is 16.7 %: use a finer scale",
    ]
    assert batch.total_g == pytest.approx(1000.0)
    cards = [part.ingredient.density_g_cm3.value for part in recipe(zinc_oxide=1.0).part]
    volume = 800.0 / cards[0] + 100.0 / cards[1] + 100.0 / 4.5
    assert batch.density_g_cm3 == pytest.approx(1000.0 / volume, rel=1e-3)
    assert (batch.recipe, batch.line[1].phr, batch.line[1].role) == ("trial", 10.0, "oxide")


@pytest.mark.parametrize(("scale", "flagged"), [(3.367, True), (3.366, False)])
def test_a_finer_scale_is_asked_for_beyond_one_percent(scale, flagged):
    """Of 10 g in 1 kg three steps of the scale are 10.101 or 10.098 g."""
    batch = batch_weights(recipe(zinc_oxide=100.0 / 99.0), 1000.0, scale)
    assert batch.line[1].exact_g == pytest.approx(10.0)
    assert bool(batch.line[1].flag) == flagged


def test_a_line_of_no_parts_weighs_nothing_and_needs_no_finer_scale():
    batch = batch_weights(recipe(zinc_oxide=0.0), 1000.0, 1.0)
    assert (batch.line[1].exact_g, batch.line[1].weighed_g, batch.line[1].flag) == (0.0, 0.0, "")
    # Half a gram and less rounds to nothing, a quarter too: both are told.
    for phr in (0.045, 0.025):
        with pytest.raises(InputError, match=r"zinc oxide needs 0\.\d+ g, which a scale of 1 g"):
            batch_weights(recipe(zinc_oxide=phr), 1000.0, 1.0)


@pytest.mark.parametrize(
    ("charge", "resolution", "said"),
    [
        (0.0, 0.1, "charge_g is 0, but must be above 0."),
        (-1.0, 0.1, "charge_g is -1, but must be above 0."),
        (float("inf"), 0.1, "charge_g is inf, but must be above 0."),
        (float("nan"), 0.1, "charge_g is nan, but must be above 0."),
        (100.0, 0.0, "resolution_g is 0, but must be above 0."),
    ],
)
def test_a_charge_and_a_scale_are_above_nothing(charge, resolution, said):
    with pytest.raises(InputError) as found:
        batch_weights(recipe(), charge, resolution)
    assert str(found.value) == said


def test_small_charges_on_fine_scales_are_weighed():
    batch = batch_weights(recipe(), 0.5, 0.01)
    assert batch.total_g == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("chamber", "fill", "said"),
    [
        (0.0, 0.7, "chamber_cm3 is 0, but must be above 0."),
        (10.0, 0.299, "fill_factor is 0.299, but must be from 0.3 to 0.95."),
        (10.0, 0.951, "fill_factor is 0.951, but must be from 0.3 to 0.95."),
        (10.0, 1.2, "fill_factor is 1.2, but must be from 0.3 to 0.95."),
        (10.0, float("nan"), "fill_factor is nan, but must be from 0.3 to 0.95."),
    ],
)
def test_a_mixer_is_filled_by_a_third_to_nearly_whole(chamber, fill, said):
    with pytest.raises(InputError) as found:
        mixer_charge_g(recipe(), chamber, fill)
    assert str(found.value) == said


@pytest.mark.parametrize(("chamber", "fill"), [(0.5, 0.3), (0.5, 0.95)])
def test_the_ends_of_what_a_mixer_takes(chamber, fill):
    charge = mixer_charge_g(recipe(), chamber, fill)
    assert charge == pytest.approx(chamber * fill * density(recipe()))
