"""The conditions of launch and flight as a scenario's file states them: ``[conditions]``."""

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError, model_validator

from layers.arrays import Precision
from layers.ball import MOST_NAME
from layers.conditions import Conditions, Weather
from layers.errors import Fault, faulty
from layers.files.explain import explain, shown_value
from layers.files.fields import Table, numeric
from layers.files.paths import StrPath
from layers.files.text import Name, read_text
from layers.files.toml import parse_toml, told_by_line, told_by_name
from layers.flight.aerodynamics import Law, ferguson_2022, find_law
from layers.flight.air import SEA_LEVEL_PRESSURE_HPA, humid_air
from layers.strike.swings import SwingTable, default_swings, read_swings
from optimize.lab.process import read_process

# Fields that hold a file's name until the scenario is read.
TABLE_FILES = ("swings", "aerodynamics_table")
_CONTENT: dict[str, type] = {"swings": dict, "aerodynamics_table": list}


_Wind = Annotated[float, Field(ge=-40.0, le=40.0)]
_Reynolds = Annotated[float, Field(ge=1e4, le=1e6)]
_SpinRatio = Annotated[float, Field(ge=0.0, le=3.0)]
_Drag = Annotated[float, Field(ge=0.05, le=1.5)]
_Lift = Annotated[float, Field(ge=-0.5, le=1.5)]
_Error = Annotated[float, Field(ge=0.0, le=1.0)]
# With standard errors of drag and lift where the file has them.
_Row = (
    tuple[_Reynolds, _SpinRatio, _Drag, _Lift]
    | tuple[_Reynolds, _SpinRatio, _Drag, _Lift, _Error, _Error]
)


class PatternTable(Table):
    """One dimple pattern to choose: a published law, or measured rows read in from a file."""

    name: Name = Field(min_length=1, max_length=MOST_NAME, description="name of the pattern")
    law: str | None = Field(None, description="name of a published law of drag and lift")
    rows: tuple[_Row, ...] | None = Field(
        None,
        max_length=500,
        description="Reynolds number, spin ratio, drag and lift coefficients, and the standard "
        "errors of these two where they are known",
        json_schema_extra={"unit": "1"},
    )

    @model_validator(mode="after")
    def _one_source(self) -> "PatternTable":
        if (self.law is None) == (self.rows is None):
            raise ValueError(f"pattern {self.name!r} needs a law or rows, one of them")
        if self.law is not None:
            find_law(self.law)
        return self

    def resolved(self, common_percent: float) -> Law:
        """Return drag and lift; `common_percent` is what all rows of the range have in common."""
        if self.law:
            return find_law(self.law)
        return _law_of(self.rows or (), common_percent, self.name)


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


@lru_cache(maxsize=16)
def _law_of(rows: tuple[tuple[float, ...], ...], common_percent: float, what: str) -> Law:
    """Lay a surface through measured rows: one that knows its error where the rows have theirs."""
    import numpy as np

    if all(len(row) == 6 for row in rows):
        from layers.range.surface import Rows, fit_surface

        return fit_surface(Rows(*np.array(rows).T), common_percent / 100.0, what)
    from layers.flight.aerotable import stitch

    return stitch(np.array([row[:4] for row in rows]), what)


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
        "ratio, drag and lift coefficients, and the standard errors of these two where known",
        json_schema_extra={"unit": "1"},
    )
    range_error_percent: float = numeric(
        "%",
        "standard deviation of what all measured drag and lift have in common, such as the air's "
        "density on the range day; counts where the rows have standard errors",
        0.0,
        10.0,
        0.0,
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
    precision: Precision = Field(
        "single", description="of impacts: double takes half as long again"
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
        if self.precision != "single":
            parts.append(f"{self.precision} precision")
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
            patterns = {
                one.name: one.resolved(self.range_error_percent) for one in self.aerodynamics
            }
            law = next(iter(patterns.values()))
        elif self.aerodynamics_table is not None:
            law = _law_of(self.aerodynamics_table, self.range_error_percent, "aerodynamics_table")
        weathers = {one.name: self._weather(one) for one in self.swing}
        everywhere = self._weather(None)
        return Conditions(
            self.swings or default_swings(),
            law,
            everywhere.air,
            everywhere.wind,
            by_swing=weathers,
            patterns=patterns,
            precision=self.precision,
        )

    def _weather(self, own: SwingWeather | None) -> Weather:
        """Return air and wind, with a swing's own where it has some."""
        said = {key: getattr(self, key) for key in _WEATHER}
        wind = self.wind_m_s
        if own is not None:
            said |= own._own()
            wind = own.wind_m_s or wind
        return Weather(humid_air(*said.values()), wind)


def in_precision(table: ConditionsTable | None, precision: Precision) -> ConditionsTable | None:
    """Return a scenario's conditions with impacts computed in a precision.

    Parameters
    ----------
    table : ConditionsTable or None
        None for the shipped ones.
    precision : {"single", "double"}
    """
    found = table or ConditionsTable()
    if found.precision == precision:
        return table
    return found.model_copy(update={"precision": precision})


def read_conditions(path: StrPath, swings: SwingTable | None = None) -> ConditionsTable:
    """Read a file that has the keys of a scenario's ``[conditions]``, or that table alone of more.

    Parameters
    ----------
    path : str or path
        The TOML file; files that it names are relative to it.
    swings : SwingTable, optional
        In place of its own.

    Raises
    ------
    InputError
        If it cannot be read, or a key or value is not allowed.
    """
    path = Path(path)
    text = read_text(path)
    table = parse_toml(text, path.name)
    own = table["conditions"] if isinstance(table.get("conditions"), dict) else table
    with told_by_line(text, path.name):
        read = with_files_read(own, path.parent, path.name)
        if swings is not None:
            read["swings"] = swings
        try:
            return ConditionsTable.model_validate(read)
        except ValidationError as error:
            raise explain(error, path.name, tuple(ConditionsTable.model_fields)) from error


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
            said = f"conditions, {name} is {shown_value(table[name])}, but must be a file's name"
            raise faulty([Fault(("conditions", name), said)], what)
    if isinstance(table.get("swings"), str):
        with told_by_name(what, "conditions", "swings"):
            read["swings"] = read_swings(folder / table["swings"])
    if isinstance(table.get("aerodynamics_table"), str):
        with told_by_name(what, "conditions", "aerodynamics_table"):
            read["aerodynamics_table"] = _rows_read(folder / table["aerodynamics_table"])
    if isinstance(table.get("aerodynamics"), list):
        with told_by_name(what, "conditions", "aerodynamics"):
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
    import numpy as np

    from layers.range.rows_file import read_rows

    found = read_rows(path).rows
    columns = [found.reynolds, found.spin_ratio, found.drag, found.lift]
    if (found.drag_error > 0.0).any() or (found.lift_error > 0.0).any():
        columns += [found.drag_error, found.lift_error]
    rows = [tuple(row) for row in np.column_stack(columns).tolist()]
    _law_of(tuple(rows), 0.0, path.name)
    return rows


def process_read(named: Any, folder: Path, what: str) -> Any:
    """Read the process whose file a scenario names; one that stands in the scenario is its own.

    Parameters
    ----------
    named : object
        The raw ``[process]`` of a scenario.
    folder : Path
        Folder that the name is relative to.
    what : str
        The scenario's name, for messages.

    Raises
    ------
    InputError
        If the file cannot be read or used.
    """
    if not isinstance(named, dict) or "file" not in named:
        return named
    if set(named) != {"file"} or not isinstance(named["file"], str):
        told = "process: file must be the name of a process file, and stand alone"
        raise faulty([Fault(("process", "file"), told)], what)
    with told_by_name(what, "process", "file"):
        return read_process(folder / named["file"])
