"""The conditions of launch and flight as a scenario's file states them: ``[conditions]``."""

from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, model_validator

from layers.conditions import Conditions
from layers.errors import Fault, faulty
from layers.files.explain import shown_value
from layers.files.fields import Table, numeric
from layers.files.toml import told_by_name
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


class ConditionsTable(Table):
    """Who strikes, through which air, under which aerodynamic law. Files are read in."""

    swings: SwingTable | None = Field(
        None, description="file of swings, in place of the shipped ones"
    )
    aerodynamics: str | None = Field(None, description="name of a published law of drag and lift")
    aerodynamics_table: tuple[tuple[_Reynolds, _SpinRatio, _Drag, _Lift], ...] | None = Field(
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

    @model_validator(mode="after")
    def _one_law_that_is_known(self) -> "ConditionsTable":
        if self.aerodynamics is None:
            return self
        if self.aerodynamics_table is not None:
            raise ValueError("give aerodynamics or aerodynamics_table, not both")
        find_law(self.aerodynamics)
        return self

    def words(self) -> str:
        """Summarise in a line; of what is as shipped, the weather only."""
        parts = [
            f"{self.temperature_c:g} C, {self.sea_level_pressure_hpa:g} hPa at sea level, "
            f"{self.relative_humidity_percent:g} % humidity, {self.altitude_m:g} m of altitude"
        ]
        if any(self.wind_m_s):
            parts.append("wind {:g} m/s along, {:g} up, {:g} to the right".format(*self.wind_m_s))
        if self.swings:
            parts.append(f"{len(self.swings.swing)} swings of its own")
        if self.aerodynamics:
            parts.append(f"drag and lift by {self.aerodynamics!r}")
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
        law: Law = find_law(self.aerodynamics) if self.aerodynamics else ferguson_2022
        if self.aerodynamics_table is not None:
            import numpy as np

            from layers.flight.aerotable import stitch

            law = stitch(np.array(self.aerodynamics_table), "aerodynamics_table")
        air = humid_air(
            self.temperature_c,
            self.sea_level_pressure_hpa,
            self.relative_humidity_percent,
            self.altitude_m,
        )
        return Conditions(self.swings or default_swings(), law, air, self.wind_m_s)


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
    from layers.files.csv import MOST_CSV_BYTES
    from layers.files.text import read_text
    from layers.flight.aero_file import rows_from_csv
    from layers.flight.aerotable import stitch

    read = dict(table)
    for name in TABLE_FILES:
        if name in table and not isinstance(table[name], str | _CONTENT[name]):
            said = f"conditions, {name} is {shown_value(table[name])}, but must be a file's name"
            raise faulty([Fault(("conditions", name), said)], what)
    if isinstance(table.get("swings"), str):
        with told_by_name(what, "conditions", "swings"):
            read["swings"] = read_swings(folder / table["swings"])
    if isinstance(table.get("aerodynamics_table"), str):
        path = folder / table["aerodynamics_table"]
        with told_by_name(what, "conditions", "aerodynamics_table"):
            rows = rows_from_csv(read_text(path, MOST_CSV_BYTES), path.name)
            stitch(rows, path.name)  # errors in the rows are reported now, with the file's name
        read["aerodynamics_table"] = [tuple(row) for row in rows.tolist()]
    return read
