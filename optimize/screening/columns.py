"""Columns of a table of builds: a row a build, its layers side by side, centre outward."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, get_args

from layers.ball import Ball, Role
from layers.errors import InputError
from layers.files.csv import Column, check_header, refuse_bars
from layers.files.other_units import metric_key
from layers.graded.profile import Profile
from layers.hardness import SCALES
from layers.materials import Material, numeric_fields

# What a layer's columns begin with, and the role that it is.
LAYERS: dict[str, Role] = {role.replace(" ", "_"): role for role in get_args(Role)}
LAYERS |= dict.fromkeys(("mantle1", "mantle2", "mantle3", "mantle4"), "mantle")
# The layers of an empty table by their number.
BY_COUNT: dict[int, tuple[str, ...]] = {
    1: ("core",),
    2: ("core", "cover"),
    3: ("core", "mantle", "cover"),
    4: ("inner_core", "outer_core", "mantle", "cover"),
    5: ("inner_core", "outer_core", "mantle1", "mantle2", "cover"),
    6: ("inner_core", "outer_core", "mantle1", "mantle2", "mantle3", "cover"),
}
# The density that follows from the ball's mass.
OPEN = "open"
# Columns of an earlier screening begin so; they are not read.
RESULT = "result."


def _described(model: Any, name: str) -> tuple[str, str]:
    field = model.model_fields[name]
    extra = field.json_schema_extra
    return str(extra["unit"]), str(field.description)


# Columns of a graded layer's profile.
PROFILE = ("surface_over_centre", "shape")


def _range(model: Any, name: str) -> tuple[float, float]:
    limits = model.model_fields[name].metadata
    low = next(limit.ge for limit in limits if hasattr(limit, "ge"))
    return float(low), float(next(limit.le for limit in limits if hasattr(limit, "le")))


def _numbers_of_a_layer() -> dict[str, Column]:
    columns = {
        "outer_diameter_mm": Column("mm", "outer diameter", 5.0, 60.0),
        "thickness_mm": Column("mm", "thickness, in place of a diameter", 0.2, 27.5),
    }
    for scale in SCALES:
        words = f"hardness, {scale.label}, in place of youngs_modulus_mpa"
        columns[scale.key] = Column(scale.label, words, scale.low, scale.high)
    for name in PROFILE:
        unit, words = _described(Profile, name)
        columns[name] = Column(unit, f"{words}; even if empty", *_range(Profile, name))
    for name, (low, high) in numeric_fields().items():
        unit, words = _described(Material, name)
        columns[name] = Column(unit, f"{words}; the card's if empty", low, high)
    return columns


# Columns of a layer, each led by the layer's name: of numbers, and of text.
LAYER_NUMBERS = _numbers_of_a_layer()
LAYER_TEXTS = {
    "material": "name of a material card",
    "family": "rubber, ionomer, urethane or other, where no card is named",
}
BALL_NUMBERS = {
    "mass_g": Column("g", f"the ball's mass, where one layer's density is {OPEN!r}", 1.0, 500.0),
    "dimple_volume_percent": Column(*_described(Ball, "dimple_volume_percent"), 0.0, 2.0),
    "dimple_depth_mm": Column(*_described(Ball, "dimple_depth_mm"), 0.001, 0.5),
}
BALL_TEXTS = {
    "build": "the build's name, once; its row otherwise",
    "dimple_pattern": str(Ball.model_fields["dimple_pattern"].description),
}


@cache
def split(name: str) -> tuple[str, str]:
    """Return a column's layer and field; the layer is empty for one of the ball."""
    for layer in LAYERS:
        field = name.removeprefix(f"{layer}_")
        if field != name and (field in LAYER_NUMBERS or field in LAYER_TEXTS):
            return layer, field
    return "", name


# Every column that a table may have, for the reference and to offer the nearest name.
COLUMNS: dict[str, Column | str] = {**BALL_TEXTS, **BALL_NUMBERS}
for _layer in LAYERS:
    COLUMNS |= {f"{_layer}_{field}": what for field, what in LAYER_TEXTS.items()}
    COLUMNS |= {f"{_layer}_{field}": what for field, what in LAYER_NUMBERS.items()}


def _optional(what: Column | str) -> Column | str:
    more = "; may be left out"
    return f"{what}{more}" if isinstance(what, str) else replace(what, help=what.help + more)


# The same in short, for the reference: of the layers only the cover's columns stand for all.
SHOWN = {name: _optional(what) for name, what in COLUMNS.items() if split(name)[0] in ("", "cover")}

# Columns of an empty table, of every layer.
_USUAL = ("material", "outer_diameter_mm", "youngs_modulus_mpa", "density_g_cm3")
_USUAL_OUTSIDE = ("material", "thickness_mm", "youngs_modulus_mpa", "density_g_cm3")


@dataclass(frozen=True)
class Sheet:
    """The columns of one table.

    Attributes
    ----------
    names : tuple of str
        Those that are read, in the order of the file.
    places : tuple of int
        Where each is in a row.
    layers : tuple of str
        Layers that the table has, in the order of their columns: centre outward.
    width : int
        Cells of a row, those of an earlier screening included.
    units : tuple of str
        The trade's unit of each column that is read; "" for one in metric units.
    """

    names: tuple[str, ...]
    places: tuple[int, ...]
    layers: tuple[str, ...]
    width: int
    units: tuple[str, ...] = ()

    def cells_of(self, row: Sequence[str]) -> dict[str, str]:
        """Return the cells of a row that hold something, by column."""
        units = self.units or ("",) * len(self.names)
        read = zip(self.names, self.places, units, strict=True)
        filled = ((name, row[i], unit) for name, i, unit in read if i < len(row) and row[i])
        # A bare number in a column of another unit is read as one that says it.
        return {name: f"{c} {unit}" if unit and _bare(c) else c for name, c, unit in filled}


def _bare(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def sheet_of(header: Sequence[str], what: str) -> Sheet:
    """Read the header of a table.

    Parameters
    ----------
    header : sequence of str
        Names of the columns.
    what : str
        The file's name, for messages.

    Raises
    ------
    InputError
        If a column is not known, stands twice, or no layer has one.
    """
    refuse_bars(header, what)
    plain = ["_".join(name.lower().split()) for name in header]
    read = [(i, name) for i, name in enumerate(plain) if not name.startswith(RESULT)]
    in_trade = [metric_key(name) for _, name in read]
    known = [metric in COLUMNS for metric, _ in in_trade]
    names = [m if k else name for (m, _), k, (_, name) in zip(in_trade, known, read, strict=True)]
    units = tuple(unit if k else "" for (_, unit), k in zip(in_trade, known, strict=True))
    check_header(names, list(COLUMNS), list(COLUMNS), what)
    layers = tuple(dict.fromkeys(layer for name in names if (layer := split(name)[0])))
    if not layers:
        raise InputError(
            f"{what}: row 1 has no column of a layer, such as core_outer_diameter_mm; "
            f"'orbwright new builds' writes an empty table."
        )
    return Sheet(tuple(names), tuple(i for i, _ in read), layers, len(header), units)


def header_of(count: int) -> list[str]:
    """Return the columns of an empty table for builds of so many layers.

    Raises
    ------
    InputError
        If no ball has so many.
    """
    if count not in BY_COUNT:
        raise InputError(f"--layers is {count}, but must be from 1 to {max(BY_COUNT)}.")
    centre, *others = BY_COUNT[count]
    columns = ["build", *(f"{centre}_{field}" for field in _USUAL)]
    for layer in others:
        columns += [f"{layer}_{field}" for field in _USUAL_OUTSIDE]
    if others:
        columns.insert(columns.index(f"{others[-1]}_thickness_mm") + 1, f"{others[-1]}_shore_d")
    return [*columns, "mass_g"]
