"""A table screened in parts by processes that share graphics cards.

Reading rows and judging figures takes a core longer than the card takes for their impacts: each
process does both for its part, and this one keeps the ledger.
"""

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, cast

from layers.files.rows import Row
from layers.gpu.batch import Device
from layers.materials import Catalogue
from optimize.compute.card import OnCard
from optimize.compute.card_processes import CardProcesses
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Known
from optimize.screening.columns import Sheet
from optimize.screening.question import Question
from optimize.screening.spool import Screened
from optimize.screening.table import Table

# Rows of a part: their impacts fill a card a dozen times over.
PART = 1024


class _Job(NamedTuple):
    rows: list[Row]
    sheet: Sheet
    catalogue: Catalogue
    question: Question
    ledger: Path


class _Done(NamedTuple):
    rows: list[Screened]
    entries: list[Entry]
    reused: int
    computed: int


@dataclass
class _Noting:
    """A ledger that is read, and what would be written to it."""

    ledger: Ledger
    entries: list[Entry] = field(default_factory=list)

    @property
    def path(self) -> Path:
        return self.ledger.path

    def known(self, keys: Sequence[str], model_version: str) -> Mapping[str, Known]:
        return self.ledger.known(keys, model_version)

    def add(self, key: str, content: str, model_version: str, estimate: Any) -> None:
        self.entries.append(Entry.of(key, content, model_version, estimate))


def _screened(device: Device, job: _Job) -> _Done:
    """Screen a part, in a process of its own."""
    conditions = job.question.conditions
    card = OnCard((device,))
    with Ledger(job.ledger, reading=True) as ledger, computing(card, conditions) as compute:
        noting = _Noting(ledger)
        version = model_version_under(conditions, card)
        evaluator = Evaluator(cast(Ledger, noting), compute, version, conditions, workers=card)
        table = Table(job.sheet, job.catalogue, job.question, evaluator)
        rows = list(table.screened(job.rows, lambda _: None))
    return _Done(rows, noting.entries, evaluator.reused, evaluator.computed)


@dataclass
class Parts:
    """Screens a table's rows in parts.

    Attributes
    ----------
    card : OnCard
        The graphics cards, and how many processes share them.
    sheet, catalogue, question
        As the screening takes them.
    ledger : Ledger
        Where figures are found and kept.
    reused, computed : int
        Builds so far.
    """

    card: OnCard
    sheet: Sheet
    catalogue: Catalogue
    question: Question
    ledger: Ledger
    reused: int = 0
    computed: int = 0

    def screened(self, rows: Iterator[Row], count: Callable[[bool], None]) -> Iterator[Screened]:
        """Yield the rows in order; their figures are in the ledger by then.

        Parameters
        ----------
        rows : iterator of (int, cells)
            Of the table.
        count : callable
            Called for each, with whether it lacks figures.
        """
        cards = CardProcesses(self.card.devices, self.card.workers, self.question.conditions)
        most = 2 * cards.each * len(cards.devices)
        lines: dict[str, int] = {}
        waiting: deque[Future[_Done]] = deque()
        try:
            with cards.watched():
                while True:
                    while len(waiting) < most and (part := list(islice(rows, PART))):
                        waiting.append(cards.submit(_screened, self._job(part)))
                    if not waiting:
                        return
                    done = waiting.popleft().result()
                    with self.ledger.transaction():
                        self.ledger.insert(done.entries)
                    self.reused += done.reused
                    self.computed += done.computed
                    for row in done.rows:
                        found = _once(row, lines)
                        count(bool(found.why))
                        yield found
        except BaseException:
            cards.abandon()
            raise
        finally:
            cards.close()

    def _job(self, rows: list[Row]) -> _Job:
        return _Job(rows, self.sheet, self.catalogue, self.question, self.ledger.path)


def _once(row: Screened, lines: dict[str, int]) -> Screened:
    """Refuse a build whose name an earlier part has."""
    if row.reason:
        return row
    first = lines.setdefault(row.name, row.line)
    if first == row.line:
        return row
    why = (
        f"row {row.line}, build is {row.name!r}, as in row {first}; give each build a name of its "
        "own."
    )
    return Screened(row.line, row.name, row.cells, why)
