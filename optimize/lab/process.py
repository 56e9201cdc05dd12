"""The lab's moulding process: allowances and tolerances, from TOML."""

from collections.abc import Mapping
from typing import Any, cast

from pydantic import Field, ValidationError, model_validator

from layers.ball import Role, made_as
from layers.files.explain import explain
from layers.files.fields import Table, numeric
from layers.files.paths import StrPath
from layers.files.text import Name, Text
from layers.files.toml import read_toml
from optimize.lab.renamed import refuse_renamed_keys
from optimize.lab.scatter import LayerScatter, Scatter


class Operation(Table):
    """One operation on a stage or on the finished ball, for costs; in order."""

    name: Name = Field(min_length=1, max_length=60, description="what the lab calls it")
    minutes: float = numeric("min", "time that a cycle takes of the machine", 0.0, 10_000.0)
    cavities: int = numeric("1", "pieces of a cycle", 1, 10_000, 1)
    yield_percent: float = numeric("%", "pieces that pass on, of those begun", 1.0, 100.0, 100.0)
    rate_per_hour: float = numeric(
        "currency", "cost of an hour of machine and labour", 0.0, 1e6, 0.0
    )
    press: bool = Field(False, description="whether it takes a press, for the press time")
    minutes_scatter_percent: float = numeric(
        "%", "standard deviation of the minutes", 0.0, 100.0, 0.0
    )
    yield_scatter_percent: float = numeric(
        "%", "standard deviation of the yield, of itself", 0.0, 100.0, 0.0
    )


class LayerProcess(Table):
    """Allowances and tolerances of one kind of layer.

    Shrinkage is linear, (cavity - part) / cavity, as ISO 294-4 defines it. Grinding stock is on the
    diameter. A tolerance is the half width of a window.
    """

    flash_percent: float = numeric(
        "%", "flash allowance: charge mass above the moulded mass", 0, 60, 8
    )
    shrinkage_percent: float = numeric(
        "%", "linear mould shrinkage, part against cold cavity", -1, 6, 2
    )
    grinding_stock_mm: float = numeric("mm", "removed from the diameter by grinding", 0, 4, 0.5)
    diameter_tolerance_mm: float = numeric("mm", "half window of the diameter", 0.005, 2, 0.05)
    mass_tolerance_g: float = numeric("g", "half window of the stage's mass", 0.005, 5, 0.25)
    deflection_tolerance_mm: float = numeric(
        "mm", "half window of the deflection, 98 to 1275 N", 0.01, 2, 0.15
    )
    moi_tolerance_percent: float = numeric(
        "%", "half window of the moment of inertia", 0.05, 20, 1.0
    )
    concentricity_tolerance_mm: float = numeric(
        "mm", "maximum eccentricity of the body inside", 0, 2, 0.2
    )
    cure_minutes: float | None = Field(
        None,
        gt=0,
        le=600,
        description="cure time; blank on the sheet if not given",
        json_schema_extra={"unit": "min"},
    )
    cure_celsius: float | None = Field(
        None,
        gt=0,
        le=260,
        description="platen temperature; blank on the sheet if not given",
        json_schema_extra={"unit": "deg C"},
    )
    operation: tuple[Operation, ...] = Field(
        (), max_length=20, description="operations on this layer, in order"
    )


# Common practice, from memory: a start for a lab without figures of its own. Other roles have the
# plain defaults, those of a ground core.
_BY_ROLE: dict[str, dict[str, float]] = {
    "mantle": {"flash_percent": 4, "shrinkage_percent": 0.8, "grinding_stock_mm": 0.2},
    "cover": {
        "flash_percent": 6,
        "shrinkage_percent": 0.8,
        "grinding_stock_mm": 0,
        "diameter_tolerance_mm": 0.06,
    },
}


class Process(Table):
    """The lab's process: one `LayerProcess` for each role, and the number of pieces.

    Fields that a role's table omits keep that role's defaults.
    """

    core: LayerProcess = Field(LayerProcess(), description="of this role")
    inner_core: LayerProcess = Field(LayerProcess(), description="of this role")
    outer_core: LayerProcess = Field(LayerProcess(), description="of this role")
    mantle: LayerProcess = Field(LayerProcess(**_BY_ROLE["mantle"]), description="of this role")
    cover: LayerProcess = Field(LayerProcess(**_BY_ROLE["cover"]), description="of this role")
    pieces: int = numeric(
        "1", "pieces measured at each stage: blank columns on the sheet", 1, 12, 6
    )
    operation: tuple[Operation, ...] = Field(
        (), max_length=20, description="operations on the finished ball, in order"
    )
    currency: Name = Field(
        "", max_length=12, description="currency of prices and rates, such as its ISO 4217 code"
    )
    price_scatter_percent: float = numeric(
        "%", "standard deviation of a material's price", 0.0, 100.0, 0.0
    )
    scatter: Scatter = Field(Scatter(), description="scatter from piece to piece, by role")
    source: Text = Field(
        "defaults: common practice, from memory",
        max_length=200,
        description="source of the allowances and tolerances",
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

    @property
    def has_operations(self) -> bool:
        """Whether a cost can follow from it."""
        roles = (self.core, self.inner_core, self.outer_core, self.mantle, self.cover)
        return bool(self.operation) or any(role.operation for role in roles)

    def of(self, role: Role) -> LayerProcess:
        """Return the process of a role."""
        return cast(LayerProcess, getattr(self, made_as(role).replace(" ", "_")))


_MORE = (*Operation.model_fields, *LayerScatter.model_fields)


def process_from_table(table: Mapping[str, Any], what: str) -> Process:
    """Build a process from a parsed TOML table, see `Process` and `LayerProcess`.

    Raises
    ------
    InputError
        On an unknown field or a value out of range.
    """
    refuse_renamed_keys(table, what)
    given = dict(table)
    if given:
        given.setdefault("source", f"{what}; defaults for the rest: common practice, from memory")
    try:
        return Process.model_validate(given)
    except ValidationError as error:
        known = (*Process.model_fields, *LayerProcess.model_fields, *_MORE)
        raise explain(error, what, known, (Process,)) from error


def read_process(path: StrPath) -> Process:
    """Read a process from a TOML file.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a process.
    """
    return read_toml(path, process_from_table)
