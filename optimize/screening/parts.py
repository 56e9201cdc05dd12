"""A table screened in parts by processes that share a graphics card."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import islice

from layers.files.rows import Row
from layers.materials import Catalogue
from optimize.compute.card import OnCard
from optimize.compute.evaluator import Evaluator
from optimize.compute.sharing import PART, in_parts
from optimize.ledger.ledger import Ledger
from optimize.screening.columns import Sheet
from optimize.screening.question import Question
from optimize.screening.spool import Screened
from optimize.screening.table import Table


def _screened(
    sheet: Sheet, catalogue: Catalogue, question: Question, evaluator: Evaluator, rows: list[Row]
) -> list[Screened]:
    """Screen a part, in a process of its own."""
    return list(Table(sheet, catalogue, question, evaluator).screened(rows, lambda _: None))


@dataclass
class Parts:
    """Screens a table's rows in parts.

    Attributes
    ----------
    card : OnCard
        The graphics card, and how many processes share it.
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
        work = partial(_screened, self.sheet, self.catalogue, self.question)
        parts = iter(lambda: list(islice(rows, PART)), [])
        lines: dict[str, int] = {}
        conditions = self.question.conditions
        for done in in_parts(self.card, conditions, self.ledger, work, parts):
            self.reused += done.reused
            self.computed += done.computed
            for row in done.found:
                found = _once(row, lines)
                count(bool(found.why))
                yield found


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
