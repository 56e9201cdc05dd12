"""What is probably a slip is said, and an ordinary ball raises no doubt."""

from pathlib import Path

import pytest

from layers.ball import Ball, Layer, made_as
from layers.ball_file import read_ball
from layers.materials import default_catalogue
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


def test_roles_of_the_trade_share_the_process_of_plain_ones():
    layer = ball().layer[0].model_dump() | {"role": "Center"}
    assert Layer.model_validate(layer).role == "centre"
    assert made_as("inner cover") == made_as("casing") == "mantle"
    assert made_as("outer cover") == "cover"
    assert made_as("centre") == "inner core"
