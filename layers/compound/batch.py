"""Weighings of a mill charge."""

import math
from dataclasses import dataclass

from layers.compound.recipe import IngredientRole, Part, Recipe, density
from layers.errors import InputError

# Above this rounding error of a weight, a finer scale is needed (common practice).
COARSE_WEIGHING_PERCENT = 1.0


@dataclass(frozen=True)
class BatchLine:
    """One weighing; `flag` is empty, or says that a finer scale is needed."""

    ingredient: str
    role: IngredientRole
    phr: float
    exact_g: float
    weighed_g: float
    flag: str


@dataclass(frozen=True)
class Batch:
    """The weighings of a charge; `density_g_cm3` is of the rounded weights."""

    recipe: str
    line: tuple[BatchLine, ...]
    total_g: float
    density_g_cm3: float


def mixer_charge_g(recipe: Recipe, chamber_cm3: float, fill_factor: float) -> float:
    """Charge of an internal mixer, g: chamber volume x fill factor x compound density.

    Parameters
    ----------
    recipe : Recipe
        The compound.
    chamber_cm3 : float
        Free volume of the mixer's chamber, cm3.
    fill_factor : float
        Share of the chamber that the compound fills.

    Raises
    ------
    InputError
        If the volume is not positive or the fill factor not from 0.3 to 0.95 (0.6 to 0.75 is
        common practice).
    """
    if not chamber_cm3 > 0.0:
        raise InputError(f"chamber_cm3 is {chamber_cm3:g}, but must be above 0.")
    if not 0.3 <= fill_factor <= 0.95:
        raise InputError(f"fill_factor is {fill_factor:g}, but must be from 0.3 to 0.95.")
    return chamber_cm3 * fill_factor * density(recipe)


def batch_weights(recipe: Recipe, charge_g: float, resolution_g: float) -> Batch:
    """Split a mill charge into weighings, rounded to the scale's resolution.

    Parameters
    ----------
    recipe : Recipe
        The compound.
    charge_g : float
        Mass of the whole charge; of an internal mixer, see `mixer_charge_g`.
    resolution_g : float
        Resolution of the scale.

    Raises
    ------
    InputError
        If the charge or the resolution is not positive, or an ingredient rounds to nothing.
    """
    for name, value in (("charge_g", charge_g), ("resolution_g", resolution_g)):
        if not (value > 0.0 and math.isfinite(value)):
            raise InputError(f"{name} is {value:g}, but must be above 0.")
    lines = tuple(_weighing(p, charge_g / recipe.total_phr, resolution_g) for p in recipe.part)
    total = sum(line.weighed_g for line in lines)
    volume = sum(
        line.weighed_g / part.ingredient.density_g_cm3.value
        for line, part in zip(lines, recipe.part, strict=True)
    )
    return Batch(recipe.name, lines, total, total / volume)


def _weighing(part: Part, grams_per_phr: float, resolution: float) -> BatchLine:
    exact = part.phr * grams_per_phr
    weighed = round(exact / resolution) * resolution
    if exact > 0.0 and weighed == 0.0:
        raise InputError(
            f"{part.ingredient.name} needs {exact:.3g} g, which a scale of {resolution:g} g cannot "
            "weigh: use a finer scale or a larger charge."
        )
    error = 100.0 * abs(weighed - exact) / exact if exact > 0.0 else 0.0
    flag = (
        f"rounding is {error:.1f} %: use a finer scale" if error > COARSE_WEIGHING_PERCENT else ""
    )
    return BatchLine(part.ingredient.name, part.ingredient.role, part.phr, exact, weighed, flag)
