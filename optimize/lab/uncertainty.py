"""What the lab can measure, and the priors of lab and model."""

from functools import cache
from typing import Literal, get_args

from pydantic import Field

from layers.files.cards import shipped_toml
from layers.files.fields import Table, numeric

Property = Literal[
    "youngs_modulus_mpa", "density_g_cm3", "dynamic_modulus_ratio", "relaxation_strength"
]
PROPERTIES: tuple[Property, ...] = get_args(Property)


class Measurable(Table):
    """One quantity that the lab measures; percentages are relative standard deviations."""

    low: float = numeric("the figure's", "smallest plausible value", 1e-6, 1e6)
    high: float = numeric("the figure's", "largest plausible value", 1e-6, 1e6)
    near_percent: float | None = numeric("%", "plausible distance from theory", 1e-3, 100, None)
    noise_percent: float = numeric("%", "scatter of single pieces of one build", 1e-3, 100)
    floor_percent: float = numeric(
        "%", "error of the instrument, which replicates do not average", 1e-3, 100
    )
    bias_percent: float = numeric("%", "prior of the model's bias, common to all builds", 1e-3, 100)
    scatter_percent: float = numeric(
        "%", "prior of the model's error from build to build", 1e-3, 100
    )


class LabData(Table):
    """Every measurable quantity."""

    figure: dict[str, Measurable] = Field(description="what can be measured, by figure")


@cache
def lab_data() -> LabData:
    """Return the shipped data, `uncertainty.toml`."""
    return LabData.model_validate(shipped_toml("optimize.lab", "uncertainty.toml"))
