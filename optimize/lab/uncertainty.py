"""What the lab can measure and how far lab, model and cards are believed beforehand."""

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

    low: float = Field(gt=0.0, description="least believable value, in the quantity's unit")
    high: float = Field(gt=0.0, description="greatest believable value, in the quantity's unit")
    near_percent: float | None = Field(None, gt=0.0, description="believable distance from theory")
    noise_percent: float = Field(gt=0.0, description="scatter of single pieces of one build")
    floor_percent: float = Field(gt=0.0, description="error of the instrument, kept by any mean")
    bias_percent: float = Field(gt=0.0, description="error of the model common to all builds")
    scatter_percent: float = Field(gt=0.0, description="error of the model from build to build")


class LabData(BaseModel):
    """Every quantity that can be measured, and the priors of cards by property and grade."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    figure: dict[str, Measurable]
    prior: dict[Property, dict[Grade, float]]


@cache
def lab_data() -> LabData:
    """Return the shipped data, `lab.toml`."""
    text = resources.files("optimize.lab").joinpath("uncertainty.toml").read_text(encoding="utf-8")
    return LabData.model_validate(tomllib.loads(text))
