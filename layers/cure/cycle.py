"""The press cycle: what the stock has been through, platen steps and ramps, cooling; from TOML."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import Field, ValidationError

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.files.explain import explain
from layers.files.fields import Table, numeric
from layers.files.paths import StrPath
from layers.files.text import Name, Text
from layers.files.toml import read_toml, toml_value


class Hold(Table):
    """A time that the whole stock spends at one temperature before it is in the mould."""

    celsius: float = numeric("deg C", "temperature of the stock", -20.0, 200.0)
    minutes: float = numeric("min", "for so long", 0.0, 100_000.0)


class Step(Table):
    """A time in the press; a two-step cycle is one more row."""

    platen_celsius: float = numeric("deg C", "platen temperature, at the step's end", 20.0, 240.0)
    minutes: float = numeric("min", "for so long", 0.01, 240.0)
    ramp: bool = Field(
        False, description="whether the platen goes there evenly from the step before, not at once"
    )


class Cycle(Table):
    """A press cycle."""

    name: Name = Field("unnamed cycle", min_length=1, max_length=120, description="its name")
    preform_celsius: float = numeric(
        "deg C", "temperature of the preform as it goes into the mould", -20.0, 150.0, 25.0
    )
    open_minutes: float = numeric(
        "min", "time in the hot mould before it is closed to full load", 0.0, 60.0, 0.25
    )
    contact_w_m2_k: float = numeric(
        "W/(m2 K)", "heat transfer from platen to stock, through mould and contact", 5.0, 1e5, 1000
    )
    before: tuple[Hold, ...] = Field(
        (), max_length=20, description="what the mixed stock goes through first, in order"
    )
    step: tuple[Step, ...] = Field(
        min_length=1, max_length=20, description="in the press, in order"
    )
    cooling_celsius: float = numeric("deg C", "air or water after demoulding", -20.0, 60.0, 20.0)
    cooling_minutes: float = numeric("min", "followed for so long", 0.0, 600.0, 45.0)
    cooling_w_m2_k: float = numeric(
        "W/(m2 K)", "heat transfer: still air some 12, water above 300", 1.0, 1e4, 12.0
    )
    source: Text = Field(
        "heat transfer, preform and times before closing: defaults, from memory",
        max_length=200,
        description="source of the numbers",
    )

    @property
    def minutes(self) -> float:
        """Time in the press, min."""
        return sum(step.minutes for step in self.step)


@dataclass(frozen=True)
class Legs:
    """A cycle in pieces over each of which the temperature outside runs straight.

    Attributes
    ----------
    end : (k,) array
        Time at the end of each, s, from the preform's going into the mould.
    first, last : (k,) array
        Temperature outside at its start and its end, degrees Celsius.
    transfer : (k,) array
        Heat transfer coefficient, W/(m2 K).
    closed, demoulded : float
        When the mould is closed and when the piece leaves it, s.
    """

    end: FloatArray
    first: FloatArray
    last: FloatArray
    transfer: FloatArray
    closed: float
    demoulded: float


def one_step(platen_celsius: float, minutes: float) -> Cycle:
    """Return the cycle of one platen temperature, the rest by default.

    Raises
    ------
    InputError
        If a number is out of range.
    """
    row = {"platen_celsius": platen_celsius, "minutes": minutes}
    name = f"{platen_celsius:g} C for {minutes:g} min"
    return cycle_from_table({"name": name, "step": [row]}, "the cycle")


def legs_of(cycle: Cycle) -> Legs:
    """Cut a cycle into its legs, the cooling last.

    Raises
    ------
    InputError
        If the mould is closed later than the cycle ends.
    """
    if cycle.open_minutes >= cycle.minutes:
        raise InputError(
            f"open_minutes of {cycle.name} is {cycle.open_minutes:g}, but must be below the "
            f"{cycle.minutes:g} min in the press."
        )
    before = [cycle.preform_celsius, *(step.platen_celsius for step in cycle.step)]
    rows = [
        (
            60.0 * s.minutes,
            b if s.ramp else s.platen_celsius,
            s.platen_celsius,
            cycle.contact_w_m2_k,
        )
        for s, b in zip(cycle.step, before, strict=False)
    ]
    if cycle.cooling_minutes > 0.0:
        cold = cycle.cooling_celsius
        rows.append((60.0 * cycle.cooling_minutes, cold, cold, cycle.cooling_w_m2_k))
    length, first, last, transfer = np.array(rows).T
    return Legs(
        np.cumsum(length), first, last, transfer, 60.0 * cycle.open_minutes, 60.0 * cycle.minutes
    )


def cycle_from_table(table: Mapping[str, Any], what: str) -> Cycle:
    """Read a cycle from a parsed TOML table of ``[[step]]`` rows; see `Cycle`.

    Raises
    ------
    InputError
        On an unknown key or a value out of range.
    """
    try:
        return Cycle.model_validate(dict(table))
    except ValidationError as error:
        known = (*Cycle.model_fields, *Step.model_fields, *Hold.model_fields)
        raise explain(error, what, known) from error


def cycle_toml(cycle: Cycle) -> str:
    """Write a cycle as TOML."""
    table = cycle.model_dump(mode="json")
    rows = {key: table.pop(key) for key in ("before", "step")}
    lines = [f"{key} = {toml_value(value)}" for key, value in table.items()]
    for key, of_it in rows.items():
        for row in of_it:
            lines += ["", f"[[{key}]]", *(f"{k} = {toml_value(v)}" for k, v in row.items())]
    return "\n".join(lines) + "\n"


def read_cycle(path: StrPath) -> Cycle:
    """Read a cycle from a TOML file.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a cycle.
    """
    cycle = read_toml(path, cycle_from_table)
    legs_of(cycle)
    return cycle
