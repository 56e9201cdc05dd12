"""Where the sliders are set: the request that the page sends, with the range of every number."""

from pydantic import Field

from layers.ball import MOST_LAYERS, MOST_NAME, THINNEST_LAYER_MM
from layers.files.fields import Table, numeric
from layers.files.text import Name
from layers.graded.profile import STEEPEST
from layers.materials import numeric_fields

MODULUS_RANGE_MPA = numeric_fields()["youngs_modulus_mpa"]
DENSITY_RANGE_G_CM3 = numeric_fields()["density_g_cm3"]
DIAMETER_RANGE_MM = (30.0, 60.0)
THICKNESS_RANGE_MM = (THINNEST_LAYER_MM, 25.0)
DIGITS = 6  # of a diameter, mm: as the search rounds it


class LayerSetting(Table):
    """Values of the sliders of one layer."""

    thickness_mm: float | None = Field(
        None,
        ge=THICKNESS_RANGE_MM[0],
        le=THICKNESS_RANGE_MM[1],
        strict=True,
        description="thickness; left out for the innermost layer, which fills the rest",
        json_schema_extra={"unit": "mm"},
    )
    material: Name | None = Field(
        None, description="name of its material card; left out for the first ball's own"
    )
    youngs_modulus_mpa: float = numeric(
        "MPa", "quasi-static Young's modulus", *MODULUS_RANGE_MPA, strict=True
    )
    surface_over_centre: float | None = Field(
        None,
        ge=1.0 / STEEPEST,
        le=STEEPEST,
        strict=True,
        description="of a graded layer: modulus at its outer surface over that at its inner",
        json_schema_extra={"unit": "1"},
    )
    density_g_cm3: float = numeric("g/cm3", "density", *DENSITY_RANGE_G_CM3, strict=True)


class HeldMass(Table):
    """A mass of the ball that the density of one layer is solved for."""

    layer: int = Field(
        ge=1,
        le=MOST_LAYERS,
        strict=True,
        description="which layer is filled, from the centre",
        json_schema_extra={"unit": "1"},
    )
    mass_g: float = numeric("g", "mass of the ball", 10.0, 100.0, strict=True)


class Setting(Table):
    """Values of all sliders: one build."""

    name: Name = Field(
        "unnamed ball", min_length=1, max_length=MOST_NAME, description="the build's name"
    )
    outer_diameter_mm: float = numeric(
        "mm", "outer diameter of the ball", *DIAMETER_RANGE_MM, strict=True
    )
    layer: tuple[LayerSetting, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    dimple_pattern: Name | None = Field(
        None, description="dimple pattern that it flies by; left out for the first ball's own"
    )
    hold_mass: HeldMass | None = Field(None, description="mass that filler holds")


class Materials(Table):
    """The material card of every layer."""

    material: tuple[Name | None, ...] = Field(
        min_length=1,
        max_length=MOST_LAYERS,
        description="names of cards, centre outward; null for the first ball's own",
    )
