"""Drag and lift coefficients read from CSV: a row a pair of Reynolds number and spin ratio."""

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.errors import MOST_FAULTS, InputError
from layers.files.csv import MOST_CSV_BYTES, Column, refuse, table, wrong_width
from layers.files.escaping import from_csv_cell
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.flight.aerotable import MeasuredLaw, stitch

QUANTITIES = {
    "reynolds": Column("1", "Reynolds number; or reynolds_1e5, in units of 1e5", 1e4, 1e6),
    "spin_ratio": Column("1", "surface speed by spin over the speed of flight", 0.0, 3.0),
    "drag_coefficient": Column("1", "drag over dynamic pressure and frontal area", 0.05, 1.5),
    "lift_coefficient": Column("1", "lift over dynamic pressure and frontal area", -0.5, 1.5),
}
# Standard errors; 0 where the file has none.
_ERRORS = {
    "drag_standard_error": Column("1", "of the drag coefficient; may be left out", 0.0, 1.0),
    "lift_standard_error": Column("1", "of the lift coefficient; may be left out", 0.0, 1.0),
    "spin_ratio_standard_error": Column("1", "of the spin ratio; may be left out", 0.0, 1.0),
}
_TEXTS = {
    "launch": "name of the launch; may be left out",
    "ball": "which ball; may be left out",
    "orientation": "how the ball was placed, such as pole or seam; may be left out",
    "note": "any text; may be left out",
}
# What a reduced session tells besides; it is not read.
UNREAD = {
    "speed_m_s": "airspeed at the middle of the track; not read, may be left out",
    "spin_rpm": "spin at the middle of the track; not read, may be left out",
    "side_coefficient": "side force, as drag and lift; not read, may be left out",
    "side_standard_error": "of the side-force coefficient; not read, may be left out",
    "spin_decay": "k of d omega/dt = -k omega V/R; not read, may be left out",
    "spin_decay_standard_error": "of the spin decay; not read, may be left out",
}
_SCALED = {"reynolds_1e5": ("reynolds", 1e5)}
# Every column, for the reference.
COLUMNS: dict[str, Column | str] = {**QUANTITIES, **_ERRORS, **_TEXTS, **UNREAD}


@dataclass(frozen=True)
class AeroTable:
    """A table of m conditions.

    Attributes
    ----------
    rows : (m, 4) array
        Reynolds number, spin ratio, drag and lift coefficient.
    errors : (m, 3) array
        Standard errors of drag, lift and spin ratio; 0 where the file has none.
    texts : dict of str to tuple of str
        Launch, ball, orientation and note of each row; empty where there is none.
    lines : tuple of int
        Each row's line in the file.
    """

    rows: FloatArray
    errors: FloatArray
    texts: dict[str, tuple[str, ...]]
    lines: tuple[int, ...]


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
        Naming row and column of each fault; rows are counted as in a spreadsheet, the header being
        row 1.
    """
    return table_from_csv(text, what).rows


def table_from_csv(text: str, what: str) -> AeroTable:
    """Parse the CSV text of a table with its errors and names; see `rows_from_csv`."""
    names, lines = table(text, what)
    header = _header(names, what)
    faults: list[str] = []
    numbers, texts = [], []
    for line, cells in lines:
        if len(cells) > len(names):
            faults.append(wrong_width(line, len(cells), len(names)))
            continue
        numbers.append(_numbers(cells, header, line, faults))
        texts.append([_cell(cells, header, name) for name in _TEXTS])
        if len(faults) > MOST_FAULTS:
            break
    refuse(faults, what)
    array = np.array(numbers, float)
    columns = [tuple(map(from_csv_cell, column)) for column in zip(*texts, strict=True)]
    return AeroTable(
        array[:, :4],
        array[:, 4:],
        dict(zip(_TEXTS, columns, strict=True)),
        tuple(line for line, _ in lines),
    )


def _header(line: list[str], what: str) -> dict[str, tuple[int, str, float]]:
    """Map each quantity to its column's index, its name in the file and its scale."""
    known = (*COLUMNS, *_SCALED)
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
    for quantity in QUANTITIES:
        if quantity not in found:
            raise InputError(f"{what}: row 1 lacks the column {quantity}; add it.")
    return found


def _cell(cells: list[str], header: dict[str, tuple[int, str, float]], quantity: str) -> str:
    index = header[quantity][0] if quantity in header else len(cells)
    return cells[index].strip() if index < len(cells) else ""


def _numbers(
    cells: list[str], header: dict[str, tuple[int, str, float]], line: int, faults: list[str]
) -> list[float]:
    """Read a row's numbers; an empty standard error is 0."""
    numbers = []
    for quantity, column in {**QUANTITIES, **_ERRORS}.items():
        cell = _cell(cells, header, quantity)
        if quantity in _ERRORS and not cell:
            numbers.append(0.0)
            continue
        _, name, scale = header[quantity]
        try:
            value = float(cell) * scale
        except ValueError:
            value = np.nan
        if not column.low <= value <= column.high:
            faults.append(
                f"row {line}, column {name} is {cell!r}, but must be a number from "
                f"{column.low / scale:g} to {column.high / scale:g}"
            )
        numbers.append(value)
    return numbers
