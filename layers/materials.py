"""Material cards: what a layer is made of, each number with its source and grade.

A material is quasi-static linear elasticity (Young's modulus, Poisson's ratio), a density, a
friction coefficient against a club face, and a linear-viscoelastic deviatoric part: the factor by
which the material is stiffer within a millisecond than over a minute (``dynamic_modulus_ratio``)
and relaxation pairs on the time scale of an impact.
"""

import math
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, Literal, cast

from pydantic import Field, model_validator

from layers.errors import exact
from layers.families import families
from layers.files.cards import Cards
from layers.files.explain import shown_value
from layers.files.fields import Table, numeric, ranged
from layers.files.other_units import unit_hint
from layers.files.text import Name, Text
from layers.hardness import HARDNESS_SCATTER, SCALES, Scale, modulus_from_hardness

Grade = Literal[
    "measured",
    "handbook",
    "published example",
    "common practice",
    "from memory",
    "invented",
    "unstated",
]

# A name with a word of grade ('soft') holds for a modulus within this share of the card's own.
NAME_HOLDS = 0.1


class Datum(Table):
    """One number of a card with where it comes from."""

    value: float = numeric("the key's", "the number, in the unit that its key says", -1e9, 1e9)
    source: Text = Field("not stated", description="where the number comes from")
    grade: Grade = Field("unstated", description="how far the number can be trusted")


class RelaxationPair(Table):
    """One decaying part of the shear modulus: G(t) = G_dynamic (1 + sum strength exp(-t/time))."""

    strength: float = numeric("1", "decaying modulus over the dynamic modulus", 0.0, 50.0)
    time_us: float = numeric("us", "time in which this part falls to 1/e", 0.5, 1e5)


class Material(Table):
    """A material card. Numbers may be given bare; they are then graded ``unstated``."""

    name: Name = Field(min_length=1, max_length=80, description="what the lab calls it")
    family: Literal["rubber", "ionomer", "urethane", "other"] = Field(
        "other", description="what its cautions and steps of making go by"
    )
    youngs_modulus_mpa: Annotated[
        Datum, ranged("MPa", "quasi-static Young's modulus at small strain", 0.5, 3000.0)
    ]
    poisson_ratio: Annotated[
        Datum, ranged("1", "Poisson's ratio; up to 0.495, near-incompressible", 0.0, 0.495)
    ]
    density_g_cm3: Annotated[Datum, ranged("g/cm3", "density of the filled compound", 0.4, 12.0)]
    dynamic_modulus_ratio: Annotated[
        Datum,
        ranged(
            "1", "modulus within an impact over the quasi-static one; else the family's", 1.0, 5.0
        ),
    ] = Datum(value=1.0, source="assumed: none known")
    friction: Annotated[
        Datum,
        ranged(
            "1", "Coulomb friction of a cover against a dry club face; else the family's", 0.0, 2.0
        ),
    ] = Datum(value=0.4, source="assumed: none known")
    friction_wet: Annotated[
        Datum,
        ranged(
            "1", "Coulomb friction of a cover against a wet club face; else the family's", 0.0, 2.0
        ),
    ] = Datum(value=0.25, source="assumed: none known")
    friction_half_speed_m_s: Annotated[
        Datum,
        ranged("m/s", "speed of sliding at which friction is halved; else the family's", 1.0, 1e6),
    ] = Datum(value=1e6, source="assumed: none known, friction does not fall")
    relaxation: tuple[RelaxationPair, ...] = Field(
        (),
        max_length=4,
        description="decaying parts of the dynamic shear modulus; else the family's",
    )
    relaxation_source: Text = Field(
        "not stated", description="where the relaxation pairs come from"
    )
    relaxation_grade: Grade = Field("unstated", description="how far the pairs can be trusted")
    price_per_kg: Annotated[
        Datum,
        ranged("currency", "price of a kilogram of the compound; 0 if not known", 0.0, 1e6),
    ] = Datum(value=0.0, source="not stated")
    currency: Name = Field(
        "", max_length=12, description="currency of the price, such as its ISO 4217 code"
    )
    from_family: tuple[str, ...] = Field(
        (), description="fields that the card did not state and its family gave"
    )
    named_at_mpa: float = numeric(
        "MPa", "Young's modulus that the name was given for; 0 if not known", 0.0, 1e6, 0.0
    )

    @model_validator(mode="before")
    @classmethod
    def _accept_bare_numbers_and_hardness(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        card = dict(data)
        for key, scale in HARDNESS_KEYS.items():
            if key in card:
                if "youngs_modulus_mpa" in card:
                    raise ValueError(f"give youngs_modulus_mpa or {key}, not both")
                card["youngs_modulus_mpa"] = modulus_datum(scale, card.pop(key), key)
        for field in numeric_fields():
            value = card.get(field)
            if isinstance(value, int | float) and not isinstance(value, bool):
                card[field] = {"value": value}
        return _completed(card)

    @model_validator(mode="after")
    def _check_ranges(self) -> "Material":
        for field, (low, high) in numeric_fields().items():
            value = getattr(self, field).value
            if not low <= value <= high:
                extra = cast(dict[str, Any], type(self).model_fields[field].json_schema_extra)
                hint = unit_hint(value, extra["unit"], low, high)
                raise ValueError(
                    f"{field} of material {self.name!r} is {exact(value)}, "
                    f"but must be from {low:g} to {high:g}{hint}"
                )
        return self

    def with_values(self, source: str, **values: float | Mapping[str, Any]) -> "Material":
        """Return the card with some numbers replaced, their source said.

        Parameters
        ----------
        source : str
            Where the new numbers come from.
        **values : float or mapping
            Field names of the card and their new numbers, in the unit each name says; or ``value``,
            ``source`` and ``grade`` where a number has its own.

        Returns
        -------
        Material
            A new, validated card.
        """
        card = self.model_dump()
        if "youngs_modulus_mpa" in values:  # what the family gave follows the modulus
            for field in card.pop("from_family"):
                del card[field]
        for field, value in values.items():
            own = isinstance(value, Mapping)
            card[field] = value if own else {"value": value, "source": source, "grade": "unstated"}
        return Material.model_validate(card)

    def __repr__(self) -> str:
        """Return the card in a line, without the sources."""
        return (
            f"Material({self.name!r}, E {self.youngs_modulus_mpa.value:g} MPa, "
            f"{self.density_g_cm3.value:g} g/cm3)"
        )

    __str__ = __repr__

    @property
    def label(self) -> str:
        """Name for a reader: without its word of grade once the modulus is another.

        'core rubber, soft' is 'core rubber' where a search has made it twice as stiff.
        """
        named = self.named_at_mpa or self.youngs_modulus_mpa.value  # not known: as it is
        same = abs(self.youngs_modulus_mpa.value / named - 1.0) <= NAME_HOLDS
        return self.name if same else self.name.split(",")[0]

    @property
    def shear_modulus_pa(self) -> float:
        """Quasi-static shear modulus G = E / 2(1 + nu), Pa."""
        return self.youngs_modulus_mpa.value * 1e6 / (2.0 * (1.0 + self.poisson_ratio.value))

    @property
    def bulk_modulus_pa(self) -> float:
        """Bulk modulus K = E / 3(1 - 2 nu), Pa."""
        return self.youngs_modulus_mpa.value * 1e6 / (3.0 * (1.0 - 2.0 * self.poisson_ratio.value))


@cache
def numeric_fields() -> dict[str, tuple[float, float]]:
    """List the numeric fields of a card with their allowed ranges.

    Returns
    -------
    dict of str to (float, float)
        Lowest and highest allowed value, in the unit that the field's name says.
    """
    ranges = {}
    for name, field in Material.model_fields.items():
        extra = field.json_schema_extra
        if isinstance(extra, dict) and "range" in extra:
            low, high = cast(list[float], extra["range"])
            ranges[name] = (low, high)
    return ranges


def _completed(card: dict[str, Any]) -> dict[str, Any]:
    """Fill in what a card leaves to its family, and note which fields those are."""
    modulus = card.get("youngs_modulus_mpa")
    value = modulus.get("value") if isinstance(modulus, Mapping) else getattr(modulus, "value", 0.0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not value > 0.0:
        return card  # refused by the field's own check
    card.setdefault("named_at_mpa", value)
    family = families().get(str(card.get("family")))
    if family is not None:
        given = family.fields(value)
        if "relaxation" in card:
            given = {k: v for k, v in given.items() if not k.startswith("relaxation")}
        filled = {k: v for k, v in given.items() if k not in card}
        card |= filled
        card["from_family"] = (*card.get("from_family", ()), *filled)
    return card


def _number(value: Any, field: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{field} is {shown_value(value)}, but must be a finite number")
    return float(value)


def modulus_datum(scale: Scale, hardness: Any, key: str) -> dict[str, Any]:
    """Return the modulus of a hardness with how it was found, as the number of a card.

    Parameters
    ----------
    scale : Scale
        Of the hardness.
    hardness : float or mapping
        Points; or ``value`` with ``source`` and ``grade``, which the modulus carries on in words.
    key : str
        The field's name, for messages.

    Raises
    ------
    ValueError
        If it is no number in the scale's range.
    """
    given = hardness if isinstance(hardness, Mapping) else {"value": hardness}
    datum = Datum.model_validate({**given, "value": _number(given.get("value"), key)})
    carried = "" if datum.grade == "unstated" else f", {datum.grade}"
    carried += "" if datum.source == "not stated" else f" ({datum.source})"
    return {
        "value": modulus_from_hardness(scale.name, datum.value),
        "source": f"{scale.label} {datum.value:g}{carried} by {scale.source}; "
        f"scatter +-{HARDNESS_SCATTER:.0%}".replace("%", " %"),
        "grade": "published example",
    }


# Keys that give a hardness in place of a modulus; those with the longer names are older.
HARDNESS_KEYS = {scale.key: scale for scale in SCALES}
HARDNESS_KEYS |= {f"hardness_{key}": HARDNESS_KEYS[key] for key in ("shore_a", "shore_d")}


class Catalogue(Cards[Material]):
    """A set of material cards, each name once."""

    kind = "material"
    place = "catalogue"

    material: tuple[Material, ...] = Field(min_length=1, description="the cards")


@cache
def default_catalogue() -> Catalogue:
    """Return the representative catalogue that ships with orbwright; the user's own replaces it."""
    return Catalogue.shipped("layers", "catalogue.toml")
