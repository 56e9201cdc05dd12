"""How far two builds are from each other, as far as their mesh errors go."""

import math
from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball


def distance_squared(one: Ball, two: Ball, weight: Mapping[str, float]) -> float:
    """Return the weighted squared distance of two builds; infinite for other layers or no weights.

    Parameters
    ----------
    one, two : Ball
        The builds.
    weight : mapping of str to float
        Of each group of `construction`.
    """
    if [x.role for x in one.layer] != [x.role for x in two.layer] or not weight:
        return math.inf
    a, b = construction(one), construction(two)
    return sum(w**2 * float(np.sum((a[k] - b[k]) ** 2)) for k, w in weight.items())


def nearness(square: float, floor: float, power: float) -> float:
    """Return the share of the error of builds far apart that is left at a distance.

    Parameters
    ----------
    square : float
        Squared distance.
    floor : float
        Share that is left for the nearest builds.
    power : float
        How fast the rest grows with the squared distance.
    """
    grown = -math.expm1(-(square**power))
    return math.sqrt(floor**2 + (1.0 - floor**2) * grown)


@lru_cache(maxsize=4096)
def construction(ball: Ball) -> dict[str, FloatArray]:
    """Return what the mesh error of a build follows, in groups: a row of the same layers each.

    Parameters
    ----------
    ball : Ball
        The build.

    Returns
    -------
    dict of str to array
        Logarithms of thicknesses, of moduli and of what they gain from inside to outside, and the
        other numbers of the cards.
    """
    cards = [layer.material for layer in ball.layer]
    outer = np.array([layer.outer_diameter_mm for layer in ball.layer])
    strength = np.array([sum(p.strength for p in card.relaxation) for card in cards])
    rest = (
        np.log([card.dynamic_modulus_ratio.value for card in cards]),
        strength / (1.0 + strength),
        np.log([1.0 - 2.0 * card.poisson_ratio.value for card in cards]),
        np.log([card.density_g_cm3.value for card in cards]),
        [cards[-1].friction.value],
    )
    return {
        "thickness": np.log(np.diff(outer, prepend=0.0)),
        "modulus": np.log(
            [card.youngs_modulus_mpa.value for card in cards]
            + [layer.profile.contrast if layer.profile else 1.0 for layer in ball.layer]
        ),
        "rest": np.concatenate([np.asarray(group) for group in rest]),
    }
