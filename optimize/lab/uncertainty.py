"""What the lab can measure, and the priors of lab, model and cards."""

import tomllib
from functools import cache
from importlib import resources
from typing import Literal, get_args

from pydantic import BaseModel, ConfigDict, Field

from layers.materials import Grade

Property = Literal[
    "youngs_modulus_mpa", "density_g_cm3", "dynamic_modulus_ratio", "relaxation_strength"
]
PROPERTIES: tuple[Property, ...] = get_args(Property)


class Measurable(BaseModel):
    """One quantity that the lab measures; percentages are relative standard deviations."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    low: float = Field(gt=0.0, description="smallest plausible value, in the quantity's unit")
    high: float = Field(gt=0.0, description="largest plausible value, in the quantity's unit")
    near_percent: float | None = Field(None, gt=0.0, description="plausible distance from theory")
    noise_percent: float = Field(gt=0.0, description="scatter of single pieces of one build")
    floor_percent: float = Field(
        gt=0.0, description="error of the instrument, which replicates do not average"
    )
    bias_percent: float = Field(
        gt=0.0, description="prior of the model's bias, common to all builds"
    )
    scatter_percent: float = Field(
        gt=0.0, description="prior of the model's error from build to build"
    )


class LabData(BaseModel):
    """Every measurable quantity, and the priors of cards by property and grade."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    figure: dict[str, Measurable]
    prior: dict[Property, dict[Grade, float]]


@cache
def lab_data() -> LabData:
    """Return the shipped data, `uncertainty.toml`."""
    text = resources.files("optimize.lab").joinpath("uncertainty.toml").read_text(encoding="utf-8")
    return LabData.model_validate(tomllib.loads(text))
