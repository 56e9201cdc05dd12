"""Core compounds in parts per hundred rubber: density, filler loading, batch weights."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from layers.errors import InputError, explain
from layers.files.text import read_text
from layers.files.toml import parse_toml
from layers.materials import Datum

IngredientRole = Literal["base rubber", "co-agent", "peroxide", "oxide", "filler", "other"]

# How far the base rubbers may add up from 100 parts: what three printed digits leave.
_HUNDRED = 0.05

# Above this error of a rounded weight, a finer scale is asked for (common practice).
COARSE_WEIGHING_PERCENT = 1.0


class Ingredient(BaseModel):
    """One ingredient's card."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(min_length=1, max_length=80, description="chemical name and grade")
    role: IngredientRole = Field(description="what it does in the compound")
    density_g_cm3: Datum = Field(
        description="density of the ingredient, without the air of a powder",
        json_schema_extra={"unit": "g/cm3", "range": [0.5, 25.0]},
    )
    active_percent: float = Field(
        100.0,
        gt=0.0,
        le=100.0,
        description="share that acts; below 100 for a peroxide on a carrier",
        json_schema_extra={"unit": "%"},
    )

    @model_validator(mode="before")
    @classmethod
    def _accept_a_bare_density(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and isinstance(data.get("density_g_cm3"), int | float):
            return {**data, "density_g_cm3": {"value": data["density_g_cm3"]}}
        return data

    @model_validator(mode="after")
    def _density_in_range(self) -> "Ingredient":
        if not 0.5 <= self.density_g_cm3.value <= 25.0:
            raise ValueError(
                f"density_g_cm3 of {self.name!r} is {self.density_g_cm3.value:g}, "
                "but must be from 0.5 to 25"
            )
        return self


class Part(BaseModel):
    """One line of a recipe."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    ingredient: Ingredient = Field(description="the ingredient's card")
    phr: float = Field(
        ge=0.0,
        le=1000.0,
        description="parts by mass per hundred parts of base rubber",
        json_schema_extra={"unit": "phr"},
    )


class Recipe(BaseModel):
    """A compound: each ingredient once, the base rubbers together 100 parts."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field("unnamed recipe", min_length=1, max_length=120, description="its name")
    part: tuple[Part, ...] = Field(min_length=1, max_length=30, description="the lines")

    @model_validator(mode="after")
    def _base_is_a_hundred(self) -> "Recipe":
        names = [part.ingredient.name for part in self.part]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"ingredient {twice[0]!r} stands twice; every one may stand once")
        base = sum(part.phr for part in self.part if part.ingredient.role == "base rubber")
        if abs(base - 100.0) > _HUNDRED:
            hint = f"; multiply every part by {100.0 / base:.5g}" if base > 0.0 else ""
            raise ValueError(f"base rubbers add up to {base:g} phr, but must be 100{hint}")
        return self

    @property
    def total_phr(self) -> float:
        """Sum of all parts."""
        return sum(part.phr for part in self.part)

    def phr(self, role: IngredientRole) -> float:
        """Sum of the active parts of a role: a peroxide's carrier does not count."""
        return sum(
            part.phr * part.ingredient.active_percent / 100.0
            for part in self.part
            if part.ingredient.role == role
        )


def density(recipe: Recipe) -> float:
    """Density of the mixed compound, g/cm3, by the rule of mixtures.

    1 / rho = sum w_i / rho_i with mass shares w_i: exact when volumes add. Curing densifies the
    compound a little beyond it (the co-agent polymerises; under 1 %, from memory): weigh a cured
    core in air and water to know by how much.
    """
    return recipe.total_phr / sum(p.phr / p.ingredient.density_g_cm3.value for p in recipe.part)


def filler_for_density(
    recipe: Recipe, filler: str, target_g_cm3: float, most_phr: float = 100.0
) -> Recipe:
    """Return the recipe with the filler's parts set so that its density is the target.

    With the other lines' mass m and volume v, the filler's density f and the target t:
    (m + x) / (v + x / f) = t, so x = (t v - m) / (1 - t / f).

    Parameters
    ----------
    recipe : Recipe
        Holds a line of the filler, at any parts.
    filler : str
        The line's ingredient.
    target_g_cm3 : float
        For example a layer's density.
    most_phr : float
        The most of it that the mill takes up.

    Raises
    ------
    InputError
        If the recipe has no such line, or no loading from 0 to `most_phr` reaches the target; the
        reachable range is told.
    """
    none, most = (density(with_phr(recipe, filler, x)) for x in (0.0, most_phr))
    low, high = min(none, most), max(none, most)
    if not low <= target_g_cm3 <= high:
        raise InputError(
            f"target density of {recipe.name} is {target_g_cm3:g} g/cm3, but 0 to {most_phr:g} phr "
            f"of {filler} reach from {low:.4f} to {high:.4f} g/cm3."
        )
    card = next(part.ingredient for part in recipe.part if part.ingredient.name == filler)
    rest = [part for part in recipe.part if part.ingredient.name != filler]
    mass = sum(part.phr for part in rest)
    volume = sum(part.phr / part.ingredient.density_g_cm3.value for part in rest)
    surplus = target_g_cm3 * volume - mass
    if surplus == 0.0:
        return with_phr(recipe, filler, 0.0)
    loading = surplus / (1.0 - target_g_cm3 / card.density_g_cm3.value)
    return with_phr(recipe, filler, min(max(loading, 0.0), most_phr))


def with_phr(recipe: Recipe, ingredient: str, phr: float) -> Recipe:
    """Return the recipe with one line's parts replaced.

    Raises
    ------
    InputError
        If the recipe has no such line, or the parts are out of range.
    """
    names = [part.ingredient.name for part in recipe.part]
    if ingredient not in names:
        near = get_close_matches(ingredient, names, n=1) or names
        raise InputError(f"{ingredient!r} is not in {recipe.name}; known: {', '.join(near)}.")
    lines = [{"ingredient": part.ingredient, "phr": part.phr} for part in recipe.part]
    lines[names.index(ingredient)]["phr"] = phr
    try:
        return Recipe.model_validate({"name": recipe.name, "part": lines})
    except ValidationError as error:
        raise explain(error, recipe.name) from error


@dataclass(frozen=True)
class BatchLine:
    """One weighing; `flag` is empty or asks for a finer scale."""

    ingredient: str
    role: IngredientRole
    phr: float
    exact_g: float
    weighed_g: float
    flag: str


@dataclass(frozen=True)
class Batch:
    """The weighings of a charge; `density_g_cm3` is that of the weights as rounded."""

    recipe: str
    line: tuple[BatchLine, ...]
    total_g: float
    density_g_cm3: float


def mixer_charge_g(recipe: Recipe, chamber_cm3: float, fill_factor: float) -> float:
    """Charge of an internal mixer, g: chamber volume x fill factor x compound density.

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
    """Split a mill charge into weighings, rounded to what the scale shows.

    Parameters
    ----------
    recipe : Recipe
        The compound.
    charge_g : float
        Mass of the whole charge; of an internal mixer, see `mixer_charge_g`.
    resolution_g : float
        Smallest step of the scale.

    Raises
    ------
    InputError
        If the charge or the step is not positive, or an ingredient rounds to nothing.
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


class IngredientCards(BaseModel):
    """A set of ingredient cards, each name once."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ingredient: tuple[Ingredient, ...] = Field(description="the cards")

    @model_validator(mode="after")
    def _names_are_unique(self) -> "IngredientCards":
        names = [card.name for card in self.ingredient]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"ingredient {twice[0]!r} has two cards; every name may have one")
        return self

    def find(self, name: str) -> Ingredient:
        """Return the card of this name.

        Raises
        ------
        InputError
            If there is none; the nearest names are offered.
        """
        cards = {card.name: card for card in self.ingredient}
        if name not in cards:
            near = get_close_matches(name, cards, n=3, cutoff=0.4) or list(cards)
            raise InputError(f"ingredient {name!r} has no card; known: {', '.join(near)}.")
        return cards[name]


def default_ingredients() -> IngredientCards:
    """Return the cards that ship with orbwright; a recipe's own replace them."""
    text = resources.files("layers.compound").joinpath("recipe.toml").read_text(encoding="utf-8")
    return IngredientCards.model_validate(parse_toml(text, "recipe.toml"))


def recipe_from_table(table: Mapping[str, Any], cards: IngredientCards, what: str) -> Recipe:
    """Build a recipe from a parsed TOML table whose parts name their ingredients.

    Parameters
    ----------
    table : mapping
        ``name``; ``[[part]]`` with ``ingredient`` (a name) and ``phr``; optional ``[[ingredient]]``
        cards of its own, which replace shipped ones of the same name.
    cards : IngredientCards
        Cards to find names in.
    what : str
        The table's name, for messages.

    Raises
    ------
    InputError
        On an unknown field or ingredient, or a value out of range.
    """
    table = dict(table)
    try:
        own = IngredientCards.model_validate({"ingredient": table.pop("ingredient", [])})
        replaced = {card.name for card in own.ingredient}
        kept = tuple(card for card in cards.ingredient if card.name not in replaced)
        joined = IngredientCards(ingredient=kept + own.ingredient)
        rows = table.get("part")
        if isinstance(rows, list):
            table["part"] = [_with_card(row, joined, n, what) for n, row in enumerate(rows, 1)]
        return Recipe.model_validate(table)
    except ValidationError as error:
        known = (*Recipe.model_fields, *Part.model_fields, *Ingredient.model_fields)
        raise explain(error, what, known) from error


def _with_card(row: Any, cards: IngredientCards, number: int, what: str) -> Any:
    if not isinstance(row, dict) or not isinstance(row.get("ingredient"), str):
        return row
    try:
        return {**row, "ingredient": cards.find(row["ingredient"])}
    except InputError as error:
        raise InputError(f"{what}: part {number}: {error}") from error


def read_recipe(path: Path) -> Recipe:
    """Read a recipe from a TOML file; see `recipe_from_table` for its keys.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a recipe.
    """
    table = parse_toml(read_text(path), path.name)
    return recipe_from_table(table, default_ingredients(), path.name)
