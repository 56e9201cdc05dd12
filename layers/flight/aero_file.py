"""Drag and lift coefficients read from CSV: a row a pair of Reynolds number and spin ratio."""

import math
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.files.csv import MOST_CSV_BYTES, Column, table, wrong_width
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.flight.aerotable import MeasuredLaw, stitch

_QUANTITIES = {
    "reynolds": Column("1", "Reynolds number; or reynolds_1e5, in units of 1e5", 1e4, 1e6),
    "spin_ratio": Column("1", "surface speed by spin over the speed of flight", 0.0, 3.0),
    "drag_coefficient": Column("1", "drag over dynamic pressure and frontal area", 0.05, 1.5),
    "lift_coefficient": Column("1", "lift over dynamic pressure and frontal area", -0.5, 1.5),
}
_SCALED = {"reynolds_1e5": ("reynolds", 1e5)}
_IGNORED = "note"
# Every column, for the reference.
COLUMNS: dict[str, Column | str] = {**_QUANTITIES, _IGNORED: "any text; may be left out"}


def read_aero_table(path: StrPath) -> MeasuredLaw:
    """Read a CSV of measured conditions and stitch it.

    Parameters
    ----------
    path : str or path
        The file, with the columns of `COLUMNS`; see docs/flight.md.

    Raises
    ------
    InputError
        If the file cannot be read or a cell cannot be used; row and column are named.
    """
    path = Path(path)
    text = read_text(path, MOST_CSV_BYTES)
    return stitch(rows_from_csv(text, path.name), path.name)


def rows_from_csv(text: str, what: str) -> FloatArray:
    """Parse the CSV text of a table into (m, 4): Reynolds number, spin ratio, drag, lift.

    Raises
    ------
    InputError
        Naming row and column; rows are counted as in a spreadsheet, the header being row 1.
    """
    names, lines = table(text, what)
    header = _header(names, what)
    for number, cells in lines:
        if len(cells) > len(names):
            raise InputError(f"{what}: {wrong_width(number, len(cells), len(names))}.")
    rows = [[*_cells(cells, header, number, what)] for number, cells in lines if any(cells)]
    return np.array(rows, float).reshape(-1, len(_QUANTITIES))


def _header(line: list[str], what: str) -> dict[str, tuple[int, str, float]]:
    """Map each quantity to its column's index, its name in the file and its scale."""
    known = (*_QUANTITIES, *_SCALED, _IGNORED)
    found: dict[str, tuple[int, str, float]] = {}
    for index, name in enumerate(cell.strip().lower() for cell in line):
        if name not in known:
            near = get_close_matches(name, known, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}."
            raise InputError(f"{what}: row 1, column {name!r} is not known; {hint}")
        quantity, scale = _SCALED.get(name, (name, 1.0))
        if quantity in found:
            raise InputError(
                f"{what}: row 1, column {name!r} gives {quantity} a second time; remove one."
            )
        found[quantity] = (index, name, scale)
    for quantity in _QUANTITIES:
        if quantity not in found:
            raise InputError(f"{what}: row 1 lacks the column {quantity}; add it.")
    return found


def _cells(
    line: list[str], header: dict[str, tuple[int, str, float]], number: int, what: str
) -> Iterator[float]:
    for quantity, column in _QUANTITIES.items():
        index, name, scale = header[quantity]
        cell = line[index].strip() if index < len(line) else ""
        try:
            value = float(cell) * scale
        except ValueError:
            value = math.nan
        if not column.low <= value <= column.high:
            raise InputError(
                f"{what}: row {number}, column {name} is {cell!r}, but must be a number from "
                f"{column.low / scale:g} to {column.high / scale:g}."
            )
        yield value
