"""The conditions of launch and flight as a scenario's file states them: ``[conditions]``."""

from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, model_validator

from layers.ball import MOST_NAME
from layers.conditions import Conditions, Weather
from layers.errors import InputError
from layers.files.fields import Table, numeric
from layers.files.text import Name
from layers.flight.aerodynamics import Law, ferguson_2022, find_law
from layers.flight.air import SEA_LEVEL_PRESSURE_HPA, humid_air
from layers.strike.swings import SwingTable, default_swings, read_swings

# Fields that hold a file's name until the scenario is read.
TABLE_FILES = ("swings", "aerodynamics_table")
_CONTENT: dict[str, type] = {"swings": dict, "aerodynamics_table": list}


_Wind = Annotated[float, Field(ge=-40.0, le=40.0)]
_Reynolds = Annotated[float, Field(ge=1e4, le=1e6)]
_SpinRatio = Annotated[float, Field(ge=0.0, le=3.0)]
_Drag = Annotated[float, Field(ge=0.05, le=1.5)]
_Lift = Annotated[float, Field(ge=-0.5, le=1.5)]
_Row = tuple[_Reynolds, _SpinRatio, _Drag, _Lift]


class PatternTable(Table):
    """One dimple pattern to choose: a published law, or measured rows read in from a file."""

    name: Name = Field(min_length=1, max_length=MOST_NAME, description="name of the pattern")
    law: str | None = Field(None, description="name of a published law of drag and lift")
    rows: tuple[_Row, ...] | None = Field(
        None,
        max_length=500,
        description="Reynolds number, spin ratio, drag and lift coefficients",
        json_schema_extra={"unit": "1"},
    )

    @model_validator(mode="after")
    def _one_source(self) -> "PatternTable":
        if (self.law is None) == (self.rows is None):
            raise ValueError(f"pattern {self.name!r} needs a law or rows, one of them")
        if self.law is not None:
            find_law(self.law)
        return self

    def resolved(self) -> Law:
        """Return drag and lift."""
        return find_law(self.law) if self.law else _stitched(self.rows or (), self.name)


class SwingWeather(Table):
    """Air and wind of one swing's flights where they differ from the others'."""

    name: str = Field(description="name of the swing")
    temperature_c: float | None = numeric("C", "of the air", -20.0, 50.0, None)
    sea_level_pressure_hpa: float | None = numeric(
        "hPa", "as weather reports give it", 900.0, 1080.0, None
    )
    relative_humidity_percent: float | None = numeric("%", "of the air", 0.0, 100.0, None)
    altitude_m: float | None = numeric("m", "above sea level", -430.0, 4000.0, None)
    wind_m_s: tuple[_Wind, _Wind, _Wind] | None = Field(
        None,
        description="along the target line, up, to the right",
        json_schema_extra={"unit": "m/s"},
    )

    def words(self) -> str:
        """Say what differs."""
        parts = [f"{value:g} {_WEATHER[key]}" for key, value in self._own().items()]
        if self.wind_m_s is not None:
            parts.append(_wind_words(self.wind_m_s))
        return f"{self.name}: {', '.join(parts)}" if parts else f"{self.name}: as the others"

    def _own(self) -> dict[str, float]:
        return {key: v for key in _WEATHER if (v := getattr(self, key)) is not None}


_WEATHER = {
    "temperature_c": "C",
    "sea_level_pressure_hpa": "hPa at sea level",
    "relative_humidity_percent": "% humidity",
    "altitude_m": "m of altitude",
}


def _wind_words(wind: tuple[float, float, float]) -> str:
    return "wind {:g} m/s along, {:g} up, {:g} to the right".format(*wind)


def _stitched(rows: tuple[tuple[float, ...], ...], what: str) -> Law:
    import numpy as np

    from layers.flight.aerotable import stitch

    return stitch(np.array(rows), what)


class ConditionsTable(Table):
    """Who strikes, through which air, under which aerodynamic law. Files are read in."""

    swings: SwingTable | None = Field(
        None, description="file of swings, in place of the shipped ones"
    )
    aerodynamics: str | tuple[PatternTable, ...] | None = Field(
        None,
        description="name of a published law of drag and lift; or a list of dimple patterns that "
        "the search chooses from, each the file of its measured drag and lift, or a law's name",
    )
    aerodynamics_table: tuple[_Row, ...] | None = Field(
        None,
        max_length=500,
        description="file of measured drag and lift, in place of a law: Reynolds number, spin "
        "ratio, drag and lift coefficients",
        json_schema_extra={"unit": "1"},
    )
    temperature_c: float = numeric("C", "of the air", -20.0, 50.0, 20.0)
    sea_level_pressure_hpa: float = numeric(
        "hPa", "as weather reports give it", 900.0, 1080.0, SEA_LEVEL_PRESSURE_HPA
    )
    relative_humidity_percent: float = numeric("%", "of the air", 0.0, 100.0, 50.0)
    altitude_m: float = numeric("m", "above sea level", -430.0, 4000.0, 0.0)
    wind_m_s: tuple[_Wind, _Wind, _Wind] = Field(
        (0.0, 0.0, 0.0),
        description="along the target line, up, to the right",
        json_schema_extra={"unit": "m/s"},
    )
    swing: tuple[SwingWeather, ...] = Field(
        (), max_length=100, description="swings whose air or wind differ from the others'"
    )

    @model_validator(mode="after")
    def _one_law_that_is_known(self) -> "ConditionsTable":
        if self.aerodynamics is None:
            return self
        if self.aerodynamics_table is not None:
            raise ValueError("give aerodynamics or aerodynamics_table, not both")
        if isinstance(self.aerodynamics, str):
            find_law(self.aerodynamics)
            return self
        names = [pattern.name for pattern in self.aerodynamics]
        if not names:
            raise ValueError("aerodynamics is an empty list; name a dimple pattern or more")
        if len(set(names)) < len(names):
            twice = next(name for name in names if names.count(name) > 1)
            raise ValueError(f"two dimple patterns of aerodynamics are named {twice!r}")
        return self

    @model_validator(mode="after")
    def _swings_are_known(self) -> "ConditionsTable":
        table, names = self.swings or default_swings(), [one.name for one in self.swing]
        for name in names:
            table.find(name)
            if names.count(name) > 1:
                raise ValueError(f"the weather of swing {name!r} is given twice; give it once")
        return self

    @property
    def patterns(self) -> tuple[str, ...]:
        """Names of the dimple patterns to choose from; none where all builds have one law."""
        listed = self.aerodynamics
        return () if listed is None or isinstance(listed, str) else tuple(p.name for p in listed)

    def words(self) -> str:
        """Summarise in a line; of what is as shipped, the weather only."""
        parts = [
            f"{self.temperature_c:g} C, {self.sea_level_pressure_hpa:g} hPa at sea level, "
            f"{self.relative_humidity_percent:g} % humidity, {self.altitude_m:g} m of altitude"
        ]
        if any(self.wind_m_s):
            parts.append(_wind_words(self.wind_m_s))
        parts += [one.words() for one in self.swing]
        if self.swings:
            parts.append(f"{len(self.swings.swing)} swings of its own")
        if isinstance(self.aerodynamics, str):
            parts.append(f"drag and lift by {self.aerodynamics!r}")
        if self.patterns:
            parts.append(f"dimple patterns to choose: {', '.join(self.patterns)}")
        if self.aerodynamics_table:
            parts.append(f"drag and lift measured at {len(self.aerodynamics_table)} conditions")
        return "; ".join(parts)

    def resolved(self) -> Conditions:
        """Return the conditions in the form that estimates use.

        Raises
        ------
        InputError
            If no surface can be fitted to the measured rows.
        """
        law: Law = ferguson_2022
        patterns: dict[str, Law] = {}
        if isinstance(self.aerodynamics, str):
            law = find_law(self.aerodynamics)
        elif self.aerodynamics:
            patterns = {one.name: one.resolved() for one in self.aerodynamics}
            law = next(iter(patterns.values()))
        elif self.aerodynamics_table is not None:
            law = _stitched(self.aerodynamics_table, "aerodynamics_table")
        weathers = {one.name: self._weather(one) for one in self.swing}
        everywhere = self._weather(None)
        return Conditions(
            self.swings or default_swings(),
            law,
            everywhere.air,
            everywhere.wind,
            by_swing=weathers,
            patterns=patterns,
        )

    def _weather(self, own: SwingWeather | None) -> Weather:
        """Return air and wind, with a swing's own where it has some."""
        said = {key: getattr(self, key) for key in _WEATHER}
        wind = self.wind_m_s
        if own is not None:
            said |= own._own()
            wind = own.wind_m_s or wind
        return Weather(humid_air(*said.values()), wind)


def with_files_read(table: dict[str, Any], folder: Path, what: str) -> dict[str, Any]:
    """Replace each file's name by its content, so that the scenario needs no other file.

    A table in place of a name is such a content already, as `optimize.scenario.scenario_file`
    writes it.

    Parameters
    ----------
    table : dict
        The raw ``[conditions]`` of a scenario.
    folder : Path
        Folder that the names are relative to.
    what : str
        The scenario's name, for messages.

    Raises
    ------
    InputError
        If a name is no text, or its file cannot be read or used.
    """
    read = dict(table)
    for name in TABLE_FILES:
        if name in table and not isinstance(table[name], str | _CONTENT[name]):
            raise InputError(
                f"{what}: conditions, {name} is {table[name]!r}, but must be a file's name."
            )
    if isinstance(table.get("swings"), str):
        read["swings"] = read_swings(folder / table["swings"])
    if isinstance(table.get("aerodynamics_table"), str):
        read["aerodynamics_table"] = _rows_read(folder / table["aerodynamics_table"])
    if isinstance(table.get("aerodynamics"), list):
        read["aerodynamics"] = [
            _pattern_read(one, folder) if isinstance(one, str) else one
            for one in table["aerodynamics"]
        ]
    return read


def _pattern_read(named: str, folder: Path) -> dict[str, Any]:
    """Return the content of one entry of a list of patterns: a CSV file's name, or a law's."""
    if not named.lower().endswith(".csv"):
        return {"name": named, "law": named}
    return {"name": Path(named).stem, "rows": _rows_read(folder / named)}


def _rows_read(path: Path) -> list[tuple[float, ...]]:
    """Read measured rows; faults are reported now, with the file's name."""
    from layers.files.csv import MOST_CSV_BYTES
    from layers.files.text import read_text
    from layers.flight.aero_file import rows_from_csv
    from layers.flight.aerotable import stitch

    rows = rows_from_csv(read_text(path, MOST_CSV_BYTES), path.name)
    stitch(rows, path.name)
    return [tuple(row) for row in rows.tolist()]
