"""Rows of a table one by one, from CSV or an Excel workbook: memory stays flat however many."""

import codecs
import csv
import zipfile
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from layers.errors import InputError
from layers.files.csv import MOST_COLUMNS, pointed, separator
from layers.files.escaping import from_csv_cell
from layers.files.text import regular_file

# Largest file read, as it is and unpacked: 10,000 builds have some 3 MB.
MOST_BYTES, MOST_UNPACKED = 64_000_000, 1_000_000_000
# Characters of a file's beginning that hold its columns' names.
_HEAD = 100_000
# Rows of a workbook's sheet, by its format (ECMA-376, SpreadsheetML).
_MOST_LINES = 1_048_576

Row = tuple[int, list[str]]


def rows_of(path: Path) -> Iterator[Row]:
    """Read the rows of a table that are not empty, each with its line in the file.

    Parameters
    ----------
    path : Path
        Ends in .csv (columns apart by commas, semicolons or tabs; with the latter two, numbers may
        have a decimal comma) or .xlsx, whose first sheet is read.

    Yields
    ------
    (int, list of str)
        Line, counted from 1, and cells; a number of a workbook is written so that every bit is
        read back, a formula stands for the value that was saved with it.

    Raises
    ------
    InputError
        If the file is missing, damaged, of another kind or too large.
    """
    ending = path.suffix.lower()
    if ending not in (".csv", ".xlsx"):
        raise InputError(f"{path} must end in .csv or .xlsx.")
    for line, cells in (_csv if ending == ".csv" else _xlsx)(path):
        while cells and not cells[-1]:
            cells.pop()
        if len(cells) > MOST_COLUMNS:
            raise InputError(
                f"{path}: row {line} has {len(cells)} cells, but must have at most {MOST_COLUMNS}."
            )
        if cells:
            yield line, cells


def _csv(path: Path) -> Iterator[Row]:
    line = 1
    try:
        _check_size(path)
        with open(path, encoding=_encoding(path), newline="", opener=regular_file) as file:
            apart = separator(file.read(_HEAD))
            file.seek(0)
            reader = csv.reader(file, delimiter=apart, skipinitialspace=True)
            for row in reader:
                line = reader.line_num
                cells = [from_csv_cell(cell.strip()) for cell in row]
                yield line, cells if apart == "," else list(map(pointed, cells))
    except csv.Error as error:
        raise InputError(f"{path}: after line {line} the file is not CSV: {error}.") from error
    except UnicodeError as error:
        raise InputError(f"{path} cannot be read: {_foreign(path)}; save it as UTF-8.") from error
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from error


def _encoding(path: Path) -> str:
    """Return UTF-8, or UTF-16 where the byte-order mark tells it."""
    with open(path, "rb", opener=regular_file) as file:
        marked = file.read(2) in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    return "utf-16" if marked else "utf-8-sig"


def _foreign(path: Path) -> str:
    """Say where a text that does not decode has its first byte that is not UTF-8."""
    with open(path, "rb", opener=regular_file) as file:
        for number, line in enumerate(file, start=1):
            try:
                line.decode("utf-8-sig")
            except UnicodeDecodeError as error:
                byte = line[error.start]
                return f"line {number} has the byte 0x{byte:02X}, which is not UTF-8"
    return "it begins as UTF-16 but is not"


def _check_size(path: Path) -> None:
    if path.stat().st_size > MOST_BYTES:
        raise InputError(f"{path} is larger than {MOST_BYTES / 1e6:g} MB; split it.")


def _xlsx(path: Path) -> Iterator[Row]:
    openpyxl = workbooks()
    try:
        _check_size(path)
        with open(path, "rb", opener=regular_file) as file, zipfile.ZipFile(file) as packed:
            if sum(part.file_size for part in packed.infolist()) > MOST_UNPACKED:
                raise InputError(f"{path} unpacks to more than {MOST_UNPACKED / 1e6:g} MB.")
            book = openpyxl.load_workbook(file, read_only=True, data_only=True)
            sheet = book.worksheets[0]
            sheet.reset_dimensions()  # what a file says of its own size need not be true
            for line, row in enumerate(islice(sheet.iter_rows(values_only=True), _MOST_LINES), 1):
                yield line, [_text(value) for value in row]
    except InputError:
        raise
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from error
    except Exception as error:  # of many kinds, by what is damaged in it
        raise InputError(
            f"{path} is not an Excel workbook, or is damaged; save it anew."
        ) from error


def workbooks() -> Any:
    """Return the library that reads and writes Excel workbooks.

    Raises
    ------
    InputError
        If it is not installed.
    """
    try:
        import openpyxl
    except ImportError as error:
        raise InputError(
            "an .xlsx file needs the package openpyxl, which is not installed: install it with "
            "pip install 'orbwright[excel]', or use a .csv file."
        ) from error
    return openpyxl


def _text(value: Any) -> str:
    if value is None:
        return ""
    return value.strip() if isinstance(value, str) else str(value)
