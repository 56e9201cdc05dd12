"""Where the sliders are set: the request that the page sends, with the range of every number."""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from layers.ball import MOST_LAYERS, MOST_NAME, THINNEST_LAYER_MM
from layers.files.text import Name
from layers.materials import numeric_fields

MODULUS_RANGE_MPA = numeric_fields()["youngs_modulus_mpa"]
DENSITY_RANGE_G_CM3 = numeric_fields()["density_g_cm3"]
DIAMETER_RANGE_MM = (30.0, 60.0)
THICKNESS_RANGE_MM = (THINNEST_LAYER_MM, 25.0)


def _number(unit: str, help_text: str, low: float, high: float) -> Any:
    return Field(
        description=help_text, ge=low, le=high, strict=True, json_schema_extra={"unit": unit}
    )


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class LayerSetting(_Table):
    """Values of the sliders of one layer."""

    thickness_mm: float | None = Field(
        None,
        ge=THICKNESS_RANGE_MM[0],
        le=THICKNESS_RANGE_MM[1],
        strict=True,
        description="thickness; left out for the innermost layer, which fills the rest",
        json_schema_extra={"unit": "mm"},
    )
    youngs_modulus_mpa: float = _number("MPa", "quasi-static Young's modulus", *MODULUS_RANGE_MPA)
    density_g_cm3: float = _number("g/cm3", "density", *DENSITY_RANGE_G_CM3)


class HeldMass(_Table):
    """A mass of the ball that the density of one layer is solved for."""

    layer: int = Field(
        ge=1,
        le=MOST_LAYERS,
        strict=True,
        description="which layer is filled, from the centre",
        json_schema_extra={"unit": "1"},
    )
    mass_g: float = _number("g", "mass of the ball", 10.0, 100.0)


class Setting(_Table):
    """Values of all sliders: one build."""

    name: Name = Field(
        "unnamed ball", min_length=1, max_length=MOST_NAME, description="the build's name"
    )
    outer_diameter_mm: float = _number("mm", "outer diameter of the ball", *DIAMETER_RANGE_MM)
    layer: tuple[LayerSetting, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    hold_mass: HeldMass | None = Field(None, description="mass that filler holds")
