"""A screened table as Parquet: the columns of its CSV as typed ones, with their units."""

from contextlib import suppress
from importlib.util import find_spec
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from layers.errors import InputError
from layers.files.csv import Column
from layers.files.other_units import read_quantity
from layers.files.paths import written_whole
from optimize.report.screening import OF_FIGURE, Cell, cells_of, heads_of, lines_of
from optimize.report.trade_columns import head_in_chosen_units, rows_in_chosen_units
from optimize.report.units import conversion_of
from optimize.report.words import label_of, unit_of
from optimize.screening.columns import COLUMNS, RESULT
from optimize.screening.question import Question
from optimize.screening.screen import Screening

PARQUET = ".parquet"
# Rows of a row group: all that is held at once.
_ROWS = 4096
# Results that are no figures: whole numbers, and one number; all others are text.
_WHOLE = ("rank", "front", "same_count")
_DENSITY = "open_density_g_cm3"


class _Field(NamedTuple):
    """A column by its metric name; its kind is "text", "whole" or "number"."""

    head: str
    kind: str
    unit: str = ""
    help: str = ""


def check_parquet(path: Path) -> None:
    """Refuse a Parquet file where it cannot be written.

    Parameters
    ----------
    path : Path
        The file, for the message.

    Raises
    ------
    InputError
        If the library is not installed.
    """
    if find_spec("pyarrow") is None:
        raise InputError(
            f"{path} needs the package pyarrow, which is not installed: install it with "
            f"pip install 'orbwright[parquet]', or write a .csv file."
        )


def write_parquet(found: Screening, path: Path) -> None:
    """Write the screened table row group by row group.

    The table's own numbers are numbers in the column's unit; a cell that is none, such as an open
    density, is null. A field's metadata has `unit` and `description`.

    Parameters
    ----------
    found : Screening
        Whose spool is open.
    path : Path
        Written whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written, or the library is not installed.
    """
    check_parquet(path)
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    fields = _fields(found)
    kinds = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64()}
    rows = (_typed(cells_of(line, found), fields) for line in lines_of(found))
    heads, chosen = rows_in_chosen_units([field.head for field in fields], rows)
    schema = pa.schema(
        [
            pa.field(head, kinds[field.kind], metadata=_metadata(field))
            for head, field in zip(heads, fields, strict=True)
        ]
    )
    with (
        written_whole(path) as file,
        ParquetWriter(file, schema, compression="zstd") as writer,
    ):
        while some := list(islice(chosen, _ROWS)):
            columns = zip(zip(*some, strict=True), schema, strict=True)
            arrays = [pa.array(values, field.type) for values, field in columns]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _fields(found: Screening) -> list[_Field]:
    own = [_own(name) for name in found.sheet.names]
    results = heads_of(found)[len(own) :]
    return [*own, *(_result(head, found.question) for head in results)]


def _own(name: str) -> _Field:
    column = COLUMNS[name]
    if not isinstance(column, Column):
        return _Field(name, "text", help=column)
    return _Field(name, "number", "" if column.unit == "1" else column.unit, column.help)


def _result(head: str, question: Question) -> _Field:
    name = head.removeprefix(RESULT)
    if name == _DENSITY:
        return _Field(head, "number", "g/cm3", "the density that was solved for")
    if name in _WHOLE:
        return _Field(head, "whole")
    for figure in question.figures:
        rest = name.removeprefix(f"{figure}_")
        if name == figure:
            return _Field(head, "number", unit_of(figure), label_of(figure))
        if rest in OF_FIGURE:
            words = f"{rest.replace('_', ' ')} of {label_of(figure)}"
            return _Field(head, "number", unit_of(figure), words)
    return _Field(head, "text")


def _metadata(field: _Field) -> dict[str, str]:
    """Return unit and words of a column, the unit as the chosen units have it."""
    conversion = conversion_of(field.unit, field.head) if field.unit else None
    converted = head_in_chosen_units(field.head)[0] != field.head
    unit = conversion.trade if conversion and converted else field.unit
    return {name: words for name, words in (("unit", unit), ("description", field.help)) if words}


def _typed(cells: list[Cell], fields: list[_Field]) -> list[Any]:
    return [
        _number(cell, field) if field.kind == "number" else cell
        for cell, field in zip(cells, fields, strict=True)
    ]


def _number(cell: Cell, field: _Field) -> float | None:
    """Return a cell as a number in the column's unit; None where it is none."""
    if cell is None or not isinstance(cell, str):
        return cell
    with suppress(ValueError):
        return float(cell)
    with suppress(InputError):
        return read_quantity(cell, field.unit or "1", field.head)
    return None
