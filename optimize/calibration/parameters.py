"""Numbers of material cards that measurements can correct, and derivatives of figures over them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.materials import Grade, Material, numeric_fields
from layers.resolution.grades import deviation
from optimize.lab.uncertainty import PROPERTIES, Property

_STRONGEST_RELAXATION = 5.0


@dataclass(frozen=True)
class Parameter:
    """One uncertain number of a card.

    Cards of the same name and nominal number share it; another nominal number, for example another
    recipe of the compound, is another parameter.

    Attributes
    ----------
    material, number : str
        Name of the card; the property.
    nominal : float
        Of the card; of the relaxation, the sum of its strengths.
    prior_sd : float
        Prior standard deviation of the logarithm, by the card's grade; of the dynamic/static
        modulus ratio, of the logarithm of its excess over 1.
    """

    material: str
    number: Property
    nominal: float
    prior_sd: float

    def value(self, theta: float) -> float:
        """Return the number with its logarithm shifted by theta, within the card's range."""
        if self.number == "dynamic_modulus_ratio":
            moved = 1.0 + (self.nominal - 1.0) * float(np.exp(theta))
        else:
            moved = self.nominal * float(np.exp(theta))
        if self.number == "relaxation_strength":
            return moved
        low, high = numeric_fields()[self.number]
        return min(max(moved, low), high)

    def belongs_to(self, card: Material) -> bool:
        """Whether this is a number of the card."""
        return (
            card.name == self.material
            and abs(nominal(card, self.number) - self.nominal) <= 1e-9 * self.nominal
        )


def nominal(card: Material, number: Property) -> float:
    """Return a card's nominal value of a property."""
    if number == "relaxation_strength":
        return sum(pair.strength for pair in card.relaxation)
    return float(getattr(card, number).value)


def parameters_of(balls: Sequence[Ball]) -> tuple[Parameter, ...]:
    """List the parameters of all cards of some builds, each once.

    A dynamic/static modulus ratio of exactly 1 and an empty relaxation mean 'unknown' and are not
    parameters. Where cards of one number differ in grade, the lower grade counts.

    Parameters
    ----------
    balls : sequence of Ball
        The builds.
    """
    found: dict[tuple[str, Property, float], float] = {}
    for ball in balls:
        for card in (layer.material for layer in ball.layer):
            for name in PROPERTIES:
                value = nominal(card, name)
                if (name == "dynamic_modulus_ratio" and value <= 1.0) or value <= 0.0:
                    continue
                sd = deviation(card, name)
                key = (card.name, name, value)
                found[key] = max(sd, found.get(key, 0.0))
    return tuple(Parameter(*key, sd) for key, sd in found.items())


def with_parameters(
    ball: Ball,
    parameters: Sequence[Parameter],
    theta: FloatArray,
    source: str = "varied",
    grades: Sequence[Grade | None] | None = None,
) -> Ball:
    """Return a build with the parameters of its cards shifted.

    Parameters
    ----------
    ball : Ball
        The build with its nominal cards.
    parameters : sequence of Parameter
        Those of other cards are ignored.
    theta : (p,) array
        The shifts, see `Parameter.value`.
    source : str
        Source given to each shifted number.
    grades : sequence of Grade or None, optional
        New grade of each number; None keeps the old one.
    """
    chosen = list(zip(parameters, theta, grades or [None] * len(parameters), strict=True))
    layers = []
    for layer in ball.layer:
        mine = [c for c in chosen if c[0].belongs_to(layer.material)]
        card = layer.material.model_dump()
        for parameter, moved, grade in mine:
            _move(card, parameter, float(moved), source, grade)
        changed = Material.model_validate(card) if mine else layer.material
        layers.append(layer.model_copy(update={"material": changed}))
    return ball.model_copy(update={"layer": tuple(layers)})


def _move(
    card: dict[str, Any], parameter: Parameter, theta: float, source: str, grade: Grade | None
) -> None:
    value = parameter.value(theta)
    if parameter.number == "relaxation_strength":
        factor = value / parameter.nominal
        for pair in card["relaxation"]:
            pair["strength"] = min(pair["strength"] * factor, _STRONGEST_RELAXATION)
        card["relaxation_source"] = source
        card["relaxation_grade"] = grade or card["relaxation_grade"]
    else:
        old = card[parameter.number]
        card[parameter.number] = {
            "value": value,
            "source": source,
            "grade": grade or old["grade"],
        }
