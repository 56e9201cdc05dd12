"""The lab's measurements from CSV: read whole, or not at all with each fault by row and column.

Two forms are read. The long form has a row a reading, in columns ``build, stage, figure, unit,
value`` and, where pieces or shots were repeated, ``repeat``. The other is the prototype sheet's own
CSV with its ``piece_1``, ``piece_2``, ... columns filled in (see `optimize.report.sheet.to_csv`).
"""

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from layers.ball import Ball
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import QUANTITIES, FigureName, parse_figure
from layers.files.csv import check_header, read_number, refuse, table
from layers.files.text import read_text
from layers.strike.swings import SwingTable, default_swings
from optimize.lab.readings import Measurements, Reading, as_made
from optimize.lab.uncertainty import lab_data

_LONG = ("build", "stage", "figure", "unit", "value")
_SHEET = ("build", "stage", "kind", "figure", "unit")
_SHEET_MORE = ("target", "low", "high", "trusted_to", "basis")
_PIECE = re.compile(r"piece_[1-9][0-9]*")
# What the sheet asks for that says how a layer lies, not what it is.
_WALLS = ("wall_thinnest_mm", "wall_thickest_mm")

# Other units that a figure may have been noted in: factor to the unit that is wanted.
_OTHER_UNITS = {
    "mm": {"in": 25.4, "cm": 10.0, "1/1000 in": 0.0254, "um": 1e-3},
    "g": {"oz": 28.349523, "kg": 1000.0, "lb": 453.59237, "mg": 1e-3},
    "g cm2": {"kg m2": 1e7, "g mm2": 0.01, "oz in2": 182.9},
    "m/s": {"ft/s": 0.3048, "mph": 0.44704, "km/h": 1.0 / 3.6},
    "us": {"ms": 1e3, "s": 1e6},
    "Hz": {"kHz": 1e3},
    "N": {"kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216},
    "rpm": {"rad/s": 30.0 / math.pi, "1/s": 60.0},
    "m": {"yd": 0.9144, "ft": 0.3048},
    "deg": {"rad": 180.0 / math.pi},
    "1": {"%": 0.01},
    "g/cm3": {"kg/m3": 1e-3},
    "s": {},
}

# A reading further than this from the middle of its repeats is an error of the pen, not scatter.
_MOST_RATIO = 1.5


@dataclass(frozen=True)
class _Row:
    """A row of either form; `cell` are (column, repeat, text) of its values."""

    line: int
    given: dict[str, str]
    cell: tuple[tuple[str, str, str], ...]


@dataclass
class _Reader:
    """What is known while one file is read."""

    balls: dict[str, Ball]
    swings: SwingTable
    what: str
    faults: list[str] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    walls: int = 0


def read_measurements(
    paths: Sequence[Path], balls: Sequence[Ball], swings: SwingTable | None = None
) -> Measurements:
    """Read one or several CSV files of measurements.

    Parameters
    ----------
    paths : sequence of Path
        Long form or filled-in prototype sheets, told apart by their columns.
    balls : sequence of Ball
        The builds that were measured, by name.
    swings : SwingTable, optional
        Where named swings are found; the shipped ones otherwise.

    Raises
    ------
    InputError
        If a file cannot be read or anything in it is at fault: nothing is then taken.
    """
    texts = []
    for path in paths:
        texts.append((path.name, read_text(path)))
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
    if len(by_name) < len(balls):
        names = [ball.name for ball in balls]
        twice = next(name for name in names if names.count(name) > 1)
        raise InputError(f"two builds are named {twice!r}: measurements tell builds by name.")
    readings: list[Reading] = []
    walls = 0
    for what, text in texts:
        reader = _Reader(by_name, swings or default_swings(), what)
        for row in _rows(text, what, reader.faults):
            _read_row(reader, row)
        refuse(reader.faults, what)
        readings += reader.readings
        walls += reader.walls
    found = Measurements(tuple(readings), tuple(what for what, _ in texts))
    refuse([*_duplicates(found), *_apart(found), *_off_theory(found, by_name)], "measurements")
    if not readings:
        raise InputError(f"{', '.join(found.source)} has no reading: nothing is filled in.")
    for ball in balls:
        as_made(ball, found)
    return replace(found, note=tuple(_notes(found, balls, walls)))


def _rows(text: str, what: str, faults: list[str]) -> Iterator[_Row]:
    """Split a file of either form into rows, refusing columns that do not belong."""
    header, lines = table(text, what)
    pieces = [name for name in header if _PIECE.fullmatch(name)]
    if pieces:
        check_header(header, [*_SHEET, *_SHEET_MORE, *pieces], _SHEET_MORE, what)
    else:
        check_header(header, [*_LONG, "repeat"], ["repeat"], what)
    for line, cells in lines:
        if len(cells) != len(header):
            faults.append(f"row {line} has {len(cells)} cells, but must have {len(header)}")
            continue
        given = dict(zip(header, cells, strict=True))
        if not pieces:
            yield _Row(line, given, (("value", given.get("repeat", ""), given["value"]),))
        elif given["kind"] not in ("make", "measure"):
            faults.append(f"row {line}, kind is {given['kind']!r}, but must be make or measure")
        elif given["kind"] == "measure":
            # Text that a spreadsheet would run as a formula was led by an apostrophe.
            given["build"] = given["build"].removeprefix("'")
            filled = [(name, name.removeprefix("piece_"), given[name]) for name in pieces]
            yield _Row(line, given, tuple(cell for cell in filled if cell[2]))


def _read_row(reader: _Reader, row: _Row) -> None:
    if row.given["figure"] in _WALLS:
        reader.walls += len(row.cell)
        return
    ball = reader.balls.get(row.given["build"])
    stage = _stage(row.given["stage"], ball)
    parsed, trouble = _figure(row.given["figure"], reader.swings)
    before = len(reader.faults)
    if ball is None:
        said = f"is {row.given['build']!r}, but must be one of {', '.join(reader.balls)}"
        _fault(reader, row, "build", said if row.given["build"] else "is empty")
    if stage is None:
        allowed = f"1 to {len(ball.layer)} or ball" if ball else "a stage's number or ball"
        said = f"is {row.given['stage']!r}" if row.given["stage"] else "is empty"
        _fault(reader, row, "stage", f"{said}, but must be {allowed}")
    if parsed is None:
        _fault(reader, row, "figure", trouble)
    else:
        unit = QUANTITIES[parsed.quantity].unit
        if row.given["unit"] != unit and (unit != "1" or row.given["unit"]):
            said = f"is {row.given['unit']!r}" if row.given["unit"] else "is empty"
            _fault(reader, row, "unit", f"{said}, but {parsed.quantity} must be in {unit}")
        if parsed.swing and ball and stage not in (None, len(ball.layer)):
            _fault(reader, row, "stage", "is not the ball, but only a finished ball is struck")
    if len(reader.faults) > before or parsed is None or ball is None or stage is None:
        return
    name = row.given["figure"]
    if stage < len(ball.layer):
        name = f"stage{stage}.{name}"
    for column, repeat, text in row.cell:
        value = _value(reader, row, column, text, parsed.quantity)
        if value is not None:
            place = f"{reader.what} row {row.line}, {column}"
            reader.readings.append(Reading(ball.name, name, repeat, value, place))


def _fault(reader: _Reader, row: _Row, column: str, said: str) -> None:
    reader.faults.append(f"row {row.line}, {column} {said}{_swapped(reader, row, column)}")


def _swapped(reader: _Reader, row: _Row, column: str) -> str:
    """Name the column whose content fits here, while the content here fits there."""
    parsed, _ = _figure(row.given["figure"], reader.swings)
    fits: dict[str, Callable[[str], bool]] = {
        "build": lambda cell: cell in reader.balls,
        "stage": lambda cell: _stage(cell, None) is not None,
        "figure": lambda cell: _figure(cell, reader.swings)[0] is not None,
        "unit": lambda cell: cell in _OTHER_UNITS,
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
        parsed = parse_figure(name)
        if parsed.swing and QUANTITIES[parsed.quantity].of == "swing":
            swings.find(parsed.swing)
    except InputError as error:
        return None, f"{error}".removeprefix("figure ").rstrip(".") if name else "is empty"
    if parsed.stage is not None:
        return None, f"is {name!r}, but the stage must stand in its own column"
    if parsed.quantity not in lab_data().figure:
        known = ", ".join(lab_data().figure)
        return None, f"is {name!r}, which follows from others; what is measured: {known}"
    return parsed, ""


def _value(reader: _Reader, row: _Row, column: str, text: str, quantity: str) -> float | None:
    unit = QUANTITIES[quantity].unit
    faults: list[str] = []
    value = read_number(text, row.line, column, unit, faults)
    if faults:
        hint = _swapped(reader, row, column) if column == "value" else ""
        reader.faults += [fault + hint for fault in faults]
        return None
    measured = lab_data().figure[quantity]
    if measured.low <= value <= measured.high:
        return value
    hint = _unit_hint(value, unit, measured.low, measured.high)
    if column == "value":
        hint = _swapped(reader, row, column) or hint
    reader.faults.append(
        f"row {row.line}, {column} is {value:g}, but {quantity} must be from {measured.low:g} to "
        f"{measured.high:g} {unit}{hint}"
    )
    return None


def _unit_hint(value: float, unit: str, low: float, high: float) -> str:
    for other, factor in _OTHER_UNITS[unit].items():
        if low <= value * factor <= high:
            return f" (noted in {other}?)"
    return ""


def _duplicates(found: Measurements) -> Iterator[str]:
    seen: dict[tuple[str, FigureName, str], str] = {}
    for r in found.reading:
        key = (r.build, parse_figure(r.figure), r.repeat)
        if key in seen:
            which = f", repeat {r.repeat}" if r.repeat else ""
            hint = "" if r.repeat else "; number repeats in a column 'repeat'"
            yield f"{r.place}: {r.figure} of {r.build}{which} stands already in {seen[key]}{hint}"
        seen.setdefault(key, r.place)


def _apart(found: Measurements) -> Iterator[str]:
    """Find readings so far from their repeats that the pen or the unit must have slipped."""
    for group in found.groups():
        middle = float(np.median(group.values))
        unit = QUANTITIES[parse_figure(group.figure).quantity].unit
        for r in group.reading if len(group.reading) > 2 else ():
            if not middle / _MOST_RATIO <= r.value <= middle * _MOST_RATIO:
                hint = _unit_hint(r.value, unit, middle / _MOST_RATIO, middle * _MOST_RATIO)
                yield (
                    f"{r.place} is {r.value:g} {unit}, but the other repeats of {group.figure} of "
                    f"{group.build} are near {middle:.4g}{hint}"
                )


def _off_theory(found: Measurements, balls: dict[str, Ball]) -> Iterator[str]:
    """Find closed-form figures too far from what the build's sizes and densities give."""
    limits: dict[Reading, tuple[float, float, float]] = {}
    for r in found.reading:
        near = lab_data().figure[parse_figure(r.figure).quantity].near_percent
        if near is not None:
            value = estimate(balls[r.build], [r.figure])[r.figure].value
            away = value * near / 100.0
            limits[r] = (value, value - away, value + away)
    for r, (value, low, high) in limits.items():
        if low <= r.value <= high:
            continue
        unit = QUANTITIES[parse_figure(r.figure).quantity].unit
        hint = _unit_hint(r.value, unit, low, high)
        for other, (_, other_low, other_high) in limits.items():
            same = other.build == r.build and other.repeat == r.repeat and other is not r
            if same and low <= other.value <= high and other_low <= r.value <= other_high:
                hint = f" (swapped with {other.place}?)"
        yield (
            f"{r.place} is {r.value:g}, but {r.figure} of {r.build} must be within "
            f"{100.0 * (high / value - 1.0):.0f} % of {value:.4g} {unit} that its sizes and "
            f"densities give{hint}"
        )


def _notes(found: Measurements, balls: Sequence[Ball], walls: int) -> Iterator[str]:
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
        yield f"{walls} walls of cut pieces are not used: they tell concentricity, not materials"
