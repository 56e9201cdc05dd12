"""Rows of a table -> builds -> figures, a batch at a time."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from layers.errors import InputError
from layers.figures import parse_figure
from layers.files.rows import Row
from layers.materials import Catalogue
from layers.rules.doubts import doubts
from optimize.compute.evaluator import Evaluator, only
from optimize.ledger.rows import Known
from optimize.screening.builds import Built, build_of
from optimize.screening.columns import Sheet
from optimize.screening.question import Question
from optimize.screening.spool import Screened


@dataclass
class Table:
    """Screens batches of one table's rows; `lines` are the rows of names met so far."""

    sheet: Sheet
    catalogue: Catalogue
    question: Question
    evaluator: Evaluator
    lines: dict[str, int] = field(default_factory=dict)

    def screened(self, batch: Sequence[Row], count: Callable[[bool], None]) -> Iterator[Screened]:
        """Compute a batch and yield its rows in order.

        Parameters
        ----------
        batch : sequence of (int, cells)
            Rows of the table.
        count : callable
            Called as each is done, with whether it lacks figures.
        """
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
            doubts(built.ball),
        )
