"""Screened tables and empty ones as files: CSV, Excel workbooks and Parquet, row by row."""

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

from layers.errors import CONTROLS, InputError
from layers.files.escaping import csv_cell
from layers.files.other_units import metric_key
from layers.files.paths import written_whole
from layers.files.rows import workbooks
from layers.materials import Catalogue
from optimize.report.screening import Cell, cells_of, heads_of, lines_of
from optimize.report.screening_parquet import PARQUET, check_parquet, write_parquet
from optimize.report.trade_columns import rows_in_chosen_units
from optimize.screening.columns import (
    COLUMNS,
    LAYER_NUMBERS,
    LAYER_TEXTS,
    RESULT,
    header_of,
    split,
)
from optimize.screening.screen import Screening

# Rows of an empty workbook whose materials are chosen from a list.
_LISTED_ROWS = 2000


def write_screening(found: Screening, path: Path) -> None:
    """Write the screened table: the table's own columns, then the results.

    Parameters
    ----------
    found : Screening
        Whose spool is open.
    path : Path
        Ends in .csv, .xlsx or .parquet; written whole or not at all, and the first two are read
        again as a table.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    if path.suffix.lower() == PARQUET:
        write_parquet(found, path)
        return
    write = writer_of(path)
    rows = (cells_of(line, found) for line in lines_of(found))
    write(path, *rows_in_chosen_units(heads_of(found), rows))


def check_output(path: Path) -> None:
    """Refuse a file that a screened table cannot be written into, before anything is computed.

    Parameters
    ----------
    path : Path
        As `write_screening` takes it.

    Raises
    ------
    InputError
        If its ending is another, or the library for it is not installed.
    """
    if path.suffix.lower() == PARQUET:
        check_parquet(path)
    elif path.suffix.lower() not in (".csv", ".xlsx"):
        raise InputError(f"{path} must end in .csv, .xlsx or .parquet.")
    else:
        writer_of(path)


def writer_of(path: Path) -> Callable[[Path, Sequence[str], Iterable[Sequence[Cell]]], None]:
    """Return what writes a table into a file of this name.

    Raises
    ------
    InputError
        If its ending is neither .csv nor .xlsx, or workbooks cannot be written here.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        return _csv
    if ending != ".xlsx":
        raise InputError(f"{path} must end in .csv or .xlsx.")
    workbooks()
    return _xlsx


def _csv(path: Path, heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    with written_whole(path) as file:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="")
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(map(csv_cell, heads))
        writer.writerows(map(csv_cell, row) for row in rows)
        text.detach()


def _xlsx(path: Path, heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    numeric = [_is_number(head) for head in heads]
    with written_whole(path) as file:
        book = workbooks().Workbook(write_only=True)
        sheet = book.create_sheet("builds")
        _head(sheet, heads)
        for row in rows:
            sheet.append([_cell(sheet, c, n) for c, n in zip(row, numeric, strict=True)])
        book.save(file)


def _is_number(head: str) -> bool:
    """Whether a column's text is a number where it reads as one."""
    head, _ = metric_key(head)
    _, field = split(head)
    known = COLUMNS.get(head)
    return not head.startswith(RESULT) and field not in LAYER_TEXTS and not isinstance(known, str)


def _head(sheet: Any, heads: Sequence[str]) -> None:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "B2"
    cells = []
    for place, head in enumerate(heads, start=1):
        cell = WriteOnlyCell(sheet, head)
        cell.font, cell.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")
        cells.append(cell)
        sheet.column_dimensions[get_column_letter(place)].width = 16
    sheet.append(cells)


def _cell(sheet: Any, value: Cell, numeric: bool) -> Any:
    """Return a cell that no spreadsheet runs; a number keeps every bit."""
    from openpyxl.cell import WriteOnlyCell

    if value is None:
        return None
    if isinstance(value, str) and numeric:
        try:
            value = float(value)
        except ValueError:
            pass
        else:
            value = int(value) if value.is_integer() and abs(value) < 1e15 else value
    if isinstance(value, str):
        cell = WriteOnlyCell(sheet, CONTROLS.sub(" ", value))
        cell.data_type = "s"  # text, also where it starts like a formula
        return cell
    # The library writes 16 digits of a number; as text of our own it has all 17.
    cell = WriteOnlyCell(sheet, repr(value))
    cell.data_type = "n"
    return cell


def write_template(layers: int, catalogue: Catalogue, path: Path) -> None:
    """Write an empty table of builds.

    Parameters
    ----------
    layers : int
        Number of layers, 1 to 6.
    catalogue : Catalogue
        A workbook offers its names for the materials, and lists its cards on a sheet of their own.
    path : Path
        Ends in .csv or .xlsx.

    Raises
    ------
    InputError
        If the number of layers or the ending is another, or the file cannot be written.
    """
    heads = header_of(layers)
    if writer_of(path) is _csv:
        _csv(path, heads, ())
        return
    with written_whole(path) as file:
        _blank_workbook(heads, catalogue, file)


def _blank_workbook(heads: Sequence[str], catalogue: Catalogue, file: IO[bytes]) -> None:
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    book = workbooks().Workbook()
    sheet = book.active
    sheet.title = "builds"
    _head(sheet, heads)
    names = DataValidation("list", f"materials!$A$2:$A${len(catalogue.material) + 1}")
    names.showErrorMessage = False  # a name of another catalogue may be typed
    for place, head in enumerate(heads, start=1):
        if split(head)[1] == "material":
            letter = get_column_letter(place)
            names.add(f"{letter}2:{letter}{_LISTED_ROWS}")
    sheet.add_data_validation(names)
    for title, rows in (("materials", _cards(catalogue)), ("columns", _columns())):
        other = book.create_sheet(title)
        first, *rest = rows
        _head(other, [str(cell) for cell in first])
        for row in rest:
            other.append([_cell(other, cell, numeric=False) for cell in row])
    book.save(file)


def _cards(catalogue: Catalogue) -> Iterator[Sequence[Cell]]:
    yield ("material", "family", "youngs_modulus_mpa", "density_g_cm3", "source")
    for card in catalogue.material:
        modulus = card.youngs_modulus_mpa
        density = card.density_g_cm3.value
        yield (card.name, card.family, modulus.value, density, f"{modulus.source}; {modulus.grade}")


def _columns() -> Iterator[Sequence[Cell]]:
    """List what a table may hold; those of a layer are led by its name."""
    yield ("column", "unit", "from", "to", "what it is")
    for name, column in COLUMNS.items():
        layer, field = split(name)
        if not layer:
            yield _described(name, column)
    for field, words in {**LAYER_TEXTS, **LAYER_NUMBERS}.items():
        yield _described(f"LAYER_{field}", words)


def _described(name: str, column: Any) -> Sequence[Cell]:
    if isinstance(column, str):
        return (name, "", None, None, column)
    unit = "" if column.unit == "1" else column.unit
    return (name, unit, column.low, column.high, column.help)
