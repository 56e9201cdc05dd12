"""A table of builds screened in one call, for programs and notebooks."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from layers.conditions import Conditions
from layers.files.paths import StrPath
from layers.materials import Catalogue
from optimize.ledger.ledger import Ledger
from optimize.report.screening import Cell, cells_of, heads_of, lines_of, summary
from optimize.report.screening_files import check_output, write_screening
from optimize.scenario.brief import Scenario, read_scenario
from optimize.scenario.windows import Windows, read_windows
from optimize.screening.columns import RESULT
from optimize.screening.question import Question
from optimize.screening.screen import screen_builds
from optimize.screening.spool import Spool

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ScreenedTable:
    """A screened table of builds: the table's own columns, then the results'.

    Attributes
    ----------
    heads : tuple of str
        Names of the columns. A result has no mark, but where the table has a column of its name.
    rows : tuple of tuples
        Cells; None where there is nothing.
    summary : str
        What came of it, in a sentence.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    summary: str

    def __repr__(self) -> str:
        """Return the summary."""
        return f"ScreenedTable({self.summary!r})"

    def to_frame(self) -> "pd.DataFrame":
        """Return the table; pandas is needed.

        Returns
        -------
        pandas.DataFrame
            A row a build in the table's order, numbers in the unit that each name says.
        """
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=list(self.heads))


def screen_table(
    builds: StrPath,
    figures: str | Sequence[str] = (),
    scenario: Scenario | StrPath | None = None,
    *,
    rules: str | None = None,
    windows: Windows | StrPath | None = None,
    conditions: Conditions | None = None,
    ledger: Ledger | StrPath = "orbwright-ledger.sqlite",
    materials: Catalogue | None = None,
    workers: int = 1,
    out: StrPath | None = None,
) -> ScreenedTable:
    """Screen a table of builds, a row each: figures, rules, ranks by a scenario's goals.

    Parameters
    ----------
    builds : str or path
        The table, .csv or .xlsx; `orbwright new builds` writes an empty one.
    figures : str or sequence of str
        Names, labels or synonyms of figures.
    scenario : Scenario, str or path, optional
        Its goals rank the builds; its limits and rules are constraints.
    rules : str, optional
        Name of a rule set to screen against; the scenario's otherwise.
    windows : Windows, str or path, optional
        Limits and fences to screen against.
    conditions : Conditions, optional
        Of launch and flight; the scenario's, else the shipped ones, otherwise.
    ledger : Ledger, str or path
        Where figures are found and kept.
    materials : Catalogue, optional
        Cards that the table may name; the shipped ones otherwise.
    workers : int
        Processes that compute; no figure depends on it.
    out : str or path, optional
        A .csv, .xlsx or .parquet file to write the screened table into, in the chosen units.

    Returns
    -------
    ScreenedTable
        A row a build; one that could not be computed says why.

    Raises
    ------
    InputError
        If a file, a figure or a rule set cannot be used, or nothing is asked.
    Interrupted
        On Ctrl-C; what was computed is in the ledger.
    SolverError
        If worker processes keep dying.
    """
    if out is not None:
        check_output(Path(out))  # refused before anything is computed
    question = _question(figures, scenario, rules, windows, conditions)
    if not isinstance(ledger, Ledger):
        with Ledger(ledger) as opened:
            return _screened(builds, question, opened, materials, workers, out)
    return _screened(builds, question, ledger, materials, workers, out)


def _question(
    figures: str | Sequence[str],
    scenario: Scenario | StrPath | None,
    rules: str | None,
    windows: Windows | StrPath | None,
    conditions: Conditions | None,
) -> Question:
    brief = scenario if isinstance(scenario, Scenario | None) else read_scenario(scenario)
    limits = windows if isinstance(windows, Windows | None) else read_windows(windows)
    names = [figures] if isinstance(figures, str) else figures
    return Question.of(names, brief, rules, conditions, limits)


def _screened(
    builds: StrPath,
    question: Question,
    ledger: Ledger,
    materials: Catalogue | None,
    workers: int,
    out: StrPath | None,
) -> ScreenedTable:
    with Spool() as spool:
        found = screen_builds(builds, question, ledger, spool, workers, materials)
        if out is not None:
            write_screening(found, Path(out))
        own = set(found.sheet.names)
        bare = [head.removeprefix(RESULT) for head in heads_of(found)]
        heads = tuple(h if b in own else b for h, b in zip(heads_of(found), bare, strict=True))
        rows = tuple(tuple(cells_of(line, found)) for line in lines_of(found))
        return ScreenedTable(heads, rows, summary(found))
