"""How far the numbers of a material card can be trusted, by their grade."""

from functools import cache
from typing import Literal, get_args

from layers.files.cards import shipped_toml
from layers.materials import Grade, Material

Number = Literal[
    "youngs_modulus_mpa",
    "density_g_cm3",
    "dynamic_modulus_ratio",
    "relaxation_strength",
    "friction",
]
NUMBERS: tuple[Number, ...] = get_args(Number)


def deviation(card: Material, number: Number) -> float:
    """Return the standard deviation of the logarithm of a card's number, by its grade.

    Parameters
    ----------
    card : Material
        The card.
    number : str
        Which number; of the dynamic/static modulus ratio, its excess over 1 is meant, of the
        relaxation the sum of its strengths.
    """
    return _deviations()[number][grade_of(card, number)] / 100.0


def grade_of(card: Material, number: Number) -> Grade:
    """Return the grade of a card's number.

    Parameters
    ----------
    card : Material
        The card.
    number : str
        Which number.
    """
    if number == "relaxation_strength":
        return card.relaxation_grade
    grade: Grade = getattr(card, number).grade
    return grade


@cache
def _deviations() -> dict[str, dict[str, float]]:
    """Return the shipped standard deviations, percent, by number and grade."""
    return shipped_toml("layers.resolution", "grades.toml")
