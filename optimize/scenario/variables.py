"""What may vary in a build: layers, diameters, moduli, densities, filler."""

from collections import Counter
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from layers.ball import MOST_LAYERS, THINNEST_LAYER_MM, Role, spelt
from layers.errors import exact
from layers.files.explain import shown_value
from layers.files.fields import Table, numeric
from layers.files.text import Name
from layers.graded.profile import STEEPEST, Profile

SMALLEST_CENTRE_MM = 5.0


FILL_DENSITY = "fill_density_g_cm3"


CENTRE_DIAMETER = "stage1.diameter_mm"


def _as_span(value: Any) -> Any:
    """Read a bare number as a range of one value."""
    if isinstance(value, bool) or not isinstance(value, int | float | list | tuple):
        raise ValueError(f"is {shown_value(value)}, but must be a number or [lowest, highest]")
    if isinstance(value, int | float):
        return (value, value)
    if len(value) != 2:
        raise ValueError(f"has {len(value)} numbers, but must be a number or [lowest, highest]")
    if all(isinstance(v, int | float) for v in value) and value[0] > value[1]:
        raise ValueError(f"goes from {exact(value[0])} to {exact(value[1])}; give the lowest first")
    return value


def as_names(value: Any) -> Any:
    """Read a bare name as a tuple of one."""
    return (value,) if isinstance(value, str) else value


_Diameter = Annotated[float, numeric("mm", "a diameter", SMALLEST_CENTRE_MM, 60.0)]


_Thickness = Annotated[float, numeric("mm", "a thickness", THINNEST_LAYER_MM, 25.0)]


_Modulus = Annotated[float, numeric("MPa", "a Young's modulus", 0.5, 3000.0)]


_Density = Annotated[float, numeric("g/cm3", "a density", 0.4, 12.0)]


_Contrast = Annotated[
    float, numeric("1", "modulus at the surface over that at the centre", 1 / STEEPEST, STEEPEST)
]


_Shape = Annotated[float, numeric("1", "exponent of a profile", 0.1, 20.0)]


_Span = BeforeValidator(_as_span)


class Envelope(Table):
    """What all builds of the scenario have in common."""

    outer_diameter_mm: float = numeric("mm", "outer diameter of the ball", 30.0, 60.0)
    dimple_volume_percent: float = Field(
        0.7,
        ge=0.0,
        le=2.0,
        description="volume of all dimples, percent of the sphere's volume",
        json_schema_extra={"unit": "%"},
    )


class Fill(Table):
    """The density of one layer is set so that the ball has a wanted mass."""

    mass_g: float = numeric("g", "mass that every build shall have", 10.0, 100.0)
    layer: int = numeric("1", "which layer is filled, from the centre", 1, MOST_LAYERS)
    density_g_cm3: Annotated[tuple[_Density, _Density], _Span] = numeric(
        "g/cm3", "lowest and highest density that filler can reach"
    )


class LayerVariables(Table):
    """One layer and its design variables. A bare number in place of a range is fixed."""

    role: Annotated[Role, BeforeValidator(spelt)] = Field(
        description="role of the layer in the build"
    )
    diameter_mm: Annotated[tuple[_Diameter, _Diameter], _Span] | None = Field(
        None,
        description="innermost layer only: bounds on the diameter that the outer layers leave",
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
    material: Annotated[tuple[str, ...], BeforeValidator(as_names), Field(min_length=1)] = Field(
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
    surface_over_centre: Annotated[tuple[_Contrast, _Contrast], _Span] | None = Field(
        None,
        description="grades the layer: modulus at its outer surface over that at its inner or the "
        "centre; the layer's modulus is then the mean by volume",
        json_schema_extra={"unit": "1"},
    )
    surface_over_centre_increment: float = Field(
        0.25, ge=0.01, le=10.0, description="its step", json_schema_extra={"unit": "1"}
    )
    shape: Annotated[tuple[_Shape, _Shape], _Span] | None = Field(
        None,
        description="exponent of a graded layer's profile; 1, a straight line, if not given",
        json_schema_extra={"unit": "1"},
    )
    shape_increment: float = Field(
        0.25, ge=0.01, le=5.0, description="its step", json_schema_extra={"unit": "1"}
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
    def _materials_are_distinct(self) -> "LayerVariables":
        twice = [name for name, count in Counter(self.material).items() if count > 1]
        if twice:
            raise ValueError(f"material {twice[0]!r} is named twice; name every choice once")
        return self

    @model_validator(mode="after")
    def _shape_is_of_a_graded_layer(self) -> "LayerVariables":
        if self.shape is not None and self.surface_over_centre is None:
            raise ValueError("shape needs surface_over_centre, or the layer is even; add it")
        return self

    def profile(self, chosen: Mapping[str, float]) -> Profile | None:
        """Return the profile that the layer's design variables make; None where it is even.

        Parameters
        ----------
        chosen : mapping of str to float
            ``surface_over_centre`` and ``shape`` where they vary.
        """
        if self.surface_over_centre is None:
            return None
        contrast = chosen.get("surface_over_centre", self.surface_over_centre[0])
        if contrast == 1.0:
            return None
        return Profile(
            surface_over_centre=contrast,
            shape=chosen.get("shape", self.shape[0] if self.shape else 1.0),
            source="set by the search",
        )


class StartLayer(Table):
    """The values that a start build takes in one layer: all its design variables, nothing else."""

    layer: int = numeric("1", "which layer, from the centre", 1, MOST_LAYERS)
    thickness_mm: _Thickness | None = Field(
        None, description="thickness, if it is a design variable", json_schema_extra={"unit": "mm"}
    )
    material: str | None = Field(
        None, description="name of the material card, if there are several"
    )
    youngs_modulus_mpa: _Modulus | None = Field(
        None,
        description="Young's modulus, if it is a design variable",
        json_schema_extra={"unit": "MPa"},
    )
    surface_over_centre: _Contrast | None = Field(
        None,
        description="modulus at the surface over the centre's, if it is a design variable",
        json_schema_extra={"unit": "1"},
    )
    shape: _Shape | None = Field(
        None,
        description="exponent of the profile, if it is a design variable",
        json_schema_extra={"unit": "1"},
    )
    density_g_cm3: _Density | None = Field(
        None, description="density, if it is a design variable", json_schema_extra={"unit": "g/cm3"}
    )
    dimple_pattern: str | None = Field(
        None, description="outermost layer only: name of the dimple pattern, if there are several"
    )


class StartBuild(Table):
    """A build that the search computes first and goes on from."""

    name: Name = Field(min_length=1, max_length=120, description="name of the build")
    layer: tuple[StartLayer, ...] = Field(
        (),
        max_length=MOST_LAYERS,
        description="layers that have design variables; an optional layer that is not named is "
        "left out",
    )

    @model_validator(mode="after")
    def _layers_are_distinct(self) -> "StartBuild":
        numbers = Counter(layer.layer for layer in self.layer)
        twice = [number for number, count in numbers.items() if count > 1]
        if twice:
            raise ValueError(f"layer {twice[0]} stands twice; give it once")
        return self
