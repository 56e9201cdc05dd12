"""A row of a ledger as cells by column, as exports and frames have them."""

import json
from collections.abc import Mapping
from typing import Any

from layers.estimates import Figure
from layers.graded.profile import Profile

OF_BUILD = ("build", "model_version", "written", "dimple_volume_percent", "dimple_depth_mm")
# Where builds have dimple patterns to choose from.
PATTERN = "dimple_pattern"
OF_LAYER = (
    "outer_diameter_mm",
    "youngs_modulus_mpa",
    "poisson_ratio",
    "density_g_cm3",
    "dynamic_modulus_ratio",
    "friction",
    "friction_wet",
    "friction_half_speed_m_s",
)
OF_PROFILE = ("surface_over_centre", "shape", "loss_surface_over_centre")
OF_PAIR = ("strength", "time_us")
OF_FIGURE = ("value", "difference_error", "absolute_error", "unit", "basis", "flag", "caution")


def title(owner: str, field: str) -> str:
    """Name a column: a figure's value has the figure's own name."""
    return "_".join(part for part in (owner, "" if field == "value" else field) if part)


def build_cells(content: str) -> dict[str, Any]:
    """Return the numbers of a build by column, and its dimple pattern if it names one.

    Parameters
    ----------
    content : str
        As `optimize.scenario.space.content_of` writes it.
    """
    record = json.loads(content)
    cells = dict(zip(OF_BUILD[3:], record["dimples"], strict=True))
    if "pattern" in record:
        cells[PATTERN] = record["pattern"]
    for i, (*numbers, pairs) in enumerate(record["layers"], start=1):
        owner = f"layer{i}"
        cells |= {title(owner, f): v for f, v in zip(OF_LAYER, numbers, strict=True)}
        for j, pair in enumerate(pairs, start=1):
            inner = f"{owner}_relaxation{j}"
            cells |= {title(inner, f): v for f, v in zip(OF_PAIR, pair, strict=True)}
    for i, profile in enumerate(record.get("profiles", []), start=1):
        if profile is not None:
            owner = f"layer{i}"
            numbers = zip(OF_PROFILE, profile_numbers(profile), strict=True)
            cells |= {title(owner, f): v for f, v in numbers if v is not None}
    return cells


def profile_numbers(profile: Mapping[str, Any]) -> list[float | None]:
    """Return a profile's numbers in the order of `OF_PROFILE`; knots have no shape.

    Parameters
    ----------
    profile : mapping
        As `layers.graded.profile.Profile.content` writes it.
    """
    read = Profile.model_validate(profile)
    if not read.relative_knots:
        return [read.surface_over_centre, read.shape, read.loss_surface_over_centre]
    first, last = read.relative_knots[0], read.relative_knots[-1]
    return [read.contrast, None, last[2] / first[2] if len(first) == 3 else 1.0]


def figure_cells(figures: Mapping[str, Figure], failed: Mapping[str, str]) -> dict[str, Any]:
    """Return values, errors and reasons of failure by column."""
    cells = {
        title(name, field): getattr(figure, field)
        for name, figure in figures.items()
        for field in OF_FIGURE
    }
    return cells | {title(name, "failed"): why for name, why in failed.items()}
