"""Tables that are written once and shown three ways: terminal, plain text and Markdown.

A cell written ``**so**`` is emphasised: bold on a terminal and in Markdown, bare in plain text,
where the words of the table must carry the meaning without it.
"""

import math
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from layers.files.escaping import md_paragraph, md_text
from optimize.report.units import in_chosen_units, unbroken

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

# Wider than any table: a pipe or a file gets every row on one line, nothing cut or folded.
_UNBOUNDED = 10_000
# Blanks between columns, and the narrowest that a folding column is pressed to.
_GAP, _FOLDED = 2, 16
# Indent of a stacked row's fields, and of a field's further lines.
_FIELD, _FURTHER = 2, 4
# A zero with a sign, standing alone.
_SIGNED_ZERO = re.compile(r"(?<![\w.,])[-+\u2212](0(?:\.0+)?)(?![\w.,])")
# Most decimals of a difference; below, it is the rounding of the arithmetic.
_MOST_DECIMALS = 9


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
    """Write a difference with its sign, to the digits of `number` or to the first that is not 0.

    Examples
    --------
    >>> signed(0.25, 0.1), signed(-0.0004, 0.1), signed(1e-12, 0.1)
    ('+0.25', '-0.0004', '0')
    """
    if abs(value) < 0.5 * 10.0**-_MOST_DECIMALS:
        return "0"
    text = number(value, error)
    if not float(text):
        text = f"{value:.{-math.floor(math.log10(abs(value)))}f}"
    return text if text.startswith("-") else f"+{text}"


def _printable(text: str) -> str:
    """Blank out control characters that a name from a file may carry to the terminal."""
    return "".join(c if c.isprintable() else " " for c in text)


def _bare(cell: str) -> tuple[str, bool]:
    strong = len(cell) > 4 and cell.startswith("**") and cell.endswith("**")
    return _SIGNED_ZERO.sub(r"\1", _printable(cell[2:-2] if strong else cell)), strong


def markdown(sections: Iterable[Section], heading: str = "") -> str:
    """Write the sections as Markdown."""
    lines = [f"# {md_text(heading)}", ""] if heading else []
    for section in in_chosen_units(sections):
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

    A table that is too wide for the terminal folds its texts, then its headings; if that is not
    enough, its rows are stacked, a field a line. No number is cut or split, or parted from its
    unit.

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
        for place, section in enumerate(in_chosen_units(sections)):
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
        for line in _wrapped(_printable(note), console.width, "", 0):
            console.print(Text(line), no_wrap=True, crop=False, overflow="ignore")


def _show_table(console: "Console", section: Section) -> None:
    from rich.table import Table
    from rich.text import Text

    widths = _fitted(section, console.width)
    if not widths:
        for line in _stacked(section, console.width):
            console.print(line, no_wrap=True, crop=False, overflow="ignore")
        return
    table = Table(box=None, pad_edge=False, padding=(0, _GAP, 0, 0), header_style="dim")
    for column, width in zip(section.columns, widths, strict=True):
        table.add_column(
            Text(_folded(column.title, width)),
            justify="right" if column.right else "left",
            overflow="fold",
            width=width,
        )
    for row in section.rows:
        cells = [_bare(cell) for cell in row]
        table.add_row(
            *(
                Text(_folded(text, width), style="bold" if strong else "")
                for (text, strong), width in zip(cells, widths, strict=True)
            )
        )
    console.print(table, crop=False)


def _folded(text: str, width: int) -> str:
    """Fold a text; one that fits keeps its blanks."""
    from rich.cells import cell_len

    return text if cell_len(text) <= width else "\n".join(_wrapped(text, width, "", 0))


def _fitted(section: Section, room: int) -> list[int]:
    """Return the columns' widths; none if the table does not fit with every number whole."""
    return _widths(section, room, False) or _widths(section, room, True)


def _widths(section: Section, room: int, heads_fold: bool) -> list[int]:
    """Return the columns' widths with headings whole or folded; none if the table does not fit."""
    from rich.cells import cell_len

    def word(texts: Sequence[str]) -> int:
        return max(cell_len(word) for text in texts for word in unbroken(text).split(" "))

    widths, least = [], []
    for i, column in enumerate(section.columns):
        cells = [_bare(row[i])[0] for row in section.rows]
        title = word([column.title]) if heads_fold else cell_len(column.title)
        wide = max(map(cell_len, [column.title, *cells]))
        whole = max([title, *map(cell_len, cells)])
        folded = max(word([column.title, *cells]), _FOLDED)
        widths.append(wide)
        least.append(min(wide, folded) if column.folds else whole)
    spare = room - _GAP * (len(widths) - 1) - sum(least)
    if spare < 0:
        return []
    # What is left goes to the texts that want more, the shortest first.
    wanting = sorted(
        (wide - low, i)
        for i, (wide, low) in enumerate(zip(widths, least, strict=True))
        if wide > low
    )
    for left, (more, i) in zip(range(len(wanting), 0, -1), wanting, strict=True):
        given = min(more, spare // left)
        least[i] += given
        spare -= given
    return least


def _stacked(section: Section, room: int) -> Iterator["Text"]:
    """Yield a table row by row: its first cells, then every further one after its heading."""
    from rich.text import Text

    # A row is called by its first column of words; a column of counts goes before it.
    first = next((i for i, c in enumerate(section.columns) if c.title and not c.right), 0)
    for row in section.rows:
        cells = [_bare(cell) for cell in row]
        name = " ".join(text for text, _ in cells[: first + 1] if text)
        yield from (Text(line, style="bold") for line in _wrapped(name, room, ""))
        for column, (text, strong) in list(zip(section.columns, cells, strict=True))[first + 1 :]:
            if text:
                style = "bold" if strong else ""
                said = f"{column.title}: {text}" if column.title else text
                yield from (Text(line, style=style) for line in _wrapped(said, room, " " * _FIELD))


def _wrapped(text: str, room: int, indent: str, further: int = _FURTHER) -> list[str]:
    """Wrap at blanks only, so that no number is split, and none from its unit."""
    lines = textwrap.wrap(
        unbroken(text),
        room,
        initial_indent=indent,
        subsequent_indent=" " * further,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]
