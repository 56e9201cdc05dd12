"""An invented laboratory that tests and benchmarks share: builds, and measurements of a truth."""

from collections.abc import Sequence

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.ball_file import ball_from_table
from layers.figures import parse_figure
from layers.materials import default_catalogue
from optimize.calibration.result import key_of
from optimize.lab.readings import Measurements, Reading
from optimize.lab.uncertainty import lab_data

# Core and its density, mantle and its thickness, cover and its thickness.
Build = tuple[str, float, str, float, str, float]
SOFT, MEDIUM = ("core rubber, soft", 1.16), ("core rubber, medium", 1.15)
FIVE: dict[str, Build] = {
    "A": (*SOFT, "ionomer, firm", 1.3, "urethane, soft", 1.0),
    "B": (*MEDIUM, "ionomer, firm", 1.0, "urethane, soft", 0.8),
    "C": (*SOFT, "ionomer, medium", 1.6, "urethane, soft", 1.2),
    "D": (*MEDIUM, "ionomer, medium", 1.2, "urethane, medium", 1.0),
    "E": (*SOFT, "ionomer, firm", 1.8, "urethane, medium", 0.8),
}


def build(name: str, parts: Build) -> Ball:
    """Return a three-layer ball of 42.7 mm."""
    core, density, mantle, mantle_mm, cover, cover_mm = parts
    rows = [
        {"role": "core", "material": core, "density_g_cm3": density},
        {"role": "mantle", "material": mantle},
        {"role": "cover", "material": cover},
    ]
    diameters = (42.7 - 2 * (cover_mm + mantle_mm), 42.7 - 2 * cover_mm, 42.7)
    for row, diameter in zip(rows, diameters, strict=True):
        row["outer_diameter_mm"] = diameter
    return ball_from_table({"name": name, "layer": rows}, default_catalogue(), "lab")


def draw_errors(keys: Sequence[str], rng: np.random.Generator) -> dict[str, float]:
    """Draw the model's bias of each key from its prior."""
    measured = lab_data().figure
    return {k: rng.normal(0.0, measured[k.rpartition(".")[2]].bias_percent / 100.0) for k in keys}


def true_means(
    names: Sequence[str],
    logs: FloatArray,
    bias: dict[str, float],
    rng: np.random.Generator,
    scatter: float = 1.0,
) -> FloatArray:
    """Return logarithms of what builds really do: the model, its bias, scatter from lot to lot."""
    keys = [key_of(parse_figure(name)) for name in names]
    sd = [scatter * lab_data().figure[k.rpartition(".")[2]].scatter_percent / 100 for k in keys]
    return logs + np.array([bias[k] for k in keys]) + rng.normal(0.0, sd)


def measure(
    builds: Sequence[str],
    names: Sequence[str],
    logs: FloatArray,
    rng: np.random.Generator,
    pieces: int = 4,
) -> Measurements:
    """Measure pieces of builds with the lab's usual noise and the instrument's own error."""
    readings = []
    for build_name, name, log in zip(builds, names, logs, strict=True):
        measured = lab_data().figure[parse_figure(name).quantity]
        middle = log + rng.normal(0.0, measured.floor_percent / 100.0)
        for piece in range(pieces):
            value = np.exp(middle + rng.normal(0.0, measured.noise_percent / 100.0))
            place = f"lab.csv row {len(readings) + 2}, value"
            readings.append(Reading(build_name, name, str(piece + 1), float(value), place))
    return Measurements(tuple(readings), ("lab.csv",))
