"""What the lab can measure and how far lab, model and cards are believed beforehand."""

from functools import cache
from typing import Annotated, Literal, get_args

from pydantic import Field

from layers.files.cards import shipped_toml
from layers.files.fields import Table, numeric
from layers.materials import Grade

Property = Literal[
    "youngs_modulus_mpa", "density_g_cm3", "dynamic_modulus_ratio", "relaxation_strength"
]
PROPERTIES: tuple[Property, ...] = get_args(Property)


class Measurable(Table):
    """One quantity that the lab measures; percentages are relative standard deviations."""

    low: float = numeric("the figure's", "least believable value", 1e-6, 1e6)
    high: float = numeric("the figure's", "greatest believable value", 1e-6, 1e6)
    near_percent: float | None = numeric("%", "believable distance from theory", 1e-3, 100, None)
    noise_percent: float = numeric("%", "scatter of single pieces of one build", 1e-3, 100)
    floor_percent: float = numeric("%", "error of the instrument, kept by any mean", 1e-3, 100)
    bias_percent: float = numeric("%", "error of the model common to all builds", 1e-3, 100)
    scatter_percent: float = numeric("%", "error of the model from build to build", 1e-3, 100)


class LabData(Table):
    """Every quantity that can be measured, and the priors of cards by property and grade."""

    figure: dict[str, Measurable] = Field(description="what can be measured, by figure")
    prior: dict[Property, dict[Grade, Annotated[float, Field(gt=0.0, le=100.0)]]] = numeric(
        "%", "relative standard deviation of a card's number, by its grade"
    )


@cache
def lab_data() -> LabData:
    """Return the shipped data."""
    return LabData.model_validate(shipped_toml("optimize.lab", "uncertainty.toml"))
