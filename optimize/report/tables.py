"""Tables that are written once and shown three ways: terminal, plain text and Markdown.

A cell written ``**so**`` is emphasised: bold on a terminal and in Markdown, bare in plain text,
where the words of the table must carry the meaning without it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from layers.files.escaping import md_paragraph, md_text

if TYPE_CHECKING:
    from rich.console import Console

# Wider than any table: a pipe or a file gets every row on one line, nothing cut or folded.
_UNBOUNDED = 10_000
# Blanks between columns, and the narrowest that a folding column is pressed to.
_GAP, _FOLDED = 2, 16


@dataclass(frozen=True)
class Column:
    """A heading; `right` aligns numbers, `folds` lets a long text wrap on a narrow terminal."""

    title: str
    right: bool = False
    folds: bool = False


@dataclass(frozen=True)
class Section:
    """A titled table with sentences under it; without columns it is only text."""

    title: str
    columns: tuple[Column, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    notes: tuple[str, ...] = ()


def columns(*titles: str) -> tuple[Column, ...]:
    """Describe columns in short: ``>`` before a title aligns right, ``~`` lets its text fold."""
    return tuple(Column(t.lstrip(">~"), ">" in t[:2], "~" in t[:2]) for t in titles)


def number(value: float, error: float) -> str:
    """Write a number with one digit more than its error's first."""
    decimals = 4 if error <= 0.0 else min(6, max(0, 1 - math.floor(math.log10(error))))
    return f"{value:.{decimals}f}"


def signed(value: float, error: float) -> str:
    """Write a difference with its sign, to the same digits as `number`."""
    text = number(value, error)
    return text if text.startswith("-") else f"+{text}"


def _printable(text: str) -> str:
    """Blank out control characters that a name from a file may carry to the terminal."""
    return "".join(c if c.isprintable() else " " for c in text)


def _bare(cell: str) -> tuple[str, bool]:
    strong = len(cell) > 4 and cell.startswith("**") and cell.endswith("**")
    return _printable(cell[2:-2] if strong else cell), strong


def markdown(sections: Iterable[Section], heading: str = "") -> str:
    """Write the sections as Markdown."""
    lines = [f"# {md_text(heading)}", ""] if heading else []
    for section in sections:
        if section.title:
            lines += [f"## {md_text(section.title)}", ""]
        if section.columns:
            lines.append(_markdown_row([c.title for c in section.columns]))
            lines.append(_markdown_row(["--:" if c.right else "---" for c in section.columns]))
            lines += [_markdown_row(row) for row in section.rows]
            lines.append("")
        for note in section.notes:
            lines += [md_paragraph(note), ""]
    return "\n".join(lines)


def _markdown_row(cells: Sequence[str]) -> str:
    bare = [_bare(cell) for cell in cells]
    escaped = [f"**{md_text(c)}**" if strong else md_text(c) for c, strong in bare]
    return f"| {' | '.join(escaped)} |"


def show(sections: Iterable[Section], stream: TextIO, heading: str = "") -> None:
    """Print the sections: fitted to a terminal's width, or unfolded to a pipe or a file.

    Parameters
    ----------
    sections : iterable of Section
        What to print.
    stream : text stream
        Where to; whether it is a terminal decides on width and bold.
    heading : str
        A first line over all sections.
    """
    from rich.console import Console
    from rich.text import Text

    width = None if stream.isatty() else _UNBOUNDED
    console = Console(file=stream, highlight=False, markup=False, emoji=False, width=width)
    # Captured and written by ourselves: the console would end the process on a closed pipe.
    with console.capture() as captured:
        if heading:
            console.print(Text(_printable(heading), style="bold"))
        for place, section in enumerate(sections):
            if heading or place:
                console.print()
            _show_section(console, section)
    stream.writelines(f"{line.rstrip(' ')}\n" for line in captured.get().splitlines())


def _show_section(console: "Console", section: Section) -> None:
    from rich.text import Text

    if section.title:
        console.print(Text(_printable(section.title), style="bold underline"))
    if section.columns:
        _show_table(console, section)
    for note in section.notes:
        console.print(Text(_printable(note)))


def _show_table(console: "Console", section: Section) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, padding=(0, _GAP, 0, 0), header_style="dim")
    for column in section.columns:
        table.add_column(
            Text(column.title),
            justify="right" if column.right else "left",
            no_wrap=not column.folds,
            overflow="fold",
        )
    for row in section.rows:
        cells = [_bare(cell) for cell in row]
        table.add_row(*(Text(text, style="bold" if strong else "") for text, strong in cells))
    # A table that cannot fit keeps its rows whole: better a line that the terminal breaks than a
    # lost digit.
    fitted = console.width
    # `print` takes no width above the console's own.
    console.width = max(fitted, _least_width(section))
    console.print(table, crop=False, no_wrap=True)
    console.width = fitted


def _least_width(section: Section) -> int:
    """Return the width in which all but the folding columns are whole."""
    from rich.cells import cell_len

    cells = ([column.title for column in section.columns], *section.rows)
    widths = [
        _FOLDED if column.folds else max(cell_len(_bare(row[i])[0]) for row in cells)
        for i, column in enumerate(section.columns)
    ]
    return sum(widths) + _GAP * len(widths)
