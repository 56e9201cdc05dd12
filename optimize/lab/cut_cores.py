"""The lab's cut cores from CSV: read whole, or refused with each fault by row and column.

Two forms are read. The long form has a row a reading. The other is the CSV of a prototype sheet
with its columns ``piece_1``, ``piece_2``, ... filled in: its rows ``shore_c@POSITION`` are the
readings of a stage, its rows ``cure_recipe`` and ``cure_cycle`` name the files.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path

import numpy as np

from layers.compound.recipe import Recipe, read_recipe, with_active
from layers.cure.chemistry import Chemistry
from layers.cure.cycle import Cycle, read_cycle
from layers.cure.fit import CutCore
from layers.cure.stock import stock_of
from layers.errors import MOST_FAULTS, InputError
from layers.files.csv import (
    MOST_CSV_BYTES,
    Column,
    check_header,
    check_ranges,
    read_number,
    refuse,
    table,
)
from layers.files.escaping import from_csv_cell
from layers.files.paths import StrPath
from layers.files.text import read_text

_TEXT = {
    "core": "the lab's name of the cut core",
    "recipe": "file of its recipe, from the folder of this file",
    "cycle": "file of its press cycle, from the folder of this file",
}
_PLACE = {
    "diameter_mm": Column("mm", "diameter of the core as moulded", 10.0, 50.0),
    "position_mm": Column("mm", "place of the reading, from the centre of the cut", 0.0, 25.0),
    "shore_c": Column("Shore C", "hardness at once, on the cut face", 30.0, 95.0),
}
_SETTINGS = {
    "coagent_phr": Column("phr", "co-agent, in place of the recipe's", 0.0, 80.0),
    "peroxide_phr": Column("phr", "peroxide, active parts, in place of the recipe's", 0.01, 10.0),
    "platen_celsius": Column("deg C", "platen of a one-step cycle, in place of its", 60.0, 240.0),
    "cure_minutes": Column("min", "time in the press, in place of the cycle's", 0.5, 240.0),
}
_REPLICATE = "replicate"
COLUMNS: dict[str, Column | str] = {
    **_TEXT,
    **_PLACE,
    **_SETTINGS,
    _REPLICATE: "number of the replicate; may be left out where there is one",
}
# Replicates that differ by more are a slip, points: some eight times a reading's scatter.
_REPLICATES_APART = 8.0
# Of a sheet: figure of a reading, and how it names the files.
READING, RECIPE, CYCLE = "shore_c@", "cure_recipe", "cure_cycle"


@dataclass(frozen=True)
class _Row:
    """A row of the long form, or a cell of a sheet."""

    line: int
    text: dict[str, str]
    number: dict[str, float]


@dataclass
class _Reader:
    """State while one file is read."""

    what: str
    folder: Path
    chemistry: Chemistry
    faults: list[str] = field(default_factory=list)
    recipes: dict[str, Recipe] = field(default_factory=dict)
    cycles: dict[str, Cycle] = field(default_factory=dict)

    def recipe(self, name: str) -> Recipe:
        """Return the recipe of a file, which is read once."""
        if name not in self.recipes:
            self.recipes[name] = read_recipe(self.folder / name)
        return self.recipes[name]

    def cycle(self, name: str) -> Cycle:
        """Return the cycle of a file, which is read once."""
        if name not in self.cycles:
            self.cycles[name] = read_cycle(self.folder / name)
        return self.cycles[name]


def read_cut_cores(paths: StrPath | Sequence[StrPath], chemistry: Chemistry) -> tuple[CutCore, ...]:
    """Read the cut cores of one or several CSV files.

    Parameters
    ----------
    paths : str or path, or a sequence of them
        Long form or filled-in prototype sheets; their columns decide which.
    chemistry : Chemistry
        Cards of peroxides and co-agents.

    Raises
    ------
    InputError
        If a file cannot be read or anything in it is wrong; nothing is then used.
    """
    several = [paths] if isinstance(paths, str | PathLike) else paths
    found: list[CutCore] = []
    for path in map(Path, several):
        text = read_text(path, MOST_CSV_BYTES)
        found += cut_cores_from_csv(text, path.name, path.parent, chemistry)
    names = [core.name for core in found]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"core {name!r} is in two files: give each its own name.")
    return tuple(found)


def cut_cores_from_csv(
    text: str, what: str, folder: Path, chemistry: Chemistry
) -> tuple[CutCore, ...]:
    """Read cut cores from a CSV text; see `read_cut_cores`.

    Parameters
    ----------
    text, what : str
        The file and its name, for messages.
    folder : Path
        Where the recipes and cycles are that it names.
    chemistry : Chemistry
        Cards of peroxides and co-agents.
    """
    header, lines = table(text, what)
    reader = _Reader(what, folder, chemistry)
    of_sheet = "piece_1" in header
    rows = (_sheet_rows if of_sheet else _long_rows)(reader, header, lines)
    refuse(reader.faults, what)
    groups: dict[str, list[_Row]] = {}
    for row in rows:
        groups.setdefault(row.text["core"], []).append(row)
    if not groups:
        raise InputError(f"{what} has no hardness reading of a cut core: no value is filled in.")
    cores = [_core(reader, name, group) for name, group in groups.items()]
    refuse(reader.faults, what)
    return tuple(core for core in cores if core is not None)


def _long_rows(
    reader: _Reader, header: list[str], lines: Iterable[tuple[int, list[str]]]
) -> list[_Row]:
    columns = {**_PLACE, **_SETTINGS}
    check_header(header, [*COLUMNS], [*_SETTINGS, _REPLICATE], reader.what)
    rows = []
    for line, cells in lines:
        if len(cells) != len(header):
            reader.faults.append(f"row {line} has {len(cells)} cells, but must have {len(header)}")
            continue
        given = dict(zip(header, cells, strict=True))
        words = {key: from_csv_cell(given.get(key, "")) for key in (*_TEXT, _REPLICATE)}
        reader.faults += [f"row {line}, {k} is empty: fill it in" for k in _TEXT if not words[k]]
        number = {
            key: read_number(given[key], line, key, column.unit, reader.faults)
            for key, column in columns.items()
            if key in given and (key in _PLACE or given[key])
        }
        check_ranges(number, line, columns, reader.faults)
        rows.append(_Row(line, words, number))
        if len(reader.faults) > MOST_FAULTS:
            break
    return rows


def _sheet_rows(
    reader: _Reader, header: list[str], lines: Iterable[tuple[int, list[str]]]
) -> list[_Row]:
    """Take the readings out of a filled-in sheet; what is no cut core's is passed over."""
    stages: dict[tuple[str, str], dict[str, str]] = {}
    rows = []
    pieces = [name for name in header if name.startswith("piece_")]
    for line, cells in lines:
        given = dict(zip(header, cells, strict=False))
        stage = (from_csv_cell(given.get("build", "")), given.get("stage", ""))
        figure, made = given.get("figure", ""), stages.setdefault(stage, {})
        if figure in (RECIPE, CYCLE):
            made[figure] = from_csv_cell(given.get("basis", ""))
        elif figure == "moulded_mm" or (figure == "finished_mm" and "size" not in made):
            made["size"] = given.get("target", "")
        elif figure.startswith(READING):
            for name in pieces:
                if given.get(name):
                    rows.append(_of_piece(reader, line, stage, name, given, made))
    return rows


def _of_piece(
    reader: _Reader,
    line: int,
    stage: tuple[str, str],
    piece: str,
    given: dict[str, str],
    made: dict[str, str],
) -> _Row:
    cells = {
        "diameter_mm": made.get("size", ""),
        "position_mm": given["figure"].removeprefix(READING).removesuffix("mm"),
        "shore_c": given[piece],
    }
    number = {
        key: read_number(cell, line, piece if key == "shore_c" else key, _PLACE[key].unit, [])
        for key, cell in cells.items()
    }
    for key, cell in cells.items():
        if math.isnan(number[key]):
            place = piece if key == "shore_c" else key
            reader.faults.append(
                f"row {line}, {place} is {cell!r}, but must be a number in {_PLACE[key].unit}"
            )
    check_ranges(number, line, _PLACE, reader.faults)
    for key in (RECIPE, CYCLE):
        if not made.get(key):
            told = f"row {line} has a reading, but no row {key} of its stage stands above it"
            if told not in reader.faults:
                reader.faults.append(told)
    name = f"{stage[0]}, {piece.replace('_', ' ')}"
    words = {"core": name, "recipe": made.get(RECIPE, ""), "cycle": made.get(CYCLE, "")}
    return _Row(line, {**words, _REPLICATE: ""}, number)


def _core(reader: _Reader, name: str, rows: list[_Row]) -> CutCore | None:
    """Join the rows of one core; faults go to the reader."""
    before = len(reader.faults)
    first = rows[0]
    seen: dict[tuple[float, str], _Row] = {}
    for row in rows:
        for key in ("recipe", "cycle", "diameter_mm", *_SETTINGS):
            here = row.text.get(key, row.number.get(key))
            there = first.text.get(key, first.number.get(key))
            if here != there:
                reader.faults.append(
                    f"row {row.line}, {key} of core {name} is {here}, but row {first.line} has "
                    f"{there}: one core is of one cure"
                )
        position = row.number["position_mm"]
        if position > 0.5 * row.number["diameter_mm"]:
            reader.faults.append(
                f"row {row.line}, position_mm is {position:g}, but the core of "
                f"{row.number['diameter_mm']:g} mm ends at {0.5 * row.number['diameter_mm']:g}"
            )
        key_of = (position, row.text[_REPLICATE])
        if key_of in seen:
            reader.faults.append(
                f"row {row.line} repeats {position:g} mm of core {name} of row "
                f"{seen[key_of].line}: number replicates in a column replicate"
            )
        seen[key_of] = row
        alike = [r for r in seen.values() if r.number["position_mm"] == position]
        apart = abs(row.number["shore_c"] - alike[0].number["shore_c"])
        if apart > _REPLICATES_APART:
            reader.faults.append(
                f"row {row.line}, shore_c is {apart:.1f} points from its replicate in row "
                f"{alike[0].line}, but must be within {_REPLICATES_APART:g}: read it again"
            )
    if len(reader.faults) > before:
        return None
    return _made(reader, name, rows)


def _made(reader: _Reader, name: str, rows: list[_Row]) -> CutCore | None:
    first = rows[0]
    try:
        recipe = reader.recipe(first.text["recipe"])
        cycle = reader.cycle(first.text["cycle"])
        stock = stock_of(_changed_recipe(recipe, first.number), reader.chemistry)
        cycle = _changed_cycle(cycle, first.number)
    except InputError as error:
        reader.faults.append(f"row {first.line}, core {name}: {str(error).rstrip('.')}")
        return None
    return CutCore(
        name=name,
        stock=stock,
        cycle=cycle,
        diameter_mm=first.number["diameter_mm"],
        position_mm=np.array([row.number["position_mm"] for row in rows]),
        shore_c=np.array([row.number["shore_c"] for row in rows]),
    )


def _changed_recipe(recipe: Recipe, number: dict[str, float]) -> Recipe:
    if "coagent_phr" in number:
        recipe = with_active(recipe, "co-agent", number["coagent_phr"])
    if "peroxide_phr" in number:
        recipe = with_active(recipe, "peroxide", number["peroxide_phr"])
    return recipe


def _changed_cycle(cycle: Cycle, number: dict[str, float]) -> Cycle:
    """Replace temperature and time of a cycle of one step."""
    new = {"platen_celsius": "platen_celsius", "cure_minutes": "minutes"}
    changes = {new[key]: number[key] for key in new if key in number}
    if not changes:
        return cycle
    if len(cycle.step) != 1:
        raise InputError(
            f"{cycle.name} has {len(cycle.step)} steps, but must have one for platen_celsius or "
            "cure_minutes to replace its numbers."
        )
    step = cycle.step[0].model_copy(update=changes)
    return cycle.model_copy(update={"step": (step,)})
