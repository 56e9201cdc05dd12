"""Scatter of a lab's process from piece to piece: standard deviations by role of a layer."""

from collections.abc import Mapping
from typing import Any, cast

from pydantic import Field, ValidationError, model_validator

from layers.ball import Role, made_as
from layers.files.explain import explain
from layers.files.fields import Table, numeric
from layers.files.paths import StrPath
from layers.files.toml import read_toml
from optimize.lab.renamed import refuse_renamed_keys


class LayerScatter(Table):
    """Standard deviations of one role: piece to piece, and of a lot's mean from lot to lot.

    Diameter, density, the logarithms of the other numbers, and the eccentricity of the body inside
    along each of three axes are normal and independent. A lot's deviation is common to its pieces.
    """

    diameter_mm: float = numeric("mm", "standard deviation of the outer diameter", 0.0, 0.5, 0.03)
    density_percent: float = numeric("%", "standard deviation of the density", 0.0, 5.0, 0.3)
    modulus_percent: float = numeric("%", "standard deviation of Young's modulus", 0.0, 20.0, 3.0)
    concentricity_mm: float = numeric(
        "mm",
        "standard deviation of the eccentricity of the body inside, along each axis",
        0.0,
        0.5,
        0.06,
    )
    loss_percent: float = numeric(
        "%", "standard deviation of the loss (relaxation strength)", 0.0, 20.0, 3.0
    )
    dynamic_ratio_percent: float = numeric(
        "%", "standard deviation of the dynamic/static modulus ratio", 0.0, 10.0, 1.0
    )
    friction_percent: float = numeric(
        "%", "standard deviation of the friction, of the outermost layer", 0.0, 20.0, 5.0
    )
    contrast_percent: float = numeric(
        "%", "standard deviation of a graded layer's surface over centre modulus", 0.0, 30.0, 4.0
    )
    lot_density_percent: float = numeric("%", "the same from lot to lot: density", 0.0, 5.0, 0.2)
    lot_modulus_percent: float = numeric("%", "from lot to lot: modulus", 0.0, 20.0, 2.0)
    lot_loss_percent: float = numeric("%", "from lot to lot: loss", 0.0, 20.0, 4.0)
    lot_dynamic_ratio_percent: float = numeric(
        "%", "from lot to lot: dynamic/static modulus ratio", 0.0, 10.0, 1.0
    )
    lot_friction_percent: float = numeric("%", "from lot to lot: friction", 0.0, 20.0, 8.0)
    lot_contrast_percent: float = numeric(
        "%", "from lot to lot: surface over centre modulus", 0.0, 30.0, 4.0
    )


# Common practice, from memory; other roles have the defaults, those of a ground core.
_BY_ROLE: dict[str, dict[str, float]] = {
    "mantle": {"density_percent": 0.2, "modulus_percent": 2.0},
    "cover": {"diameter_mm": 0.02},
}


class Scatter(Table):
    """Scatter of a process: a table for each role.

    Fields that a role's table omits keep that role's defaults.
    """

    core: LayerScatter = Field(LayerScatter(), description="of this role")
    inner_core: LayerScatter = Field(LayerScatter(), description="of this role")
    outer_core: LayerScatter = Field(LayerScatter(), description="of this role")
    mantle: LayerScatter = Field(LayerScatter(**_BY_ROLE["mantle"]), description="of this role")
    cover: LayerScatter = Field(LayerScatter(**_BY_ROLE["cover"]), description="of this role")
    source: str = Field(
        "defaults: common practice, from memory",
        max_length=200,
        description="source of the deviations",
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
            filled.setdefault(
                "source", "as given; defaults for the rest: common practice, from memory"
            )
        return filled

    def of(self, role: Role) -> LayerScatter:
        """Return the scatter of a role."""
        return cast(LayerScatter, getattr(self, made_as(role).replace(" ", "_")))


def scatter_from_table(table: Mapping[str, Any], what: str) -> Scatter:
    """Build a scatter from a parsed TOML table, see `Scatter` and `LayerScatter`.

    Raises
    ------
    InputError
        On an unknown field or a value out of range.
    """
    refuse_renamed_keys(table, what)
    try:
        return Scatter.model_validate(dict(table))
    except ValidationError as error:
        known = (*Scatter.model_fields, *LayerScatter.model_fields)
        raise explain(error, what, known, (Scatter,)) from error


def read_scatter(path: StrPath) -> Scatter:
    """Read a scatter from a TOML file of its own.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a scatter.
    """
    return read_toml(path, scatter_from_table)
