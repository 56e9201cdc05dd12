"""What is probably a slip is said, and an ordinary ball raises no doubt."""

import math
from pathlib import Path

import pytest

from layers.ball import Ball, Layer, made_as
from layers.ball_file import read_ball
from layers.materials import Material, default_catalogue
from layers.rules.doubts import doubts

BALLS = sorted((Path(__file__).parents[3] / "scenarios").rglob("ball*/*.toml"))


def ball(**changes):
    card = default_catalogue().find("core rubber, medium")
    values = {k: v for k, v in changes.items() if k != "size"}
    card = card.with_values("test", **values) if values else card
    size = changes.get("size", 42.7)
    layers = (Layer(role="core", outer_diameter_mm=size, material=card),)
    return Ball(layer=layers)


@pytest.mark.parametrize("path", BALLS, ids=lambda p: p.stem)
def test_an_ordinary_ball_raises_none(path):
    assert doubts(read_ball(path)) == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"size": 21.35}, "a radius? A ball of twice that has 42.7 mm"),
        ({"size": 50.0}, "diameter is 50 mm"),
        ({"youngs_modulus_mpa": 2900}, "psi? 2900 psi are 20 MPa"),
        ({"density_g_cm3": 0.7}, "the ball has 28.3 g"),
        ({"density_g_cm3": 1.3}, "the ball has 52.6 g"),
    ],
)
def test_a_slip_is_named(changes, words):
    (said,) = doubts(ball(**changes))
    assert words in said


HEAVY = {"density_g_cm3": 1.13}  # about the usual mass at the usual size


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (40.0, ""),
        (45.0, ""),
        (39.99, "the ball's diameter is 39.99 mm; ordinary ones have 42.67 mm or little more."),
        (45.01, "the ball's diameter is 45.01 mm; ordinary ones have 42.67 mm or little more."),
        (20.0, "outer_diameter_mm is 20: a radius? A ball of twice that has 40 mm."),
        (22.5, "outer_diameter_mm is 22.5: a radius? A ball of twice that has 45 mm."),
        (19.99, "the ball's diameter is 19.99 mm; ordinary ones have 42.67 mm or little more."),
        (22.51, "the ball's diameter is 22.51 mm; ordinary ones have 42.67 mm or little more."),
    ],
)
def test_a_diameter_is_in_doubt_from_the_ends_of_ordinary_balls(size, said):
    density = 1.13 * (42.7 / size) ** 3  # of the usual mass, if of the usual size
    assert doubts(ball(size=size, density_g_cm3=min(density, 2.0))) == ((said,) if said else ())


@pytest.mark.parametrize(
    ("family", "most"), [("rubber", 300.0), ("urethane", 600.0), ("ionomer", 1200.0)]
)
def test_a_modulus_is_in_doubt_beyond_its_family_s_stiffest(family, most):
    def of(modulus):
        core = ball(**HEAVY).layer[0].model_copy(update={"outer_diameter_mm": 39.0})
        card = {"name": "x", "family": family, "poisson_ratio": 0.45, "density_g_cm3": 1.1}
        card["youngs_modulus_mpa"] = modulus
        return doubts(Ball(layer=(core, Layer(
            role="cover", outer_diameter_mm=42.7, material=Material.model_validate(card)
        ))))  # fmt: skip

    assert of(most) == ()
    # One pound-force (4.4482216 N) on a square inch (25.4 mm).
    megapascals = (most + 0.5) * 4.4482216 / 25.4**2
    assert of(most + 0.5) == (
        f"layer 2 has {most + 0.5:g} MPa: psi? {most + 0.5:g} psi are {megapascals:.3g} MPa.",
    )


def test_a_material_of_no_family_may_be_as_stiff_as_a_card_can_be():
    card = ball().layer[0].material.model_copy(update={"family": "other"})
    stiff = card.with_values("test", youngs_modulus_mpa=3000.0, **HEAVY)
    assert doubts(Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material=stiff),))) == ()


@pytest.mark.parametrize(
    ("grams", "doubted"), [(38.05, False), (37.95, True), (49.95, False), (50.08, True)]
)
def test_a_mass_is_in_doubt_beyond_ordinary_ones(grams, doubted):
    """By the volume of a smooth sphere of 42.7 mm less the dimples' 0.7 %."""
    density = grams / (math.pi / 6.0 * 4.27**3 * 0.993)
    said = f"the ball has {grams:.3g} g, ordinary ones 45 to 45.93: a density or a diameter off?"
    assert doubts(ball(density_g_cm3=density)) == ((said,) if doubted else ())


def test_roles_of_the_trade_share_the_process_of_plain_ones():
    layer = ball().layer[0].model_dump() | {"role": "Center"}
    assert Layer.model_validate(layer).role == "centre"
    assert made_as("inner cover") == made_as("casing") == "mantle"
    assert made_as("outer cover") == "cover"
    assert made_as("centre") == "inner core"
