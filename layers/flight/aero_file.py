"""Drag and lift coefficients read from CSV: a row a pair of Reynolds number and spin ratio."""

import math
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.files.csv import MOST_CSV_BYTES, table
from layers.files.text import read_text
from layers.flight.aerotable import MeasuredLaw, stitch

_COLUMNS = {  # dimensionless; lowest and highest accepted
    "reynolds": (1e4, 1e6),
    "spin_ratio": (0.0, 3.0),
    "drag_coefficient": (0.05, 1.5),
    "lift_coefficient": (-0.5, 1.5),
}
_SCALED = {"reynolds_1e5": ("reynolds", 1e5)}
_IGNORED = "note"


def read_aero_table(path: Path) -> MeasuredLaw:
    """Read a CSV of measured conditions and stitch it.

    Parameters
    ----------
    path : Path
        The file, with the columns of `_COLUMNS`; see docs/flight.md.

    Raises
    ------
    InputError
        If the file cannot be read or a cell cannot be used; row and column are named.
    """
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
    rows = [[*_cells(cells, header, number, what)] for number, cells in lines if any(cells)]
    return np.array(rows, float).reshape(-1, len(_COLUMNS))


def _header(line: list[str], what: str) -> dict[str, tuple[int, str, float]]:
    """Map each quantity to its column's index, its name in the file and its scale."""
    known = (*_COLUMNS, *_SCALED, _IGNORED)
    found: dict[str, tuple[int, str, float]] = {}
    for index, name in enumerate(cell.strip().lower() for cell in line):
        if name not in known:
            near = get_close_matches(name, known, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}."
            raise InputError(f"{what}: row 1, column {name!r} is not known; {hint}")
        quantity, scale = _SCALED.get(name, (name, 1.0))
        if quantity in found:
            raise InputError(f"{what}: row 1, column {name!r} gives {quantity} a second time.")
        found[quantity] = (index, name, scale)
    for quantity in _COLUMNS:
        if quantity not in found:
            raise InputError(f"{what}: row 1 has no column {quantity}; it is required.")
    return found


def _cells(
    line: list[str], header: dict[str, tuple[int, str, float]], number: int, what: str
) -> Iterator[float]:
    for quantity, (low, high) in _COLUMNS.items():
        index, name, scale = header[quantity]
        cell = line[index].strip() if index < len(line) else ""
        try:
            value = float(cell) * scale
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise InputError(
                f"{what}: row {number}, column {name} is {cell!r}, but must be a number from "
                f"{low / scale:g} to {high / scale:g}."
            )
        yield value
