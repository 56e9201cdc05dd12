"""A ledger as a table, CSV or Parquet: a row for each build and version of the model, or event.

Columns of builds: ``build``, ``model_version``, ``written``; the build's numbers, from
``layer1_...`` out; and for each figure its value under the figure's own name, then
``..._difference_error``, ``..._absolute_error``, ``..._unit``, ``..._basis`` and, where any build
has one, ``..._flag``, ``..._caution`` and ``..._failed`` (why it could not be computed).
"""

import csv
import io
import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import astuple, dataclass, fields
from functools import lru_cache
from importlib.util import find_spec
from itertools import islice
from operator import attrgetter
from pathlib import Path
from typing import IO, Any

from layers.errors import InputError
from layers.files.escaping import csv_cell
from layers.files.paths import written_whole
from optimize.ledger.check import check_ledger
from optimize.ledger.columns import (
    OF_BUILD,
    OF_FIGURE,
    OF_LAYER,
    OF_PAIR,
    OF_PROFILE,
    PATTERN,
    profile_numbers,
    title,
)
from optimize.ledger.decisions import named_run, read_events
from optimize.ledger.events import Event
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Known

# Called with how much is done, and of how much: each evaluation is checked, read, then written.
Report = Callable[[int, int], None]
Write = Callable[[list[list[Any]]], None]
# A column belongs to the build, one of its layers or a figure: kind, owner, what of it.
Column = tuple[int, str, str]
Form = Callable[[IO[bytes], list[Column]], AbstractContextManager[Write]]
# What decides a row's columns: relaxation pairs of each layer, graded layers, figures, failed ones.
Shape = tuple[tuple[int, ...], tuple[int, ...], tuple[str, ...], tuple[str, ...]]

_BUILD, _LAYER, _FIGURE = range(3)
_BATCH = 5000
_FIELDS = (*OF_BUILD, PATTERN, *OF_LAYER, *OF_PROFILE, *OF_PAIR, *OF_FIGURE, "failed")
_OF_EVENT = tuple(field.name for field in fields(Event))
_TEXTS = {"build", "model_version", "written", "unit", "basis", "flag", "caution", "failed"}
_TEXTS |= {PATTERN, *_OF_EVENT}
_SELDOM = (PATTERN, "flag", "caution")
_numbers_of = attrgetter(*OF_FIGURE)


@dataclass(frozen=True)
class Part:
    """Which evaluations are exported, as SQL over ``evaluation`` and what it is filled with."""

    where: str
    parameters: tuple[str, ...]

    def count(self, ledger: Ledger) -> int:
        """Count them; a build that was evaluated for other figures again counts again."""
        query = f"SELECT count(*) FROM evaluation WHERE {self.where}"
        return int(ledger.rows(query, self.parameters)[0][0])


def part_of(ledger: Ledger, run: str | None, model_version: str | None) -> Part:
    """Choose the builds of a run, of a version of the model, or all.

    Parameters
    ----------
    ledger : Ledger
        Where they stand.
    run : str or None
        A run's id, or a scenario's name for its latest run, finished or not.
    model_version : str or None
        A version of the model, by as much of its beginning as names one alone.

    Raises
    ------
    InputError
        If there is no such run or version; the message names those there are.
    """
    terms, parameters = ["TRUE"], []
    if run is not None:
        record = named_run(ledger, run)
        terms += ["build IN (SELECT build FROM proposal WHERE run = ? AND outcome = 'computed')"]
        terms += ["model_version = ?"]
        parameters += [record.id, record.versions["model"]]
    if model_version is not None:
        versions = [v for (v,) in ledger.rows("SELECT DISTINCT model_version FROM evaluation")]
        like = [v for v in versions if v == model_version] or [
            v for v in versions if v.startswith(model_version)
        ]
        if len(like) != 1:
            raise InputError(
                f"model version {model_version!r} names {len(like) or 'none'} of those in ledger "
                f"{ledger.path}; it has: {', '.join(versions) or 'none'}."
            )
        terms += ["model_version = ?"]
        parameters += like
    return Part(" AND ".join(terms), tuple(parameters))


def export_ledger(ledger: Ledger, part: Part, path: Path, report: Report | None = None) -> int:
    """Write a table of what was evaluated, in the order in which it was first written.

    Parameters
    ----------
    ledger : Ledger
        Checked whole, so that no row is missed; then read twice: for the columns, for the rows.
    part : Part
        Which builds, see `part_of`.
    path : Path
        Ends in .csv or .parquet; written whole or not at all.
    report : callable, optional
        Told how far it is.

    Returns
    -------
    int
        The number of rows.

    Raises
    ------
    InputError
        If the ledger is damaged, the file cannot be written, or Parquet is not installed.
    """
    form = form_of(path)
    with written_whole(path) as file, ledger.snapshot():
        checked, total = len(ledger), part.count(ledger)

        def told(done: int) -> None:
            if report:
                report(done, checked + 2 * total)

        check_ledger(ledger, lambda done, _: told(done))
        columns = _columns(_rows(ledger, part), lambda done: told(checked + done))
        places = {column: i for i, column in enumerate(columns)}
        count, rows = 0, _rows(ledger, part)
        with form(file, columns) as write:
            while batch := list(islice(rows, _BATCH)):
                write([_placed(shape, cells, places) for shape, cells in batch])
                count += len(batch)
                told(checked + total + count)
    return count


def export_events(ledger: Ledger, path: Path, run: str | None = None) -> int:
    """Write a table of decisions, notes and other events, by moment.

    Parameters
    ----------
    ledger : Ledger
        Its events are checked.
    path : Path
        Ends in .csv or .parquet; written whole or not at all.
    run : str, optional
        Only those of this run: its id, or a scenario's name for its latest run.

    Returns
    -------
    int
        The number of rows.

    Raises
    ------
    InputError
        If the ledger is damaged, has no such run, the file cannot be written, or Parquet is not
        installed.
    """
    form = form_of(path)
    events = read_events(ledger)
    if run is not None:
        name = named_run(ledger, run).id
        events = tuple(event for event in events if event.run == name)
    columns = [(_BUILD, "", field) for field in _OF_EVENT]
    with written_whole(path) as file, form(file, columns) as write:
        write([list(astuple(event)) for event in events])
    return len(events)


def _rows(ledger: Ledger, part: Part) -> Iterator[tuple[Shape, list[Any]]]:
    """Give each build and version once, with all that is known of it."""
    first = (
        f"({part.where}) AND NOT EXISTS (SELECT 1 FROM evaluation AS earlier "
        "WHERE earlier.model_version = evaluation.model_version "
        "AND earlier.build = evaluation.build AND earlier.id < evaluation.id)"
    )
    for entry in ledger.entries_where(first, part.parameters):
        yield _flat(entry, _all_known(ledger, entry))


def _all_known(ledger: Ledger, entry: Entry) -> Known:
    query = "SELECT count(*) FROM evaluation WHERE model_version = ? AND build = ?"
    ((count,),) = ledger.rows(query, (entry.model_version, entry.build))
    if count == 1:
        return entry.known()
    key = entry.build.hex()
    return ledger.known([key], entry.model_version)[key]


def _flat(entry: Entry, known: Known) -> tuple[Shape, list[Any]]:
    """Return a row's cells in the order of `_columns_of` its shape."""
    content = json.loads(entry.content)  # in the order of `optimize.scenario.space.content_of`
    cells = [entry.build.hex(), entry.model_version, entry.written, *content["dimples"]]
    cells.append(content.get("pattern", ""))
    for *numbers, pairs in content["layers"]:
        cells += numbers
        for pair in pairs:
            cells += pair
    graded = {i: p for i, p in enumerate(content.get("profiles", []), start=1) if p is not None}
    for profile in graded.values():
        cells += profile_numbers(profile)
    for figure in known.figures.values():
        cells += _numbers_of(figure)
    cells += known.failed.values()
    pairs_of = tuple(len(layer[-1]) for layer in content["layers"])
    return (pairs_of, tuple(graded), tuple(known.figures), tuple(known.failed)), cells


@lru_cache(maxsize=1000)
def _columns_of(shape: Shape) -> tuple[Column, ...]:
    pairs_of, graded, figures, failed = shape
    columns = [(_BUILD, "", field) for field in (*OF_BUILD, PATTERN)]
    for i, pairs in enumerate(pairs_of, start=1):
        columns += [(_LAYER, f"layer{i}", field) for field in OF_LAYER]
        for j in range(1, pairs + 1):
            columns += [(_LAYER, f"layer{i}_relaxation{j}", field) for field in OF_PAIR]
    columns += [(_LAYER, f"layer{i}", field) for i in graded for field in OF_PROFILE]
    columns += [(_FIGURE, name, field) for name in figures for field in OF_FIGURE]
    return (*columns, *((_FIGURE, name, "failed") for name in failed))


def _columns(rows: Iterator[tuple[Shape, list[Any]]], told: Callable[[int], None]) -> list[Column]:
    """Return every column that some row fills.

    The build's come first, then the layers', then the figures' as first met.
    """
    met: dict[Column, None] = {(_BUILD, "", field): None for field in OF_BUILD}
    empty: dict[Shape, list[int]] = {}  # places of each shape that no row has filled yet
    count = 0
    for count, (shape, cells) in enumerate(rows, start=1):
        if shape not in empty:
            columns = _columns_of(shape)
            empty[shape] = [i for i, c in enumerate(columns) if c[2] in _SELDOM and c not in met]
            met |= dict.fromkeys(c for c in columns if c[2] not in _SELDOM)
        for place in empty[shape]:
            if cells[place] != "":
                met[_columns_of(shape)[place]] = None
        if count % _BATCH == 0:
            told(count)
    owners = list(dict.fromkeys(owner for _, owner, _ in met))

    def order(column: Column) -> tuple[int, str | int, int]:
        kind, owner, field = column
        return kind, owner if kind == _LAYER else owners.index(owner), _FIELDS.index(field)

    return sorted(met, key=order)


def _placed(shape: Shape, cells: list[Any], places: dict[Column, int]) -> list[Any]:
    """Put a row's cells where they belong; None where it has none."""
    row: list[Any] = [None] * len(places)
    for column, cell in zip(_columns_of(shape), cells, strict=True):
        if cell != "":
            row[places[column]] = cell
    return row


def form_of(path: Path) -> Form:
    """Return what writes a file of this name.

    Raises
    ------
    InputError
        If its ending is neither .csv nor .parquet, or Parquet is not installed.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        return _csv
    if ending != ".parquet":
        raise InputError(f"{path} must end in .csv or .parquet.")
    if find_spec("pyarrow") is None:
        raise InputError(
            f"{path} needs the package pyarrow, which is not installed: install it with "
            f"pip install 'orbwright[parquet]', or export to a .csv file."
        )
    return _parquet


@contextmanager
def _csv(file: IO[bytes], columns: list[Column]) -> Iterator[Write]:
    text = io.TextIOWrapper(file, encoding="utf-8", newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([csv_cell(title(owner, field)) for _, owner, field in columns])
    yield lambda rows: writer.writerows(map(csv_cell, row) for row in rows)
    text.detach()


@contextmanager
def _parquet(file: IO[bytes], columns: list[Column]) -> Iterator[Write]:
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    kinds = [pa.string() if field in _TEXTS else pa.float64() for _, _, field in columns]
    titles = [title(owner, field) for _, owner, field in columns]
    schema = pa.schema(list(zip(titles, kinds, strict=True)))

    def write(rows: list[list[Any]]) -> None:
        arrays = [
            pa.array(values, field.type)
            for values, field in zip(zip(*rows, strict=True), schema, strict=True)
        ]
        writer.write_table(pa.Table.from_arrays(arrays, schema=schema))

    with ParquetWriter(file, schema, compression="zstd") as writer:
        yield write
