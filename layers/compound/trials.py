"""The lab's recipe trials: settings and stiffness of cured cores."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.compound.recipe import Recipe
from layers.errors import InputError, exact
from layers.files.csv import MOST_CSV_BYTES, Column, checked_rows
from layers.files.paths import StrPath
from layers.files.text import read_text

SETTINGS: dict[str, Column] = {
    "coagent_phr": Column("phr", "co-agent", 0.0, 80.0),
    "peroxide_phr": Column("phr", "peroxide, active parts without carrier", 0.0, 10.0),
    "cure_minutes": Column("min", "cure time", 1.0, 120.0),
    "cure_celsius": Column("deg C", "platen temperature", 100.0, 220.0),
}

RESPONSES: dict[str, Column] = {
    "deflection_mm": Column("mm", "deflection of the cured core from 98 N to 1275 N", 0.3, 12.0),
    "modulus_mpa": Column("MPa", "Young's modulus of the cured compound", 0.5, 500.0),
}

_DIAMETER = {"core_diameter_mm": Column("mm", "diameter of the cured core", 10.0, 45.0)}

# Every column, for the reference: settings, one of the responses.
COLUMNS: dict[str, Column | str] = {
    "trial": "the lab's name of the trial, once",
    **SETTINGS,
    **_DIAMETER,
    **{name: replace(c, help=f"{c.help}; or the other one") for name, c in RESPONSES.items()},
}

# Deflection falls with the cube root of the diameter or faster: cores within this range differ by
# less than the repeatability of a deflection.
_SAME_DIAMETER_MM = 0.3


@dataclass(frozen=True)
class Trials:
    """n trials.

    Attributes
    ----------
    name : tuple of n str
        Names of the trials.
    settings : (n, 4) array
        In the order and units of `SETTINGS`.
    response : str
        Which of `RESPONSES` was measured.
    value : (n,) array
        In its unit.
    core_diameter_mm : float
        Mean diameter of the cores; deflections are of this size only.
    """

    name: tuple[str, ...]
    settings: FloatArray
    response: str
    value: FloatArray
    core_diameter_mm: float


def settings_of(recipe: Recipe, cure_minutes: float, cure_celsius: float) -> dict[str, float]:
    """Return the settings of a response surface for a recipe and its cure.

    Parameters
    ----------
    recipe : Recipe
        Its co-agent and peroxide, phr, are settings.
    cure_minutes : float
        Cure time, min.
    cure_celsius : float
        Platen temperature, degrees Celsius.
    """
    return {
        "coagent_phr": recipe.phr("co-agent"),
        "peroxide_phr": recipe.phr("peroxide"),
        "cure_minutes": cure_minutes,
        "cure_celsius": cure_celsius,
    }


def trials_from_csv(text: str, what: str = "trials") -> Trials:
    """Read trials from a CSV text.

    Columns: ``trial``, those of `SETTINGS`, ``core_diameter_mm`` and one of `RESPONSES`. Replicates
    are separate rows with their own names.

    Raises
    ------
    InputError
        If any row or column is at fault; each is named and nothing is used.
    """
    columns: Mapping[str, Column] = SETTINGS | _DIAMETER | RESPONSES
    rows = checked_rows(text, "trial", columns, tuple(RESPONSES), what)
    measured = [name for name in RESPONSES if name in rows[0].number]
    if len(measured) != 1:
        raise InputError(
            f"{what}: row 1 has {' and '.join(measured) or 'no measurement'}, but must have one of "
            f"{', '.join(RESPONSES)}."
        )
    diameter = np.array([row.number["core_diameter_mm"] for row in rows])
    middle = float(np.median(diameter))
    for row, value in zip(rows, diameter, strict=True):
        if abs(value - middle) > _SAME_DIAMETER_MM:
            raise InputError(
                f"{what}: row {row.line}, core_diameter_mm is {exact(value)}, but must be within "
                f"{_SAME_DIAMETER_MM:g} of {middle:g} mm like the others: only cores of one size "
                "can be compared. Nothing was taken from the file."
            )
    return Trials(
        name=tuple(row.key for row in rows),
        settings=np.array([[row.number[name] for name in SETTINGS] for row in rows]),
        response=measured[0],
        value=np.array([row.number[measured[0]] for row in rows]),
        core_diameter_mm=float(diameter.mean()),
    )


def read_trials(path: StrPath) -> Trials:
    """Read trials from a CSV file; see `trials_from_csv`.

    Raises
    ------
    InputError
        If the file is missing, unreadable or at fault.
    """
    path = Path(path)
    text = read_text(path, MOST_CSV_BYTES)
    return trials_from_csv(text, path.name)
