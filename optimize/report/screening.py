"""A screened table as rows of cells, tables for a screen, and plain data."""

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import islice
from typing import Any

from layers.estimates import Estimate, Figure
from layers.rules.screen import Margin, screen
from optimize.report.tables import Section, columns, number
from optimize.report.units import text_in_chosen_units
from optimize.report.windows import NO_ADVICE
from optimize.report.words import bound_words, heading_of, with_unit
from optimize.scenario.goals import Bound
from optimize.screening.columns import RESULT
from optimize.screening.question import Question
from optimize.screening.screen import Screening
from optimize.screening.spool import Screened

Cell = str | float | int | None

_SHOWN, _MOST_REASONS = 20, 10
# Columns of a figure.
OF_FIGURE = ("value", "difference_error", "absolute_error")


@dataclass(frozen=True)
class Line:
    """A row with its place among all.

    Attributes
    ----------
    row : Screened
        What was computed.
    rank, front : int
        As in `optimize.screening.ranking.Ranks`.
    same_as : str
        Name of the best build from which it is indistinguishable; empty where there is none better.
    same_count : int
        How many others are indistinguishable from it.
    violated : tuple of str
        Constraints that it violates, in words.
    margins : tuple of Margin
        Of its rules.
    """

    row: Screened
    rank: int
    front: int
    same_as: str
    same_count: int
    violated: tuple[str, ...]
    margins: tuple[Margin, ...]

    @property
    def status(self) -> str:
        """Whether there is a build, and all its figures."""
        if self.row.reason:
            return "not screened"
        return "partly screened" if self.row.failed else "screened"

    @property
    def warnings(self) -> str:
        """Doubts about its numbers, flags and cautions of its figures."""
        said = ((f.name, f.flag or f.caution) for f in self.row.figures.values())
        flags = (f"{name}: {words}" for name, words in said if words)
        return "; ".join((*self.row.doubts, *flags))

    @property
    def windows(self) -> tuple[str, str]:
        """The worst of the windows' verdicts, and the words of all that are not met."""
        found = {verdict for verdict, _ in self.row.windows}
        ordered = ("violated", "not known", "violated within error", "met within error", "met")
        words = "; ".join(words for verdict, words in self.row.windows if verdict != "met")
        return next((v for v in ordered if v in found), ""), words

    @property
    def verdict(self) -> str:
        """The worst of the rules' verdicts; empty without rules or a build."""
        if self.row.reason or not self.margins:
            return ""
        found = {margin.verdict for margin in self.margins}
        ordered = ("outside", "not known", "within error of the limit", "within")
        return next(verdict for verdict in ordered if verdict in found)


def lines_of(found: Screening) -> Iterator[Line]:
    """Read the rows with their places, in the order of the table.

    Parameters
    ----------
    found : Screening
        Whose spool is open; the names of better rows are read first.
    """
    firsts = {int(i) for i in found.same.first if i >= 0}
    names = {i: row.name for i, row in enumerate(found.spool) if i in firsts}
    question = found.question
    for i, row in enumerate(found.spool):
        first = int(found.same.first[i])
        yield Line(
            row,
            int(found.ranks.rank[i]),
            int(found.ranks.front[i]),
            names[first] if first not in (-1, i) else "",
            int(found.same.count[i]),
            tuple(_violated(question.bounds()[i], by) for i, by in row.excess.items()),
            _margins(row, question),
        )


def _violated(bound: Bound, excess: float) -> str:
    by = "not known"
    if not math.isnan(excess):
        by = f"by {with_unit(float(f'{excess:.3g}'), bound.figure)}"
    return f"{bound_words(bound)}, {by}"


def _margins(row: Screened, question: Question) -> tuple[Margin, ...]:
    if question.rules is None or row.reason:
        return ()
    # The screen reads the figures alone.
    return screen(Estimate(None, row.figures, row.failed), question.rules)  # type: ignore[arg-type]


def heads_of(found: Screening) -> list[str]:
    """Return the columns of the screened table: the table's own, then the results'."""
    return [*found.sheet.names, *(f"{RESULT}{name}" for name in _results(found.question))]


def _results(question: Question) -> list[str]:
    heads = ["status", "reason"]
    if question.scenario:
        heads += ["rank", "front", "constraints"]
    heads += ["same_as", "same_count"]
    if question.rules:
        heads += ["rules", "rules_limits"]
    if question.windows:
        heads += ["windows", "windows_limits"]
    heads += ["open_density_g_cm3", "warnings"]
    for name in question.figures:
        heads += [name, *(f"{name}_{key}" for key in OF_FIGURE[1:])]
    return heads


def cells_of(line: Line, found: Screening) -> list[Cell]:
    """Return the cells of a row, in the order of `heads_of`.

    The table's own come back as they were read.
    """
    row, question = line.row, found.question
    given = found.sheet.cells_of(row.cells)
    cells: list[Cell] = [given.get(name) for name in found.sheet.names]
    cells += [line.status, row.why or None]
    if question.scenario:
        met = "" if not line.rank else text_in_chosen_units("; ".join(line.violated)) or "met"
        cells += [line.rank or None, line.front or None, met or None]
    cells += [line.same_as or None, None if row.reason else line.same_count]
    if question.rules:
        limits = [f"{m.limit.figure} {m.verdict}" for m in line.margins if m.verdict != "within"]
        cells += [line.verdict or None, "; ".join(limits) or None]
    if question.windows:
        cells += [part or None for part in line.windows]
    cells += [row.density, line.warnings or None]
    for name in question.figures:
        figure = row.figures.get(name)
        cells += [getattr(figure, key) if figure else None for key in OF_FIGURE]
    return cells


def best_of(found: Screening, count: int) -> list[Line]:
    """Return the first lines: the best ranked, then those without a rank as the table has them."""
    room = max(0, count - int((found.ranks.rank > 0).sum()))
    chosen: list[Line] = []
    for line in lines_of(found):
        if 0 < line.rank <= count:
            chosen.append(line)
        elif not line.rank and room:
            chosen.append(line)
            room -= 1
    return sorted(chosen, key=lambda line: line.rank or len(found) + 1)


def screening_sections(found: Screening) -> list[Section]:
    """Tabulate the best builds, why rows lack figures, and what in rows is probably a slip."""
    question = found.question
    shown = question.compared()
    ranked = question.scenario is not None
    heads = columns(
        *((">rank",) if ranked else ()),
        "~build",
        *(f">{heading_of(name)}" for name in shown),
        *(("~constraints",) if ranked else ()),
        *(("rules",) if question.rules else ()),
        *(("windows",) if question.windows else ()),
        "~same within the resolution",
    )
    lines = [line for line in best_of(found, _SHOWN) if not line.row.reason]
    ruled = question.rules is not None
    rows = tuple(_shown(line, shown, ranked, ruled) for line in lines)
    notes = (summary(found), *((NO_ADVICE,) if question.windows else ()))
    title = "Best builds" if ranked else "Builds"
    sections = [Section(title, heads, rows, notes)]
    lacking = ((str(row.line), row.name, row.why) for row in found.spool if row.why)
    first = tuple(islice(lacking, _MOST_REASONS))
    if first:
        rest = found.incomplete - len(first)
        notes = (f"and {rest} more; the table that --out writes has them all",) if rest > 0 else ()
        heads = columns(">row", "~build", "~why")
        sections.append(Section("Rows without all figures", heads, first, notes))
    doubted = ((str(row.line), row.name, " ".join(row.doubts)) for row in found.spool if row.doubts)
    slips = tuple(islice(doubted, _MOST_REASONS))
    if slips:
        heads = columns(">row", "~build", "~doubt")
        sections.append(Section("Rows with doubtful numbers", heads, slips))
    return sections


def _shown(line: Line, names: tuple[str, ...], ranked: bool, ruled: bool) -> tuple[str, ...]:
    figures = [line.row.figures.get(name) for name in names]
    met = "; ".join(line.violated) or "met"
    return (
        *((str(line.rank),) if ranked else ()),
        line.row.name,
        *(_number(figure) for figure in figures),
        *((met,) if ranked else ()),
        *((line.verdict,) if ruled else ()),
        *(line.windows[:1] if line.row.windows else ()),
        f"as {line.same_as}" if line.same_as else "",
    )


def _number(figure: Figure | None) -> str:
    if figure is None:
        return "–"
    return number(figure.value, figure.difference_error or figure.absolute_error)


def summary(found: Screening) -> str:
    """Say in a sentence how many builds were screened."""
    many = len(found)
    said = f"{many} row{'s' * (many != 1)}: {found.computed} computed, {found.reused} in the ledger"
    if found.incomplete:
        said += f", {found.incomplete} without all figures"
    if found.question.scenario:
        feasible = int((found.ranks.front > 0).sum())
        said += f"; {feasible} meet{'s' * (feasible == 1)} all constraints"
    return f"{said}."


def line_record(line: Line) -> dict[str, Any]:
    """Return a row as plain data."""
    row = line.row
    return {
        "row": row.line,
        "build": row.name,
        "status": line.status,
        "reason": row.why,
        "doubts": list(row.doubts),
        "rank": line.rank or None,
        "front": line.front or None,
        "violated": list(line.violated),
        "same_as": line.same_as or None,
        "same_count": line.same_count,
        "rules": line.verdict or None,
        "windows": [{"verdict": verdict, "words": words} for verdict, words in row.windows],
        "open_density_g_cm3": row.density,
        "figures": {name: asdict(figure) for name, figure in row.figures.items()},
        "failed": row.failed,
    }
