"""Tables for notebooks."""

from collections.abc import Iterable, Sequence
from html import escape


def html_table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Write a small table for a notebook; every text is escaped.

    Parameters
    ----------
    title : str
        What stands above it.
    heads : sequence of str
        Titles of the columns.
    rows : iterable of sequences of str
        The cells.
    """

    def line(cells: Sequence[str], tag: str) -> str:
        return "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in cells)

    body = "".join(f"<tr>{line(row, 'td')}</tr>" for row in rows)
    caption = f"<caption>{escape(title)}</caption>"
    return f"<table>{caption}<tr>{line(heads, 'th')}</tr>{body}</table>"
