"""How a lab's process scatters from piece to piece: standard deviations by kind of layer."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from layers.ball import Role
from layers.errors import explain
from layers.files.text import read_text
from layers.files.toml import parse_toml


def _deviation(unit: str, help_text: str, most: float, default: float) -> Any:
    return Field(default, ge=0.0, le=most, description=help_text, json_schema_extra={"unit": unit})


class LayerScatter(BaseModel):
    """Standard deviations of one kind of layer, piece to piece.

    Diameters and densities scatter normally, the logarithm of the modulus too. The offset of the
    body inside scatters normally along each of three axes. All are independent of each other.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    diameter_mm: float = _deviation("mm", "deviation of the outer diameter", 0.5, 0.03)
    density_percent: float = _deviation("%", "deviation of the density", 5.0, 0.3)
    modulus_percent: float = _deviation("%", "deviation of Young's modulus", 20.0, 3.0)
    concentricity_mm: float = _deviation(
        "mm", "deviation, along each axis, of the centre of the body inside", 0.5, 0.06
    )


# Common practice, from memory; roles that are not named take the defaults, those of a ground core.
_BY_ROLE: dict[str, dict[str, float]] = {
    "mantle": {"density_percent": 0.2, "modulus_percent": 2.0},
    "cover": {"diameter_mm": 0.02},
}


class Scatter(BaseModel):
    """Scatter of a process, one `LayerScatter` for each role.

    A role's table may give some fields only; the others keep that role's defaults.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    core: LayerScatter = LayerScatter()
    inner_core: LayerScatter = LayerScatter()
    outer_core: LayerScatter = LayerScatter()
    mantle: LayerScatter = LayerScatter(**_BY_ROLE["mantle"])
    cover: LayerScatter = LayerScatter(**_BY_ROLE["cover"])
    source: str = Field(
        "defaults: common practice, from memory",
        max_length=200,
        description="where the deviations come from",
    )

    @model_validator(mode="before")
    @classmethod
    def _keep_the_roles_defaults(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        filled = {
            name: {**_BY_ROLE.get(name, {}), **value} if isinstance(value, Mapping) else value
            for name, value in data.items()
        }
        if filled:
            filled.setdefault("source", "as given; what is left out: common practice, from memory")
        return filled

    def of(self, role: Role) -> LayerScatter:
        """Return the scatter of a role."""
        return cast(LayerScatter, getattr(self, role.replace(" ", "_")))


def scatter_from_table(table: Mapping[str, Any], what: str) -> Scatter:
    """Build a scatter from a parsed TOML table, see `Scatter` and `LayerScatter`.

    Raises
    ------
    InputError
        On an unknown field or a value out of range.
    """
    try:
        return Scatter.model_validate(dict(table))
    except ValidationError as error:
        raise explain(error, what, (*Scatter.model_fields, *LayerScatter.model_fields)) from error


def read_scatter(path: Path) -> Scatter:
    """Read a scatter from a TOML file of its own.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a scatter.
    """
    return scatter_from_table(parse_toml(read_text(path), path.name), path.name)
