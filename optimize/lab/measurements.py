"""The lab's measurements from CSV: read whole, or refused with each fault by row and column.

Two forms are read. The long form has a row a reading, in columns ``build, stage, figure, unit,
value`` and, for replicates, ``replicate``. The other is the CSV of a prototype sheet with its
columns ``piece_1``, ``piece_2``, ... filled in (see `optimize.report.sheet.to_csv`).
"""

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from os import PathLike
from pathlib import Path

from layers.ball import Ball
from layers.errors import MOST_FAULTS, InputError
from layers.figures import QUANTITIES, FigureName, parse_figure
from layers.files.csv import (
    MOST_CSV_BYTES,
    Column,
    check_header,
    read_number,
    refuse,
    table,
    wrong_width,
)
from layers.files.escaping import from_csv_cell
from layers.files.other_units import OTHER_UNITS, factor_to, metric_key, unit_hint
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.strike.swings import SwingTable, default_swings
from optimize.lab.cut_cores import READING
from optimize.lab.plausibility import duplicates, far_from_replicates, off_theory
from optimize.lab.readings import Measurements, Reading, as_made
from optimize.lab.renamed import refuse_renamed
from optimize.lab.uncertainty import lab_data

_LONG = {
    "build": "name of the ball, as its file has it",
    "stage": "number of the stage from the centre, or ball",
    "figure": "what was measured, see below; with its test condition, such as cor@38.1",
    "unit": "the figure's unit, to be sure of it",
}
_VALUE = {"value": Column("the figure's", "the reading; its range is below", -math.inf, math.inf)}
_REPLICATE = {"replicate": "number of the replicate; may be left out where there is one"}
# Every column of the long form, for the reference.
COLUMNS: dict[str, Column | str] = {**_LONG, **_VALUE, **_REPLICATE}
_SHEET = ("build", "stage", "kind", "figure", "unit")
_SHEET_MORE = ("target", "low", "high", "model_error", "basis")
_PIECE = re.compile(r"piece_[1-9][0-9]*")
# Layer thicknesses on the sheet: of the concentricity, not of the materials.
_WALLS = ("minimum_thickness_mm", "maximum_thickness_mm")


@dataclass(frozen=True)
class _Row:
    """A row of either form; `cell` has (column, replicate, text) of its values."""

    line: int
    given: dict[str, str]
    cell: tuple[tuple[str, str, str], ...]


@dataclass
class _Reader:
    """State while one file is read."""

    balls: dict[str, Ball]
    swings: SwingTable
    what: str
    faults: list[str] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    walls: int = 0
    cut: int = 0


def read_measurements(
    paths: StrPath | Sequence[StrPath], balls: Sequence[Ball], swings: SwingTable | None = None
) -> Measurements:
    """Read one or several CSV files of measurements.

    Parameters
    ----------
    paths : str or path, or a sequence of them
        Long form or filled-in prototype sheets; their columns decide which.
    balls : sequence of Ball
        The builds that were measured; names must differ.
    swings : SwingTable, optional
        Table of named swings; the shipped one by default.

    Raises
    ------
    InputError
        If a file cannot be read or anything in it is wrong; nothing is then used.
    """
    several = [paths] if isinstance(paths, str | PathLike) else paths
    texts = [(path.name, read_text(path, MOST_CSV_BYTES)) for path in map(Path, several)]
    return measurements_from_csv(texts, balls, swings)


def measurements_from_csv(
    texts: Sequence[tuple[str, str]], balls: Sequence[Ball], swings: SwingTable | None = None
) -> Measurements:
    """Read measurements from CSV texts; see `read_measurements`.

    Parameters
    ----------
    texts : sequence of (str, str)
        Name and content of each file.
    balls, swings
        As for `read_measurements`.
    """
    by_name = {ball.name: ball for ball in balls}
    trimmed = {ball.name.strip(): ball for ball in balls}  # as cells are
    if len(trimmed) < len(balls):
        names = [ball.name.strip() for ball in balls]
        twice = next(name for name in names if names.count(name) > 1)
        raise InputError(
            f"two builds are named {twice!r}, but names must differ: readings name their build."
        )
    readings: list[Reading] = []
    walls = cut = 0
    for what, text in texts:
        reader = _Reader(trimmed, swings or default_swings(), what)
        for row in _rows(text, what, reader.faults):
            _read_row(reader, row)
            if len(reader.faults) > MOST_FAULTS:
                break
        refuse(reader.faults, what)
        readings += reader.readings
        walls += reader.walls
        cut += reader.cut
    found = Measurements(tuple(readings), tuple(what for what, _ in texts))
    faults = chain(duplicates(found), far_from_replicates(found), off_theory(found, by_name))
    refuse(list(islice(faults, MOST_FAULTS + 1)), "measurements")
    if not readings:
        raise InputError(f"{', '.join(found.source)} has no reading: no value is filled in.")
    for ball in balls:
        as_made(ball, found)
    return replace(found, note=tuple(_notes(found, balls, walls, cut)))


def _rows(text: str, what: str, faults: list[str]) -> Iterator[_Row]:
    """Split a file of either form into rows; refuse unknown and renamed columns."""
    header, lines = table(text, what)
    refuse_renamed(header, f"{what}: row 1, column")
    pieces = [name for name in header if _PIECE.fullmatch(name)]
    if pieces:
        check_header(header, [*_SHEET, *_SHEET_MORE, *pieces], _SHEET_MORE, what)
    else:
        check_header(header, [*COLUMNS], [*_REPLICATE], what)
    for line, cells in lines:
        if len(cells) != len(header):
            faults.append(wrong_width(line, len(cells), len(header)))
            continue
        given = dict(zip(header, cells, strict=True))
        given["build"] = from_csv_cell(given["build"])
        if not pieces:
            yield _Row(line, given, (("value", given.get("replicate", ""), given["value"]),))
        elif given["kind"] not in ("make", "measure"):
            faults.append(f"row {line}, kind is {given['kind']!r}, but must be make or measure")
        elif given["kind"] == "measure":
            filled = [(name, name.removeprefix("piece_"), given[name]) for name in pieces]
            yield _Row(line, given, tuple(cell for cell in filled if cell[2]))


def _read_row(reader: _Reader, row: _Row) -> None:
    refuse_renamed([row.given["figure"]], f"{reader.what}: row {row.line}, figure")
    if metric_key(row.given["figure"])[0] in _WALLS:
        reader.walls += len(row.cell)
        return
    if row.given["figure"].startswith(READING):
        reader.cut += len(row.cell)
        return
    ball = reader.balls.get(row.given["build"])
    stage = _stage(row.given["stage"], ball)
    parsed, trouble = _figure(row.given["figure"], reader.swings)
    before = len(reader.faults)
    if ball is None:
        said = f"is {row.given['build']!r}, but must be one of {', '.join(reader.balls)}"
        _fault(reader, row, "build", said if row.given["build"] else "is empty: write one")
    if stage is None:
        allowed = f"1 to {len(ball.layer)} or ball" if ball else "a stage's number or ball"
        said = f"is {row.given['stage']!r}" if row.given["stage"] else "is empty"
        _fault(reader, row, "stage", f"{said}, but must be {allowed}")
    if parsed is None:
        _fault(reader, row, "figure", trouble)
    else:
        unit = QUANTITIES[parsed.quantity].unit
        if factor_to(unit, row.given["unit"]) is None:
            said = f"is {row.given['unit']!r}" if row.given["unit"] else "is empty"
            others = ", ".join(OTHER_UNITS[unit])
            told = f"{said}, but {parsed.quantity} must be in {unit}{others and ', or ' + others}"
            _fault(reader, row, "unit", told)
        if parsed.swing and ball and stage not in (None, len(ball.layer)):
            _fault(reader, row, "stage", "must be ball: only a finished ball is struck")
    if len(reader.faults) > before or parsed is None or ball is None or stage is None:
        return
    name = parsed.name
    if stage < len(ball.layer):
        name = f"stage{stage}.{name}"
    for column, replicate, text in row.cell:
        value = _value(reader, row, column, text, parsed.quantity)
        if value is not None:
            place = f"{reader.what} row {row.line}, {column}"
            reader.readings.append(Reading(ball.name, name, replicate, value, place))


def _fault(reader: _Reader, row: _Row, column: str, said: str) -> None:
    reader.faults.append(f"row {row.line}, {column} {said}{_swapped(reader, row, column)}")


def _swapped(reader: _Reader, row: _Row, column: str) -> str:
    """Name the column whose content fits here, while the content here fits there."""
    parsed, _ = _figure(row.given["figure"], reader.swings)
    fits: dict[str, Callable[[str], bool]] = {
        "build": lambda cell: cell in reader.balls,
        "stage": lambda cell: _stage(cell, None) is not None,
        "figure": lambda cell: _figure(cell, reader.swings)[0] is not None,
        "unit": lambda cell: cell in OTHER_UNITS,
        "value": lambda cell: _is_number(cell, parsed),
    }
    here = row.given[column]
    for other, fits_there in fits.items():
        there = row.given.get(other)
        if other != column and there is not None and fits[column](there) and fits_there(here):
            return f" (swapped with {other}?)"
    return ""


def _is_number(cell: str, parsed: FigureName | None) -> bool:
    try:
        value = float(cell)
    except ValueError:
        return False
    measured = lab_data().figure.get(parsed.quantity) if parsed else None
    return math.isfinite(value) and (measured is None or measured.low <= value <= measured.high)


def _stage(text: str, ball: Ball | None) -> int | None:
    """Return a stage's number, None if there is no such; 0 for the last of an unknown ball."""
    most = len(ball.layer) if ball else 0
    if text == "ball":
        return most
    stage = int(text) if re.fullmatch(r"[1-9]", text) else None
    return stage if stage is None or ball is None or stage <= most else None


def _figure(name: str, swings: SwingTable) -> tuple[FigureName | None, str]:
    """Parse a figure that can be measured; None and what is wrong otherwise."""
    try:
        parsed = parse_figure(metric_key(name)[0])
        if parsed.swing and QUANTITIES[parsed.quantity].of == "swing":
            swings.find(parsed.swing)
    except InputError as error:
        return None, f"{error}".removeprefix("figure ").rstrip(
            "."
        ) if name else "is empty: write one"
    if parsed.stage is not None:
        return None, f"is {name!r}, but the stage belongs in its own column"
    if parsed.quantity not in lab_data().figure:
        known = ", ".join(lab_data().figure)
        return None, f"is {name!r}, which is derived from others; measurable: {known}"
    return parsed, ""


def _value(reader: _Reader, row: _Row, column: str, text: str, quantity: str) -> float | None:
    unit = QUANTITIES[quantity].unit
    faults: list[str] = []
    value = read_number(text, row.line, column, unit, faults)
    if faults:
        hint = _swapped(reader, row, column) if column == "value" else ""
        reader.faults += [fault + hint for fault in faults]
        return None
    value *= factor_to(unit, row.given["unit"]) or 1.0
    measured = lab_data().figure[quantity]
    if measured.low <= value <= measured.high:
        return value
    hint = unit_hint(value, unit, measured.low, measured.high)
    if column == "value":
        hint = _swapped(reader, row, column) or hint
    reader.faults.append(
        f"row {row.line}, {column} is {value:.10g}, but {quantity} must be from "
        f"{measured.low:g} to {measured.high:g} {unit}{hint}"
    )
    return None


def _notes(found: Measurements, balls: Sequence[Ball], walls: int, cut: int) -> Iterator[str]:
    for ball in balls:
        stages = {
            parse_figure(r.figure).stage or len(ball.layer)
            for r in found.reading
            if r.build == ball.name
        }
        missing = [str(n) for n in range(1, len(ball.layer) + 1) if n not in stages]
        if not stages:
            yield f"{ball.name} has no readings"
        elif missing:
            yield f"{ball.name}: stage {' and '.join(missing)} was not measured"
    if walls:
        yield f"{walls} layer thicknesses are not used: they give concentricity, not materials"
    if cut:
        yield f"{cut} hardness readings of cut pieces are left to orbwright cure --readings"
