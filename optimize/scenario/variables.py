"""What may vary in a build: layers, diameters, moduli, densities, filler."""

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from layers.ball import MOST_LAYERS, THINNEST_LAYER_MM, Role

SMALLEST_CENTRE_MM = 5.0


FILL_DENSITY = "fill_density_g_cm3"


CENTRE_DIAMETER = "stage1.diameter_mm"


def _as_span(value: Any) -> Any:
    """Read a bare number as a range of one value."""
    if isinstance(value, bool) or not isinstance(value, int | float | list | tuple):
        raise ValueError(f"is {value!r}, but must be a number or [lowest, highest]")
    if isinstance(value, int | float):
        return (value, value)
    if len(value) != 2:
        raise ValueError(f"has {len(value)} numbers, but must be a number or [lowest, highest]")
    if all(isinstance(v, int | float) for v in value) and value[0] > value[1]:
        raise ValueError(f"goes from {value[0]:g} to {value[1]:g}; the lowest stands first")
    return value


def _as_names(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _number(unit: str, help_text: str, low: float | None = None, high: float | None = None) -> Any:
    return Field(description=help_text, json_schema_extra={"unit": unit}, ge=low, le=high)


_Diameter = Annotated[float, _number("mm", "a diameter", SMALLEST_CENTRE_MM, 60.0)]


_Thickness = Annotated[float, _number("mm", "a thickness", THINNEST_LAYER_MM, 25.0)]


_Modulus = Annotated[float, _number("MPa", "a Young's modulus", 0.5, 3000.0)]


_Density = Annotated[float, _number("g/cm3", "a density", 0.4, 12.0)]


_Span = BeforeValidator(_as_span)


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Envelope(_Table):
    """What all builds of the scenario share."""

    outer_diameter_mm: float = _number("mm", "outer diameter of the ball", 30.0, 60.0)
    dimple_volume_percent: float = Field(
        0.7,
        ge=0.0,
        le=2.0,
        description="volume of all dimples, percent of the sphere's volume",
        json_schema_extra={"unit": "%"},
    )


class Fill(_Table):
    """The density of one layer is set so that the ball has a wanted mass."""

    mass_g: float = _number("g", "mass that every build shall have", 10.0, 100.0)
    layer: int = _number("1", "which layer is filled, from the centre", 1, MOST_LAYERS)
    density_g_cm3: Annotated[tuple[_Density, _Density], _Span] = _number(
        "g/cm3", "lowest and highest density that filler can reach"
    )


class LayerFreedom(_Table):
    """One layer and what may vary in it. A bare number in place of a range is fixed."""

    role: Role = Field(description="what the layer is called in the build")
    diameter_mm: Annotated[tuple[_Diameter, _Diameter], _Span] | None = Field(
        None,
        description="innermost layer only: what the layers outside it may leave",
        json_schema_extra={"unit": "mm"},
    )
    thickness_mm: Annotated[tuple[_Thickness, _Thickness], _Span] | None = Field(
        None, description="every other layer: its thickness", json_schema_extra={"unit": "mm"}
    )
    increment_mm: float = Field(
        0.1,
        ge=0.001,
        le=5.0,
        description="step in which the thickness can be made",
        json_schema_extra={"unit": "mm"},
    )
    material: Annotated[tuple[str, ...], BeforeValidator(_as_names), Field(min_length=1)] = Field(
        description="names of the material cards to choose from"
    )
    youngs_modulus_mpa: Annotated[tuple[_Modulus, _Modulus], _Span] | None = Field(
        None,
        description="replaces the card's Young's modulus",
        json_schema_extra={"unit": "MPa"},
    )
    youngs_modulus_increment_mpa: float = Field(
        1.0,
        ge=0.01,
        le=500.0,
        description="step of the Young's modulus",
        json_schema_extra={"unit": "MPa"},
    )
    density_g_cm3: Annotated[tuple[_Density, _Density], _Span] | None = Field(
        None, description="replaces the card's density", json_schema_extra={"unit": "g/cm3"}
    )
    density_increment_g_cm3: float = Field(
        0.01,
        ge=0.0001,
        le=1.0,
        description="step of the density",
        json_schema_extra={"unit": "g/cm3"},
    )
    optional: bool = Field(False, description="the search may leave this layer out")

    @model_validator(mode="after")
    def _materials_stand_once(self) -> "LayerFreedom":
        twice = [name for name in self.material if self.material.count(name) > 1]
        if twice:
            raise ValueError(f"material {twice[0]!r} stands twice; every choice may stand once")
        return self
