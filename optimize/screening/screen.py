"""The screening itself: rows -> builds -> figures, batch by batch; then ranks."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Figure
from layers.figures import canonical, parse_figure
from layers.files.paths import StrPath
from layers.files.rows import Row, rows_of
from layers.materials import Catalogue, default_catalogue
from layers.rules.screen import RuleSet, rule_set
from layers.strike.swings import check_owner
from optimize.compute.card import OnCard
from optimize.compute.evaluator import Evaluator, model_version_under, only
from optimize.compute.one import Elsewhere
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.scenario.windows import FenceScreen, Windows, screen_windows
from optimize.screening.builds import Built, build_of
from optimize.screening.columns import Sheet, sheet_of
from optimize.screening.ranking import Ranks, Same, indistinguishable, ranks
from optimize.screening.spool import Screened, Spool
from optimize.search.result import Interrupted

# Most rows of a table: its ranks and figures are held in memory, some 200 bytes a row.
MOST_BUILDS = 100_000
# Builds given to the workers at once: the last of each batch leave some of them idle.
_BATCH = 256

# Called with rows done, rows in all, and rows without all figures so far.
Report = Callable[[int, int, int], None]


@dataclass(frozen=True)
class Question:
    """What is asked of every build.

    Attributes
    ----------
    figures : tuple of str
        Canonical names, each once: those asked for, then those that goals, limits and rules need.
    scenario : Scenario or None
        Its goals rank the builds, its limits and rules are constraints, its conditions hold; its
        design variables do not matter.
    rules : RuleSet or None
        To screen each build against.
    conditions : Conditions or None
        Of launch and flight; the shipped ones if None.
    windows : Windows or None
        Limits and fences to screen each build against.
    """

    figures: tuple[str, ...]
    scenario: Scenario | None = None
    rules: RuleSet | None = None
    conditions: Conditions | None = None
    windows: Windows | None = None

    @classmethod
    def of(
        cls,
        figures: Sequence[str] = (),
        scenario: Scenario | None = None,
        rules: str | None = None,
        conditions: Conditions | None = None,
        windows: Windows | None = None,
    ) -> "Question":
        """Gather a question.

        Parameters
        ----------
        figures : sequence of str
            Names, labels or synonyms of figures.
        scenario : Scenario, optional
            Goals and limits.
        rules : str, optional
            Name of a rule set; the scenario's if not given.
        conditions : Conditions, optional
            Where no scenario has its own.
        windows : Windows, optional
            Limits and fences of a file.

        Raises
        ------
        InputError
            If a figure, swing or rule set is not known, or nothing is asked.
        """
        named = rules or (scenario.rules if scenario else None)
        chosen = rule_set(named) if named else None
        names = [*canonical(figures), *(scenario.figures() if scenario else ())]
        names += [limit.figure for limit in chosen.limit] if chosen else []
        names += windows.figures() if windows else ()
        conditions = (scenario and scenario.estimate_conditions()) or conditions
        for name in names:
            check_owner(parse_figure(name), (conditions or Conditions()).swings)
        if not names:
            raise InputError("nothing is asked of the builds: name figures, a scenario or rules.")
        return cls(tuple(dict.fromkeys(names)), scenario, chosen, conditions, windows)

    def bounds(self) -> tuple[Bound, ...]:
        """Return the scenario's limits and rules as bounds on figures."""
        of_search = (CENTRE_DIAMETER, FILL_DENSITY)
        found = self.scenario.bounds() if self.scenario else ()
        return tuple(bound for bound in found if bound.figure not in of_search)

    def compared(self) -> tuple[str, ...]:
        """Return the figures by which builds are told apart: the goals', or all."""
        goals = self.scenario.goal if self.scenario else ()
        return tuple(goal.figure for goal in goals) or self.figures

    def excess_of(self, ball: Ball, figures: Mapping[str, Figure]) -> dict[int, float]:
        """Return the bounds that a build violates, by their place, and by how much.

        One on a layer that the build does not have, or on a figure that failed, is violated by
        what nobody can say: NaN.
        """
        values = {name: figure.value for name, figure in figures.items()}
        if self.scenario:
            values |= self.scenario.measured(ball, values)
        over = (
            bound.excess(values[bound.figure]) if bound.figure in values else math.nan
            for bound in self.bounds()
        )
        return {place: excess for place, excess in enumerate(over) if excess != 0.0}

    def screened_windows(
        self, ball: Ball, figures: Mapping[str, Figure]
    ) -> tuple[tuple[str, str], ...]:
        """Return verdict and words of each limit and fence."""
        if self.windows is None:
            return ()
        found = screen_windows(self.windows, ball, figures)
        limits = [(x.verdict, f"{x.figure} {x.side} {x.bound:g} {x.verdict}") for x in found.limit]
        fences = [(x.verdict, f"{x.fence} {_of_fence(x)}") for x in found.fence]
        return (*limits, *fences)


def _of_fence(found: FenceScreen) -> str:
    verdict = found.verdict.replace("met", "outside").replace("violated", "inside")
    return f"{verdict}, clearance {found.clearance_percent:+.2g} %"


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
        with computing(workers, question.conditions) as compute:
            version = model_version_under(question.conditions, workers)
            evaluator = Evaluator(ledger, compute, version, question.conditions)
            table = _Table(sheet, catalogue or default_catalogue(), question, evaluator)
            rows = rows_of(file)
            next(rows)  # the header
            size = workers.batch if isinstance(workers, OnCard) else _BATCH
            while batch := list(islice(rows, size)):
                for row in table.screened(batch, count):
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
        evaluator.reused,
        evaluator.computed,
    )


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


@dataclass
class _Table:
    """Screens batches of one table's rows; `lines` are the rows of names met so far."""

    sheet: Sheet
    catalogue: Catalogue
    question: Question
    evaluator: Evaluator
    lines: dict[str, int] = field(default_factory=dict)

    def screened(self, batch: Sequence[Row], count: Callable[[bool], None]) -> Iterator[Screened]:
        """Compute a batch and yield its rows in order; `count` is called as each is done."""
        built = [self._built(line, cells) for line, cells in batch]
        requests, places = [], []
        for i, one in enumerate(built):
            if isinstance(one, str):
                count(True)
            else:
                places.append(i)
                requests.append((one.ball, self._possible(one)))
        lacking = [len(names) < len(self.question.figures) for _, names in requests]
        known = self.evaluator.figures(
            requests, lambda j, one: count(lacking[j] or bool(only(one, requests[j][1]).failed))
        )
        of_row = dict(zip(places, known, strict=True))
        for i, (line, cells) in enumerate(batch):
            yield self._row(line, tuple(cells), built[i], of_row.get(i))

    def _built(self, line: int, cells: Sequence[str]) -> Built | str:
        """Return a row's build, or why there is none."""
        try:
            found = build_of(self.sheet, line, cells, self.catalogue)
        except InputError as error:
            return str(error)
        first = self.lines.setdefault(found.ball.name, line)
        if first != line:
            return (
                f"row {line}, build is {found.ball.name!r}, as in row {first}; give each build a "
                f"name of its own."
            )
        return found

    def _possible(self, built: Built) -> tuple[str, ...]:
        """Return the figures that this build has: not those of a stage beyond its layers."""
        most = len(built.ball.layer)
        return tuple(n for n in self.question.figures if (parse_figure(n).stage or 1) <= most)

    def _row(
        self, line: int, cells: tuple[str, ...], built: Built | str, known: Known | None
    ) -> Screened:
        if isinstance(built, str) or known is None:
            name = self.sheet.cells_of(cells).get("build", f"row {line}")
            return Screened(line, name, cells, str(built))
        possible = self._possible(built)
        found = only(known, possible)
        count = len(built.ball.layer)
        failed = found.failed | {
            name: f"the build has {count} layer{'s' if count > 1 else ''}"
            for name in self.question.figures
            if name not in possible
        }
        return Screened(
            line,
            built.ball.name,
            cells,
            "",
            found.figures,
            failed,
            built.density,
            built.layer,
            self.question.excess_of(built.ball, found.figures),
            self.question.screened_windows(built.ball, found.figures),
        )
