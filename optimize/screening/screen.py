"""The screening itself: rows -> builds -> figures, batch by batch; then ranks."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.files.paths import StrPath
from layers.files.rows import Row, rows_of
from layers.gpu.many import CHUNK
from layers.materials import Catalogue, default_catalogue
from optimize.compute.card import OnCard
from optimize.compute.cluster import Cluster
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.one import Elsewhere
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.screening.columns import Sheet, sheet_of
from optimize.screening.parts import Parts
from optimize.screening.question import Question
from optimize.screening.ranking import Ranks, Same, indistinguishable, ranks
from optimize.screening.spool import Screened, Spool
from optimize.screening.table import Table
from optimize.search.result import Interrupted

# Most rows of a table: its ranks and figures are held in memory, some 200 bytes a row.
MOST_BUILDS = 100_000
# Builds given to the workers at once: the last of each batch leave some of them idle.
_BATCH = 256
# To a cluster's cards: their impacts fill four of them.
_BATCH_OF_CARDS = 4 * CHUNK

# Called with rows done, rows in all, and rows without all figures so far.
Report = Callable[[int, int, int], None]


@dataclass(frozen=True)
class Screening:
    """A screened table; its rows are on disk while the context of `screened` lasts.

    Attributes
    ----------
    sheet, header : Sheet, tuple of str
        The columns that were read, and the names of them all.
    question : Question
        What was asked.
    spool : Spool
        The rows in the order of the file.
    ranks, same : Ranks, Same
        Of each row; without a scenario no row is ranked.
    incomplete, reused, computed : int
        Rows without all figures; builds found in the ledger and computed.
    """

    sheet: Sheet
    header: tuple[str, ...]
    question: Question
    spool: Spool
    ranks: Ranks
    same: Same
    incomplete: int
    reused: int
    computed: int

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.ranks.rank)


@dataclass
class _Numbers:
    """What ranking needs of every row."""

    question: Question
    values: list[list[float]] = field(default_factory=list)
    errors: list[list[float]] = field(default_factory=list)
    losses: list[list[float]] = field(default_factory=list)
    distance: list[float] = field(default_factory=list)
    incomplete: int = 0

    def add(self, row: Screened) -> None:
        compared = [row.figures.get(name) for name in self.question.compared()]
        self.values.append([f.value if f else np.nan for f in compared])
        self.errors.append([f.difference_error if f else np.nan for f in compared])
        self.incomplete += bool(row.why)
        scenario = self.question.scenario
        if scenario is None:
            return
        goals = [(goal, row.figures.get(goal.figure)) for goal in scenario.goal]
        self.losses.append([g.loss(f.value) if f and not f.flag else np.nan for g, f in goals])
        needed = [row.figures.get(name) for name in scenario.figures()]
        sound = all(figure is not None and not figure.flag for figure in needed)
        bounds = self.question.bounds()
        over = sum(bounds[place].relative(by) for place, by in row.excess.items())
        self.distance.append(over if sound else np.nan)

    def places(self) -> tuple[Ranks, Same]:
        n = len(self.values)
        found = Ranks(np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64))
        if self.question.scenario is not None:
            goals = len(self.question.scenario.goal)
            found = ranks(_matrix(self.losses, goals), np.array(self.distance))
        order = np.argsort(np.where(found.rank > 0, found.rank, n + 1), kind="stable")
        columns = len(self.question.compared())
        values, errors = _matrix(self.values, columns), _matrix(self.errors, columns)
        return found, indistinguishable(values, errors, order.tolist())


def _matrix(rows: list[list[float]], columns: int) -> FloatArray:
    return np.array(rows, dtype=np.float64).reshape(len(rows), columns)


def screen_builds(
    path: StrPath,
    question: Question,
    ledger: Ledger,
    spool: Spool,
    workers: int | Elsewhere = 1,
    catalogue: Catalogue | None = None,
    progress: Report | None = None,
) -> Screening:
    """Screen a table of builds; a row that fails says why and stops no other.

    Parameters
    ----------
    path : str or path
        The table, .csv or .xlsx; see `optimize.screening.columns`.
    question : Question
        What is asked of each build.
    ledger : Ledger
        Where figures are found, and where each is kept as soon as it is computed.
    spool : Spool
        Takes the rows; open as long as they are read.
    workers : int, Cluster or OnCard
        Processes that compute, or a cluster's workers, on which no figure depends; or a card.
    catalogue : Catalogue, optional
        Cards that the table may name; the shipped ones otherwise.
    progress : callable, optional
        Called with rows done, rows in all, and rows that lack figures.

    Raises
    ------
    Interrupted
        On Ctrl-C; what was computed is in the ledger, and the same call goes on from there.
    InputError
        If the file or its header cannot be read, or the ledger cannot be written.
    SolverError
        If worker processes keep dying, or a cluster is lost.
    """
    file = Path(path)
    header, total = _checked(file)
    sheet = sheet_of(header, file.name)
    numbers = _Numbers(question)
    done = [0, 0]

    def count(row_fails: bool) -> None:
        done[0] += 1
        done[1] += row_fails
        if progress:
            progress(done[0], total, done[1])

    try:
        rows = rows_of(file)
        next(rows)  # the header
        cards = catalogue or default_catalogue()
        parts: Parts | _Whole
        if isinstance(workers, OnCard):
            parts = Parts(workers, sheet, cards, question, ledger)
        else:
            parts = _Whole(workers, sheet, cards, question, ledger)
        for row in parts.screened(rows, count):
            numbers.add(row)
            spool.add(row)
    except KeyboardInterrupt:
        raise Interrupted(
            f"Stopped after {done[0]} of {total} rows; every figure computed is in {ledger.path}."
        ) from None
    places = numbers.places()
    return Screening(
        sheet,
        tuple(header),
        question,
        spool,
        *places,
        numbers.incomplete,
        parts.reused,
        parts.computed,
    )


@dataclass
class _Whole:
    """Screens a table's rows by processes or a cluster, see `Parts`."""

    workers: int | Elsewhere
    sheet: Sheet
    catalogue: Catalogue
    question: Question
    ledger: Ledger
    reused: int = 0
    computed: int = 0

    def screened(self, rows: Iterator[Row], count: Callable[[bool], None]) -> Iterator[Screened]:
        conditions = self.question.conditions
        with computing(self.workers, conditions) as compute:
            version = model_version_under(conditions, self.workers)
            evaluator = Evaluator(self.ledger, compute, version, conditions, workers=self.workers)
            table = Table(self.sheet, self.catalogue, self.question, evaluator)
            on_cards = isinstance(self.workers, Cluster) and self.workers.card
            size = _BATCH_OF_CARDS if on_cards else _BATCH
            while batch := list(islice(rows, size)):
                yield from table.screened(batch, count)
        self.reused, self.computed = evaluator.reused, evaluator.computed


def _checked(path: Path) -> tuple[list[str], int]:
    """Read the table once, so that a damaged file is refused before anything is computed."""
    rows = rows_of(path)
    first = next(rows, None)
    if first is None:
        raise InputError(f"{path.name} is empty; 'orbwright new builds' writes an empty table.")
    total = sum(1 for _ in islice(rows, MOST_BUILDS + 1))
    if not total:
        raise InputError(f"{path.name} has column names but no rows; give a build a row.")
    if total > MOST_BUILDS:
        raise InputError(f"{path.name} has more than {MOST_BUILDS} rows; split it.")
    return first[1], total
