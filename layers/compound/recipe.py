"""Core compounds in parts per hundred rubber: density, filler loading, batch weights."""

from collections.abc import Mapping
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from layers.errors import Fault, InputError, PlacedError, exact, faulty, refuse_twice
from layers.files.cards import Cards, with_card
from layers.files.explain import explain
from layers.files.fields import Table, numeric, ranged
from layers.files.paths import StrPath
from layers.files.text import Name
from layers.files.toml import read_toml, toml_value
from layers.materials import Datum

IngredientRole = Literal["base rubber", "co-agent", "peroxide", "oxide", "filler", "other"]

# Tolerance on the sum of the base rubbers, phr: rounding of three printed digits.
_HUNDRED = 0.05


class Ingredient(Table):
    """One ingredient's card."""

    name: Name = Field(min_length=1, max_length=80, description="chemical name and grade")
    role: IngredientRole = Field(description="its function in the compound")
    density_g_cm3: Datum = ranged(
        "g/cm3", "density of the ingredient, without the air of a powder", 0.5, 25.0
    )
    active_percent: float = Field(
        100.0,
        gt=0.0,
        le=100.0,
        description="active share; below 100 for a peroxide on a carrier",
        json_schema_extra={"unit": "%"},
    )
    chemistry: Name = Field(
        "",
        max_length=80,
        description="card of a peroxide or co-agent by which it cures; else its own name",
    )
    specific_heat_j_kg_k: Annotated[
        Datum,
        ranged("J/(kg K)", "specific heat at 25 C; 0 for what is usual for its role", 0.0, 5000.0),
    ] = Datum(value=0.0, source="not stated")

    @model_validator(mode="before")
    @classmethod
    def _accept_bare_numbers(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        bare = {
            key: {"value": data[key]}
            for key in ("density_g_cm3", "specific_heat_j_kg_k")
            if isinstance(data.get(key), int | float)
        }
        return {**data, **bare}

    @model_validator(mode="after")
    def _numbers_in_range(self) -> "Ingredient":
        if not 0.5 <= self.density_g_cm3.value <= 25.0:
            raise ValueError(
                f"density_g_cm3 of {self.name!r} is {exact(self.density_g_cm3.value)}, "
                "but must be from 0.5 to 25"
            )
        heat = self.specific_heat_j_kg_k
        if not 0.0 <= heat.value <= 5000.0:
            raise ValueError(
                f"specific_heat_j_kg_k of {self.name!r} is {exact(heat.value)}, but must be from "
                "0 to 5000"
            )
        return self


class Part(Table):
    """One line of a recipe."""

    ingredient: Ingredient = Field(description="the ingredient's card")
    phr: float = numeric("phr", "parts by mass per hundred parts of base rubber", 0.0, 1000.0)


class Recipe(Table):
    """A compound: each ingredient once, the base rubbers together 100 parts."""

    name: Name = Field("unnamed recipe", min_length=1, max_length=120, description="its name")
    part: tuple[Part, ...] = Field(min_length=1, max_length=30, description="the lines")

    @model_validator(mode="after")
    def _base_is_a_hundred(self) -> "Recipe":
        refuse_twice((part.ingredient for part in self.part), "ingredient")
        base = sum(part.phr for part in self.part if part.ingredient.role == "base rubber")
        if abs(base - 100.0) > _HUNDRED:
            remedy = (
                f"multiply every phr by {100.0 / base:.5g}"
                if base > 0.0
                else "give one part an ingredient that is a base rubber"
            )
            said = f"part: the base rubbers add up to {exact(base)} phr, but must be 100; {remedy}"
            raise PlacedError(said, "part")
        return self

    @property
    def total_phr(self) -> float:
        """Sum of all parts."""
        return sum(part.phr for part in self.part)

    def phr(self, role: IngredientRole) -> float:
        """Sum of the active parts of a role, without a peroxide's carrier."""
        return sum(
            part.phr * part.ingredient.active_percent / 100.0
            for part in self.part
            if part.ingredient.role == role
        )


def density(recipe: Recipe) -> float:
    """Density of the mixed compound, g/cm3, by the rule of mixtures.

    1 / rho = sum w_i / rho_i with mass shares w_i: exact when volumes add. Curing makes it
    slightly denser (the co-agent polymerises; under 1 %, from memory): weigh a cured core in air
    and water to measure it.
    """
    return recipe.total_phr / sum(p.phr / p.ingredient.density_g_cm3.value for p in recipe.part)


def filler_for_density(
    recipe: Recipe, filler: str, target_g_cm3: float, most_phr: float = 100.0
) -> Recipe:
    """Return the recipe with the filler adjusted to a target density.

    With the other lines' mass m and volume v, the filler's density f and the target t:
    (m + x) / (v + x / f) = t, so x = (t v - m) / (1 - t / f).

    Parameters
    ----------
    recipe : Recipe
        With a line of the filler, at any parts.
    filler : str
        The line's ingredient.
    target_g_cm3 : float
        For example a layer's density.
    most_phr : float
        Largest loading that can be mixed, phr.

    Raises
    ------
    InputError
        If the recipe has no such line, or no loading from 0 to `most_phr` reaches the target; the
        message has the reachable range.
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

    Parameters
    ----------
    recipe : Recipe
        The recipe to change.
    ingredient : str
        Name of one of its lines.
    phr : float
        Parts per hundred of rubber, by mass.

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


def with_active(recipe: Recipe, role: IngredientRole, phr: float) -> Recipe:
    """Return the recipe with the one line of a role set to so many active parts.

    Parameters
    ----------
    recipe : Recipe
        The recipe to change.
    role : str
        Co-agent or peroxide.
    phr : float
        Active parts, without a carrier.

    Raises
    ------
    InputError
        If the recipe has not one line of the role, or the parts are out of range.
    """
    lines = [part.ingredient for part in recipe.part if part.ingredient.role == role]
    if len(lines) != 1:
        raise InputError(
            f"{recipe.name} has {len(lines)} lines of {role}, but must have one to set its parts."
        )
    return with_phr(recipe, lines[0].name, phr * 100.0 / lines[0].active_percent)


def recipe_toml(recipe: Recipe) -> str:
    """Write a recipe as TOML with the cards of its ingredients, so that it needs no others."""
    lines = [f"name = {toml_value(recipe.name)}"]
    for part in recipe.part:
        name = toml_value(part.ingredient.name)
        lines += ["", "[[part]]", f"ingredient = {name}", f"phr = {toml_value(part.phr)}"]
    for part in recipe.part:
        card = part.ingredient.model_dump(mode="json", exclude_defaults=True)
        lines += ["", "[[ingredient]]", *(f"{k} = {toml_value(v)}" for k, v in card.items())]
    return "\n".join(lines) + "\n"


class IngredientCards(Cards[Ingredient]):
    """A set of ingredient cards, each name once."""

    kind = "ingredient"
    place = "cards"

    ingredient: tuple[Ingredient, ...] = Field(description="the cards")


@cache
def default_ingredients() -> IngredientCards:
    """Return the cards that ship with orbwright; a recipe's own replace them."""
    return IngredientCards.shipped("layers.compound", "recipe.toml")


def recipe_from_table(table: Mapping[str, Any], cards: IngredientCards, what: str) -> Recipe:
    """Build a recipe from a parsed TOML table whose parts name their ingredients.

    Parameters
    ----------
    table : mapping
        ``name``; ``[[part]]`` with ``ingredient`` (a name) and ``phr``; optional ``[[ingredient]]``
        cards of its own, which replace shipped ones of the same name.
    cards : IngredientCards
        Cards of the named ingredients.
    what : str
        The table's name, for messages.

    Raises
    ------
    InputError
        On an unknown field or ingredient, or a value out of range.
    """
    table = dict(table)
    faults: list[Fault] = []
    known = (*Recipe.model_fields, *Part.model_fields, *Ingredient.model_fields)
    try:
        own = IngredientCards.model_validate({"ingredient": table.pop("ingredient", [])})
        joined = cards.joined(own.ingredient)
        rows = table.get("part")
        if isinstance(rows, list):
            table["part"] = [
                with_card(row, "ingredient", joined, ("part", i), faults)
                if isinstance(row, dict) and isinstance(row.get("ingredient"), str)
                else row
                for i, row in enumerate(rows)
            ]
        recipe = Recipe.model_validate(table)
    except ValidationError as error:
        raise faulty(
            [*faults, *explain(error, what, known, (Recipe, IngredientCards)).faults], what
        ) from error
    if faults:
        raise faulty(faults, what)
    return recipe


def read_recipe(path: StrPath) -> Recipe:
    """Read a recipe from a TOML file; see `recipe_from_table` for its keys.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a recipe.
    """
    return read_toml(
        path, lambda table, what: recipe_from_table(table, default_ingredients(), what)
    )
