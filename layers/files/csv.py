"""Laboratory tables as CSV: read as a whole, or not at all with every fault by row and column."""

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from layers.errors import MOST_FAULTS, InputError, exact, joined
from layers.files.other_units import read_quantity

# Largest CSV file read: 20,000 readings have some 1 MB.
MOST_CSV_BYTES = 8_000_000
# Most rows and columns of a table; a laboratory's rounds have some hundred rows, a sheet a column
# for each piece.
MOST_ROWS, MOST_COLUMNS = 20_000, 1_000


@dataclass(frozen=True)
class Column:
    """A column of numbers: what it holds and what a believable value is."""

    unit: str
    help: str
    low: float
    high: float


@dataclass(frozen=True)
class Row:
    """One row: its line in the file, its key and its numbers by column."""

    line: int
    key: str
    number: dict[str, float]


def checked_rows(
    text: str, key: str, columns: Mapping[str, Column], optional: Sequence[str], what: str
) -> list[Row]:
    """Read a CSV table of a key column and columns of numbers.

    Parameters
    ----------
    text : str
        The file: comma-separated, first row the columns' names, decimal points.
    key : str
        Column that names each row, once.
    columns : mapping of str to Column
        The columns of numbers that are known.
    optional : sequence of str
        Those of them that the file may lack.
    what : str
        The file's name, for messages.

    Raises
    ------
    InputError
        If anything is wrong: the message names row (line of the file) and column of each fault.
    """
    header, lines = table(text, what)
    check_header(header, [key, *columns], optional, what)
    faults: list[str] = []
    rows: list[Row] = []
    seen: dict[str, int] = {}
    for line, cells in lines:
        if len(cells) != len(header):
            faults.append(wrong_width(line, len(cells), len(header)))
            continue
        given = dict(zip(header, cells, strict=True))
        name = given.pop(key)
        if not name:
            faults.append(f"row {line}, {key} is empty: fill it in")
        elif name in seen:
            faults.append(
                f"row {line}, {key} {name!r} stands already in row {seen[name]}: rename it"
            )
        seen.setdefault(name, line)
        number = {
            c: read_number(cell, line, c, columns[c].unit, faults) for c, cell in given.items()
        }
        check_ranges(number, line, columns, faults)
        rows.append(Row(line, name, number))
        if len(faults) > MOST_FAULTS:
            break
    refuse(faults, what)
    return rows


def table(text: str, what: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Split a CSV text into its column names and its rows, each with its line in the file.

    Columns may stand apart by commas, semicolons or tabs, as spreadsheets of different countries
    write them; where it is not a comma, numbers may have a decimal comma. Names of columns come
    back in lower case, with underscores for spaces.

    Parameters
    ----------
    text : str
        The file; first row the columns' names.
    what : str
        The file's name, for messages.

    Raises
    ------
    InputError
        If the text is no CSV, has no rows, or too many rows or columns.
    """
    text = text.removeprefix("\ufeff")
    apart = separator(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=apart, skipinitialspace=True)
    lines: list[tuple[int, list[str]]] = []
    try:
        for row in filter(any, reader):
            if len(lines) > MOST_ROWS:
                raise InputError(f"{what} has more than {MOST_ROWS} rows; split it.")
            if len(row) > MOST_COLUMNS:
                raise InputError(
                    f"{what}: row {reader.line_num} has {len(row)} cells, but must have at most "
                    f"{MOST_COLUMNS}."
                )
            cells = [cell.strip() for cell in row]
            lines.append((reader.line_num, cells if apart == "," else list(map(pointed, cells))))
    except csv.Error as error:
        raise InputError(f"{what}: line {reader.line_num} is not CSV: {error}.") from error
    if not lines:
        raise InputError(f"{what} is empty; add a first row of column names.")
    if len(lines) == 1:
        raise InputError(f"{what} has column names but no rows; add some.")
    refuse_bars(lines[0][1], what)
    return ["_".join(name.lower().split()) for name in lines[0][1]], lines[1:]


def refuse_bars(header: Sequence[str], what: str) -> None:
    """Refuse a header whose columns stand apart by bars, with what is read."""
    if len(header) == 1 and "|" in header[0]:
        raise InputError(
            f"{what}: row 1 has columns separated by '|'; separate them by commas, semicolons or "
            "tabs."
        )


def wrong_width(line: int, count: int, wanted: int) -> str:
    """Tell of a row of too many or too few cells.

    Parameters
    ----------
    line : int
        The row in the file.
    count, wanted : int
        Cells that it has and that it must have.
    """
    remedy = (
        "put a cell that has a comma in quotes, or separate columns by semicolons"
        if count > wanted
        else "add the cells that are missing, empty ones too"
    )
    return f"row {line} has {count} cells, but must have {wanted}: {remedy}"


def separator(text: str) -> str:
    """Return what the columns' names, in the first line that is not empty, stand apart by."""
    head = re.sub(r'"[^"]*"', "", next(filter(str.strip, text.splitlines()), ""))
    counts = {sign: head.count(sign) for sign in ",;\t"}
    return max(counts, key=lambda sign: counts[sign])


def pointed(cell: str) -> str:
    """Write a number that has a decimal comma with a point."""
    return cell.replace(",", ".") if re.fullmatch(r"[-+]?\d*,\d+(?:[eE][-+]?\d+)?", cell) else cell


def refuse(faults: Sequence[str], what: str) -> None:
    """Raise an `InputError` that tells the faults, if there are any."""
    if faults:
        raise InputError(f"{what}: {joined(faults)}. Nothing was taken from the file.")


def check_header(
    header: Sequence[str], known: Sequence[str], optional: Sequence[str], what: str
) -> None:
    """Refuse a header with a column twice, one that is not known, or without one that it needs.

    Parameters
    ----------
    header : sequence of str
        The file's column names.
    known, optional : sequence of str
        All column names there may be; those of them that may be left out.
    what : str
        The file's name, for messages.

    Raises
    ------
    InputError
        Naming the column.
    """
    for name, count in Counter(header).items():
        if not name:
            place = list(header).index("") + 1
            raise InputError(f"{what}: row 1, column {place} has no name; name it or remove it.")
        if count > 1:
            raise InputError(f"{what}: row 1, column {name!r} stands twice; remove one.")
        if name not in known:
            near = get_close_matches(name, known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}."
            raise InputError(f"{what}: row 1, column {name!r} is not known; {hint}")
    missing = [name for name in known if name not in header and name not in optional]
    if missing:
        raise InputError(f"{what}: row 1 lacks the column {', '.join(missing)}; add it.")


def read_number(cell: str, line: int, name: str, unit: str, faults: list[str]) -> float:
    """Read a cell; a fault is added and NaN returned if it holds no finite number.

    Parameters
    ----------
    cell : str
        The cell's text.
    line : int
        Its row in the file, for the fault.
    name, unit : str
        Its column and the column's unit, for the fault.
    faults : list of str
        Grows by one sentence when there is a fault.
    """
    try:
        converted = read_quantity(cell, unit, name)
        value = float(cell) if converted is None else converted
    except InputError as error:
        value = math.nan
        faults.append(f"row {line}, {str(error).rstrip('.')}")
    except ValueError:
        value = math.nan
        hint = "; write a decimal point, not a comma" if "," in cell else ""
        number = f"is {cell!r}, but must be a number{'' if unit == '1' else f' in {unit}'}{hint}"
        said = number if cell else "is empty: fill it in"
        faults.append(f"row {line}, {name} {said}")
    else:
        if not math.isfinite(value):
            faults.append(f"row {line}, {name} is {cell}, but must be finite")
            value = math.nan
    return value


def check_ranges(
    number: dict[str, float], line: int, columns: Mapping[str, Column], faults: list[str]
) -> None:
    """Add faults of range; two values that fit each other's column are called swapped.

    Parameters
    ----------
    number : dict of str to float
        Values by column; NaN is passed over.
    line : int
        Their row in the file.
    columns : mapping of str to Column
        What each column may hold.
    faults : list of str
        Grows by one sentence for each fault.
    """

    def fits(value: float, name: str) -> bool:
        return columns[name].low <= value <= columns[name].high

    for name, value in number.items():
        if math.isnan(value) or fits(value, name):
            continue
        column = columns[name]
        swapped = [
            other
            for other, held in number.items()
            if other != name and not fits(held, other) and fits(held, name) and fits(value, other)
        ]
        hint = f" (swapped with {swapped[0]}?)" if swapped else " (another unit?)"
        faults.append(
            f"row {line}, {name} is {exact(value)}, but must be from {column.low:g} to "
            f"{column.high:g} {column.unit}{hint}"
        )
