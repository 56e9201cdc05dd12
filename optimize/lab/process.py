"""How the lab makes a stage: allowances and tolerances of moulding, from TOML."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from layers.ball import Role
from layers.errors import explain
from layers.files.text import read_text
from layers.files.toml import parse_toml
from optimize.lab.scatter import LayerScatter, Scatter


def _number(unit: str, help_text: str, low: float, high: float, default: float) -> Any:
    return Field(default, ge=low, le=high, description=help_text, json_schema_extra={"unit": unit})


class LayerProcess(BaseModel):
    """Allowances and tolerances of one kind of layer.

    Shrinkage is linear, (cavity - part) / cavity, as ISO 294-4 defines it. Grinding stock is on the
    diameter. A tolerance is the half width of a window.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    flash_percent: float = _number("%", "surplus over the layer's mass in a charge", 0, 60, 8)
    shrinkage_percent: float = _number("%", "part below the cold cavity, linear", -1, 6, 2)
    grinding_stock_mm: float = _number("mm", "taken off the diameter by grinding", 0, 4, 0.5)
    diameter_tolerance_mm: float = _number("mm", "half window of the diameter", 0.005, 2, 0.05)
    mass_tolerance_g: float = _number("g", "half window of the stage's mass", 0.005, 5, 0.25)
    deflection_tolerance_mm: float = _number("mm", "half window, 98 to 1275 N", 0.01, 2, 0.15)
    inertia_tolerance_percent: float = _number("%", "half window of the inertia", 0.05, 20, 1.0)
    concentricity_tolerance_mm: float = _number("mm", "body inside off centre, at most", 0, 2, 0.2)
    cure_minutes: float | None = Field(
        None,
        gt=0,
        le=600,
        description="time in the mould; left blank on the sheet if not given",
        json_schema_extra={"unit": "min"},
    )
    cure_celsius: float | None = Field(
        None,
        gt=0,
        le=260,
        description="temperature of the mould; left blank on the sheet if not given",
        json_schema_extra={"unit": "deg C"},
    )


# Common practice, from memory: a start for a lab that has no figures of its own. Roles that are not
# named here take the plain defaults, which are those of a ground core.
_BY_ROLE: dict[str, dict[str, float]] = {
    "mantle": {"flash_percent": 4, "shrinkage_percent": 0.8, "grinding_stock_mm": 0.2},
    "cover": {
        "flash_percent": 6,
        "shrinkage_percent": 0.8,
        "grinding_stock_mm": 0,
        "diameter_tolerance_mm": 0.06,
    },
}


class Process(BaseModel):
    """The lab's process: one `LayerProcess` for each role, and how many pieces are made.

    A role's table may give some fields only; the others keep that role's defaults.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    core: LayerProcess = LayerProcess()
    inner_core: LayerProcess = LayerProcess()
    outer_core: LayerProcess = LayerProcess()
    mantle: LayerProcess = LayerProcess(**_BY_ROLE["mantle"])
    cover: LayerProcess = LayerProcess(**_BY_ROLE["cover"])
    pieces: int = Field(
        6,
        ge=1,
        le=12,
        description="pieces measured at each stage: blank columns of the sheet",
        json_schema_extra={"unit": "1"},
    )
    scatter: Scatter = Field(Scatter(), description="how pieces scatter, by role")
    source: str = Field(
        "defaults: common practice, from memory",
        max_length=200,
        description="where allowances and tolerances come from",
    )

    @model_validator(mode="before")
    @classmethod
    def _keep_the_roles_defaults(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        return {
            name: {**_BY_ROLE.get(name, {}), **value} if isinstance(value, Mapping) else value
            for name, value in data.items()
        }

    def of(self, role: Role) -> LayerProcess:
        """Return the process of a role."""
        return cast(LayerProcess, getattr(self, role.replace(" ", "_")))


def process_from_table(table: Mapping[str, Any], what: str) -> Process:
    """Build a process from a parsed TOML table, see `Process` and `LayerProcess`.

    Raises
    ------
    InputError
        On an unknown field or a value out of range.
    """
    given = dict(table)
    if given:
        given.setdefault("source", f"{what}; what it leaves out: common practice, from memory")
    try:
        return Process.model_validate(given)
    except ValidationError as error:
        known = (*Process.model_fields, *LayerProcess.model_fields, *LayerScatter.model_fields)
        raise explain(error, what, known) from error


def read_process(path: Path) -> Process:
    """Read a process from a TOML file.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a process.
    """
    table = parse_toml(read_text(path), path.name)
    return process_from_table(table, path.name)
