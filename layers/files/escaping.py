"""What leaves the program as a table or text: nothing in it is taken for markup or a formula.

Names and sources come from the user's files and files of others; every CSV and Markdown text that
is written passes here. HTML is escaped by `html.escape`, TOML by `layers.files.toml`.
"""

import csv
import io
import re
from collections.abc import Iterable, Sequence

from layers.errors import CONTROLS

# Signs at a cell's start that spreadsheets read as the start of a formula, wide forms included.
_FORMULA = re.compile(r"'*\s*[=+\-@\t\r\n＝＋－＠]")

# What CommonMark or its table and strikethrough extensions read as markup, wherever it stands; an
# underscore within a word is none. Signs and a number's full stop are, at a paragraph's start.
_MARKUP = re.compile(r"[\\`*\[\]<>|~&#]|(?<![^\W_])_|_(?![^\W_])")
_BLOCK = re.compile(r"[+=-]|\d+(?=[.)])")


def csv_cell(value: object) -> object:
    """Return a value as a CSV cell that no spreadsheet runs.

    Text that a spreadsheet would run as a formula is led by an apostrophe; text that is a number is
    left alone. `from_csv_cell` takes the apostrophe away.

    Parameters
    ----------
    value : object
        A text, a number or nothing.
    """
    if not isinstance(value, str) or not _FORMULA.match(value) or _is_number(value):
        return value
    return f"'{value}"


def from_csv_cell(text: str) -> str:
    """Return the text that `csv_cell` was given.

    Parameters
    ----------
    text : str
        The cell, as a file has it.
    """
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write rows as CSV text with a heading line.

    Parameters
    ----------
    heads : sequence of str
        The columns' names.
    rows : iterable of sequences
        A value for each column; see `csv_cell`.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(map(csv_cell, heads))
    writer.writerows(map(csv_cell, row) for row in rows)
    return text.getvalue()


def md_text(text: str) -> str:
    """Return a text as one line of Markdown that shows it and nothing else.

    Parameters
    ----------
    text : str
        Plain; its line ends become blanks.
    """
    line = " ".join(CONTROLS.sub(" ", text).split())
    return _MARKUP.sub(lambda sign: f"\\{sign[0]}", line)


def md_paragraph(text: str) -> str:
    """Return a text as a paragraph of Markdown, whatever it starts with.

    Parameters
    ----------
    text : str
        Plain, as for `md_text`.
    """
    line = md_text(text)
    start = _BLOCK.match(line)
    if start is None:
        return line
    digits = start[0] if start[0].isdecimal() else ""
    return f"{digits}\\{line[len(digits) :]}"
