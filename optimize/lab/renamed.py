"""Names of lab files that were renamed: the old name is refused with the new one."""

from collections.abc import Iterable, Mapping
from typing import Any

from layers.errors import InputError

RENAMED = {
    # columns of measurements and of the prototype sheet
    "repeat": "replicate",
    "trusted_to": "model_error",
    # figures of the prototype sheet and of drawn pieces
    "wall_thinnest_mm": "minimum_thickness_mm",
    "wall_thickest_mm": "maximum_thickness_mm",
    "least_moment_g_cm2": "minimum_moi_g_cm2",
    "greatest_moment_g_cm2": "maximum_moi_g_cm2",
    "moments_apart_percent": "moi_asymmetry_percent",
    # keys of process and scatter
    "inertia_tolerance_percent": "moi_tolerance_percent",
    "centring_tolerance_mm": "concentricity_tolerance_mm",
    "centring_mm": "concentricity_mm",
}


def refuse_renamed(names: Iterable[str], place: str) -> None:
    """Refuse an old name; a stage before it, as in ``stage2.``, does not matter.

    Parameters
    ----------
    names : iterable of str
        Columns, figures or keys as given.
    place : str
        Where they are, for the message.

    Raises
    ------
    InputError
        Naming the new name.
    """
    for name in names:
        stage, dot, last = name.rpartition(".")
        if last in RENAMED:
            raise InputError(f"{place} {name!r} is now named {stage + dot + RENAMED[last]!r}.")


def refuse_renamed_keys(table: Mapping[str, Any], what: str) -> None:
    """Refuse old keys of a TOML table and the tables in it, as `refuse_renamed`."""
    refuse_renamed(table, f"{what}: key")
    for name, value in table.items():
        if isinstance(value, Mapping):
            refuse_renamed_keys(value, f"{what}, {name}")
