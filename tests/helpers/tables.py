"""Tables of builds for the tests of screening: cheap, their figures are closed forms."""

import csv
from collections.abc import Sequence
from pathlib import Path

HEADER = (
    "build",
    "core_material",
    "core_outer_diameter_mm",
    "core_density_g_cm3",
    "mantle_material",
    "mantle_thickness_mm",
    "mantle_density_g_cm3",
    "cover_material",
    "cover_thickness_mm",
    "cover_outer_diameter_mm",
    "cover_shore_d",
    "mass_g",
)
SOUND = {
    "core_material": "core rubber, soft",
    "core_density_g_cm3": "open",
    "cover_material": "urethane, soft",
    "cover_thickness_mm": "0.9",
    "cover_outer_diameter_mm": "42.7",
    "mass_g": "45.6",
}


def row(name: str, **changes: str) -> list[str]:
    """Return the cells of a sound two-layer build with some of them changed."""
    cells = SOUND | {"build": name} | changes
    return [cells.get(column, "") for column in HEADER]


def written(path: Path, rows: Sequence[Sequence[str]], header: Sequence[str] = HEADER) -> Path:
    """Write a CSV table."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header, *rows])
    return path


def mixed(path: Path, count: int) -> Path:
    """Write a table of sound three-layer builds that differ in thickness and density."""
    rows = [
        row(
            f"K{i}",
            mantle_material="ionomer, firm",
            mantle_thickness_mm=f"{1.0 + 0.01 * (i % 50):.2f}",
            mantle_density_g_cm3=f"{0.96 + 0.004 * (i % 37):.3f}",
        )
        for i in range(count)
    ]
    return written(path, rows)
