"""What the cards of two builds do not share, and how far that moves the difference of a figure."""

import math
from collections.abc import Mapping
from typing import Any

from layers.ball import Ball, Layer
from layers.materials import Material
from layers.resolution.grades import NUMBERS, Number, deviation

# Where a card that states no such number takes it from its family.
_FAMILY_FIELD = {
    "dynamic_modulus_ratio": "dynamic_modulus_ratio",
    "relaxation_strength": "relaxation",
    "friction": "friction",
}


def material_deviation(
    one: Ball, two: Ball, sensitivity: Mapping[str, Mapping[str, float]]
) -> float:
    """Return the relative standard deviation of a difference from cards that both do not have.

    Parameters
    ----------
    one, two : Ball
        The builds.
    sensitivity : mapping of str to mapping of str to float
        Relative change of the figure with the logarithm of a card's number, for a layer as thick
        as the ball's radius, by role and number.
    """
    found = 0.0
    for ball, other in ((one, two), (two, one)):
        radius = ball.layer[-1].outer_diameter_mm
        inner = 0.0
        for layer in ball.layer:
            share = (layer.outer_diameter_mm - inner) / radius
            inner = layer.outer_diameter_mm
            table = sensitivity.get(layer.role, {})
            for number in _own_numbers(layer, other):
                slope = table.get(number, 0.0) * share
                found += (slope * deviation(layer.material, number)) ** 2
    return math.sqrt(found)


def _own_numbers(layer: Layer, other: Ball) -> list[Number]:
    """List the numbers of a layer's card whose errors the other build does not share.

    A card is the same one where name and named modulus are: a modulus or density set otherwise is
    then what is to be made, with the card's error in both.
    """
    card = layer.material
    there = [x.material for x in other.layer if x.role == layer.role]
    if any(_identity(found) == _identity(card) for found in there):
        return []
    kin = [found for found in there if found.family == card.family != "other"]
    return [
        number
        for number in NUMBERS
        if not any(_of_family(found, number) and _of_family(card, number) for found in kin)
        and (number != "friction" or layer.role == "cover")
    ]


def _identity(card: Material) -> tuple[Any, ...]:
    return card.name, card.family, card.named_at_mpa


def _of_family(card: Material, number: Number) -> bool:
    return _FAMILY_FIELD.get(number, "") in card.from_family
