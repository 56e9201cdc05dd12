"""The ball: concentric layers, and every stage of it as a body of its own.

`Ball`, `Layer` are the typed edge (millimetres, g/cm3, MPa); `Body` is the SI core that the
mechanics take.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.materials import Material

Role = Literal["core", "inner core", "outer core", "mantle", "cover"]

MOST_LAYERS = 6
THINNEST_LAYER_MM = 0.2


class Layer(BaseModel):
    """One shell of the ball, named by its outer diameter."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    role: Role = Field(description="what the layer is called in the build")
    outer_diameter_mm: float = Field(
        ge=5.0, le=60.0, description="outer diameter", json_schema_extra={"unit": "mm"}
    )
    material: Material = Field(description="the card of its material")


class Ball(BaseModel):
    """Layers from the centre outward, 1 to 6, with strictly growing diameters."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field("unnamed ball", min_length=1, max_length=120, description="the build's name")
    layer: tuple[Layer, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    dimple_volume_percent: float = Field(
        0.7,
        ge=0.0,
        le=2.0,
        description="volume of all dimples, percent of the sphere's volume",
        json_schema_extra={"unit": "%"},
    )
    dimple_depth_mm: float = Field(
        0.15,
        gt=0.0,
        le=0.5,
        description="depth over which the dimples' volume is spread",
        json_schema_extra={"unit": "mm"},
    )

    @model_validator(mode="after")
    def _diameters_grow(self) -> "Ball":
        inner = 0.0
        for number, layer in enumerate(self.layer, start=1):
            thickness = (layer.outer_diameter_mm - inner) / 2.0
            if thickness < THINNEST_LAYER_MM:
                raise ValueError(
                    f"layer {number} ({layer.role}), outer_diameter_mm is "
                    f"{layer.outer_diameter_mm:g}, but must be at least "
                    f"{inner + 2 * THINNEST_LAYER_MM:g}: diameters grow outward and a layer is at "
                    f"least {THINNEST_LAYER_MM:g} mm thick"
                )
            inner = layer.outer_diameter_mm
        return self

    @property
    def diameter_mm(self) -> float:
        """Outer diameter, mm."""
        return self.layer[-1].outer_diameter_mm

    def stage(self, count: int) -> "Ball":
        """Return the innermost `count` layers as a body the lab can weigh and compress.

        Only the finished ball has dimples.
        """
        if not 1 <= count <= len(self.layer):
            raise InputError(f"stage is {count}, but must be from 1 to {len(self.layer)}.")
        if count == len(self.layer):
            return self
        return Ball(
            name=f"{self.name}, stage {count}", layer=self.layer[:count], dimple_volume_percent=0.0
        )

    def body(self) -> "Body":
        """Return the SI arrays that the mechanics take."""
        cards = [layer.material for layer in self.layer]
        pairs = max((len(card.relaxation) for card in cards), default=0)
        strength, time = np.zeros((len(cards), pairs)), np.ones((len(cards), pairs))
        for i, card in enumerate(cards):
            for j, pair in enumerate(card.relaxation):
                strength[i, j], time[i, j] = pair.strength, pair.time_us * 1e-6
        return Body(
            outer_radius=np.array([layer.outer_diameter_mm for layer in self.layer]) * 0.5e-3,
            density=np.array([card.density_g_cm3.value for card in cards]) * 1e3,
            shear_modulus=np.array([card.shear_modulus_pa for card in cards]),
            bulk_modulus=np.array([card.bulk_modulus_pa for card in cards]),
            dynamic_modulus_ratio=np.array([card.dynamic_modulus_ratio.value for card in cards]),
            relaxation_strength=strength,
            relaxation_time=time,
            friction=cards[-1].friction.value,
            friction_wet=cards[-1].friction_wet.value,
            friction_half_speed=cards[-1].friction_half_speed_m_s.value,
            dimple_volume_fraction=self.dimple_volume_percent / 100.0,
            dimple_depth=self.dimple_depth_mm * 1e-3,
        )


@dataclass(frozen=True)
class Body:
    """Concentric spherical layers in SI, centre outward; n layers, p relaxation pairs each.

    Attributes
    ----------
    outer_radius : (n,) array
        Outer radius of each layer, m, strictly growing.
    density : (n,) array
        kg/m3.
    shear_modulus, bulk_modulus : (n,) array
        Quasi-static moduli, Pa.
    dynamic_modulus_ratio : (n,) array
        Shear modulus on the time scale of an impact over the quasi-static one.
    relaxation_strength, relaxation_time : (n, p) array
        G(t) = dynamic_modulus_ratio * shear_modulus * (1 + sum_j strength_j exp(-t / time_j)), s.
        A layer with fewer pairs carries zero strengths.
    friction, friction_wet : float
        Coulomb friction of the outermost layer's slow sliding on a club face, dry and wet.
    friction_half_speed : float
        Speed of sliding at which either is halved, m/s.
    dimple_volume_fraction : float
        Volume of all dimples over the volume of the sphere.
    dimple_depth : float
        Depth over which that volume is spread, m.
    """

    outer_radius: FloatArray
    density: FloatArray
    shear_modulus: FloatArray
    bulk_modulus: FloatArray
    dynamic_modulus_ratio: FloatArray
    relaxation_strength: FloatArray
    relaxation_time: FloatArray
    friction: float
    dimple_volume_fraction: float = 0.0
    dimple_depth: float = 0.15e-3
    friction_wet: float = 0.2
    friction_half_speed: float = math.inf
