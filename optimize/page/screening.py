"""A screened table as one HTML page whose table sorts."""

from collections.abc import Iterator
from html import escape
from pathlib import Path

from layers.estimates import Figure
from layers.files.paths import write_text
from optimize.page.write import UNITS_SWITCH, filled
from optimize.report.screening import Line, best_of, summary
from optimize.report.tables import number
from optimize.report.units import (
    chosen,
    converted_text,
    head_in_trade,
    number_in_trade,
    unbroken,
)
from optimize.report.windows import NO_ADVICE
from optimize.report.words import goal_words, heading_of, unit_of
from optimize.screening.screen import Screening

# Most rows of the page: the tables that --out writes have them all.
MOST_SHOWN = 2000
# Longest text that needs no wide column, in signs.
_SHORT = 20


def write_screening_page(found: Screening, path: Path) -> None:
    """Write the page.

    Parameters
    ----------
    found : Screening
        Whose spool is open.
    path : Path
        The HTML file.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    write_text(path, screening_html(found))


def screening_html(found: Screening) -> str:
    """Return the page: the best ranked builds, or the first where none is ranked."""
    scenario = found.question.scenario
    lines = best_of(found, MOST_SHOWN)
    title = scenario.name if scenario else "Screening"
    goals = "; ".join(goal_words(goal) for goal in scenario.goal) if scenario else ""
    words = {
        "question": f"{len(found)} builds: {goals}" if goals else f"{len(found)} builds",
        "summary": summary(found),
        "note": _note(len(lines), found),
    }
    places = {name: _either(text) for name, text in words.items()}
    places |= {"title": escape(title), "skip": "builds", "units": chosen()}
    places["switch"] = UNITS_SWITCH
    places["heads"] = "".join(
        f'<th scope="col"{" class=n" if right else ""}>{_either(head, head_in_trade(head)[0])}</th>'
        for head, right in _heads(found)
    )
    places["rows"] = "".join(f"<tr>{''.join(_cells(line, found))}</tr>\n" for line in lines)
    return filled("screening.html", ("screening.js",), places)


def _note(shown: int, found: Screening) -> str:
    by = "all goals" if found.question.scenario else "all figures"
    note = (
        "± is the error of a difference between builds. 'Same as' names the best build from which "
        f"a build is indistinguishable in {by}, within the model's resolution."
    )
    if found.question.windows:
        note += f" {NO_ADVICE}"
    if shown < len(found):
        note += f" {shown} of {len(found)} rows are shown: the table in CSV or Excel has them all."
    return note


def _heads(found: Screening) -> Iterator[tuple[str, bool]]:
    """Yield title and whether it heads numbers."""
    ranked = found.question.scenario is not None
    if ranked:
        yield "rank", True
    yield "build", False
    if ranked:
        yield "constraints", False
    if found.question.rules:
        yield f"rules: {found.question.rules.name}", False
    if found.question.windows:
        yield f"windows: {found.question.windows.name}", False
    yield from ((heading_of(name), True) for name in found.question.figures)
    yield "same as", False
    yield "remarks", False


def _cells(line: Line, found: Screening) -> Iterator[str]:
    ranked = found.question.scenario is not None
    if ranked:
        yield _numeric(line.rank, str(line.rank)) if line.rank else _text("")
    yield f'<th scope="row">{escape(line.row.name)}</th>'
    if ranked:
        yield _sentence("; ".join(line.violated) or ("met" if line.rank else ""))
    if found.question.rules:
        yield _text(line.verdict)
    if found.question.windows:
        yield _text("; ".join(filter(None, line.windows)))
    for name in found.question.figures:
        yield _figure(line.row.figures.get(name), name)
    yield _text(line.same_as)
    yield _sentence("; ".join(filter(None, (line.row.why, line.warnings))))


def _either(metric: str, trade: str | None = None) -> str:
    """Return a text as HTML that the page can show in the trade's units too."""
    trade = converted_text(metric) if trade is None else trade
    if trade == metric:
        return escape(metric)
    return f'<span data-trade="{escape(trade)}">{escape(metric)}</span>'


def _text(words: str) -> str:
    return f"<td>{_either(words)}</td>"


def _sentence(words: str) -> str:
    """Write a cell that may be long: wide if it is, and no number parted from its unit."""
    wide = ' class="wide"' if len(words) > _SHORT else ""
    return f"<td{wide}>{_either(unbroken(words), unbroken(converted_text(words)))}</td>"


def _numeric(value: float, words: str) -> str:
    return f'<td class="n" data-value="{value!r}">{words}</td>'


def _figure(figure: Figure | None, name: str) -> str:
    if figure is None:
        return _text("")
    unit = unit_of(name)
    error = figure.difference_error
    written = number(figure.value, error or figure.absolute_error)
    shown = [written, number_in_trade(written, unit, name)]
    spread = ""
    if error:
        said = f"± {number(error, error)}"
        spread = f' <span class="pm">{_either(said, number_in_trade(said, unit, name))}</span>'
    return _numeric(figure.value, f"{_either(*(text.replace('-', '−') for text in shown))}{spread}")
