"""Cards of peroxides and co-agents, and the law by which a peroxide decomposes."""

import math
from collections.abc import Mapping
from functools import cache
from typing import Any, Self, cast

from pydantic import Field, ValidationError, model_validator

from layers.errors import exact, refuse_twice
from layers.files.cards import shipped_toml
from layers.files.explain import explain
from layers.files.fields import Table, numeric, ranged
from layers.files.paths import StrPath
from layers.files.text import Name
from layers.files.toml import read_toml
from layers.materials import Datum

GAS_CONSTANT = 8.31446  # J/(mol K), CODATA
KELVIN = 273.15


class _Card(Table):
    """Numbers with their sources, each within the range that its field states; may be bare."""

    name: Name = Field(min_length=1, max_length=80, description="general chemical name")

    @model_validator(mode="before")
    @classmethod
    def _accept_bare_numbers(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        bare = {
            key: {"value": data[key]}
            for key, field in cls.model_fields.items()
            if field.annotation is Datum and isinstance(data.get(key), int | float)
        }
        return {**data, **bare}

    @model_validator(mode="after")
    def _in_range(self) -> Self:
        for key, field in type(self).model_fields.items():
            datum, extra = getattr(self, key), field.json_schema_extra
            if not isinstance(datum, Datum) or not isinstance(extra, dict):
                continue
            low, high = cast(list[float], extra["range"])
            if not low <= datum.value <= high:
                raise ValueError(
                    f"{key} of {self.name!r} is {exact(datum.value)}, but must be from {low:g} to "
                    f"{high:g}"
                )
        return self


class Peroxide(_Card):
    """A peroxide: half-life at one temperature, and how the temperature changes it."""

    half_life_minutes: float = numeric("min", "time in which half of it decomposes", 0.01, 6000.0)
    half_life_celsius: Datum = ranged("deg C", "at this temperature", 20.0, 300.0)
    activation_energy_kj_mol: Datum = ranged(
        "kJ/mol", "activation energy of its decomposition", 80.0, 220.0
    )
    molar_mass_g_mol: Datum = ranged("g/mol", "molar mass of the pure substance", 50.0, 1000.0)
    groups: int = numeric("1", "peroxide groups in a molecule", 1, 4)
    storage_celsius: Datum = ranged(
        "deg C", "store below; the data sheet of the lot goes before it", -40.0, 60.0
    )


class Coagent(_Card):
    """A co-agent: what polymerises in the rubber, and the heat that it gives off."""

    molar_mass_g_mol: Datum = ranged("g/mol", "molar mass", 50.0, 2000.0)
    double_bonds: int = numeric("1", "double bonds in a molecule that polymerise", 1, 6)
    heat_kj_mol: Datum = ranged("kJ/mol", "heat of polymerisation of a double bond", 20.0, 120.0)


class Chemistry(Table):
    """Peroxides and co-agents, each name once."""

    peroxide: tuple[Peroxide, ...] = Field((), description="their cards")
    coagent: tuple[Coagent, ...] = Field((), description="their cards")

    @model_validator(mode="after")
    def _names_are_unique(self) -> "Chemistry":
        refuse_twice(self.peroxide, "peroxide")
        refuse_twice(self.coagent, "co-agent")
        return self

    def joined(self, own: "Chemistry") -> "Chemistry":
        """Return these cards with others added; one of the same name replaces ours."""

        def both(ours: tuple[Any, ...], theirs: tuple[Any, ...]) -> tuple[Any, ...]:
            names = {card.name for card in theirs}
            return (*(card for card in ours if card.name not in names), *theirs)

        return Chemistry(
            peroxide=both(self.peroxide, own.peroxide), coagent=both(self.coagent, own.coagent)
        )


@cache
def default_chemistry() -> Chemistry:
    """Return the cards that ship with orbwright, `chemistry.toml`."""
    return Chemistry.model_validate(shipped_toml("layers.cure", "chemistry.toml"))


def chemistry_from_table(table: Mapping[str, Any], what: str) -> Chemistry:
    """Read cards from a parsed TOML table of ``[[peroxide]]`` and ``[[coagent]]``.

    Raises
    ------
    InputError
        On an unknown key, a name that stands twice or a value out of range.
    """
    try:
        return Chemistry.model_validate(dict(table))
    except ValidationError as error:
        known = (*Chemistry.model_fields, *Peroxide.model_fields, *Coagent.model_fields)
        raise explain(error, what, known) from error


def read_chemistry(path: StrPath) -> Chemistry:
    """Read the lab's own cards from a TOML file; they join the shipped ones.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or at fault.
    """
    return default_chemistry().joined(read_toml(path, chemistry_from_table))


def celsius_of_half_life(card: Peroxide, minutes: float) -> float:
    """Temperature at which half of a peroxide decomposes in a time, degrees Celsius.

    Parameters
    ----------
    card : Peroxide
        The peroxide.
    minutes : float
        The half-life.

    Examples
    --------
    >>> from layers.cure.chemistry import default_chemistry
    >>> round(celsius_of_half_life(default_chemistry().peroxide[0], 600.0), 1)
    113.1
    """
    energy = 1e3 * card.activation_energy_kj_mol.value
    longer = math.log(minutes / card.half_life_minutes)
    anchor = card.half_life_celsius.value + KELVIN
    return 1.0 / (1.0 / anchor + GAS_CONSTANT * longer / energy) - KELVIN


def decomposition_rate(card: Peroxide, celsius: float) -> float:
    """First-order rate constant of a peroxide's decomposition, 1/s.

    k = ln 2 / t_half exp(-E/R (1/T - 1/T_half)): anchored on a measured half-life, so that an error
    of the activation energy E counts only with the distance from it. A mean pre-exponential factor
    with a mean E would be wrong by orders of magnitude, since the two are correlated.

    Parameters
    ----------
    card : Peroxide
        The peroxide.
    celsius : float
        Temperature, degrees Celsius.

    Examples
    --------
    >>> from layers.cure.chemistry import default_chemistry
    >>> dicumyl = default_chemistry().peroxide[0]
    >>> [round(math.log(2) / decomposition_rate(dicumyl, c) / 60, 1) for c in (173, 160, 113)]
    [1.0, 3.4, 607.1]
    """
    anchor = card.half_life_celsius.value + KELVIN
    energy = 1e3 * card.activation_energy_kj_mol.value
    at_anchor = math.log(2.0) / (60.0 * card.half_life_minutes)
    return at_anchor * math.exp(-energy / GAS_CONSTANT * (1.0 / (celsius + KELVIN) - 1.0 / anchor))
