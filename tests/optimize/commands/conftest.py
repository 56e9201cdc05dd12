"""Every table that a command prints in these tests is also laid out at five widths, whole."""

import io
import re

import pytest

from optimize.report import tables

WIDTHS = (40, 57, 80, 120, 200)
_NUMBER = re.compile(r"[-+]?\d[\d.,]*\d|\d")


class _Terminal(io.StringIO):
    def isatty(self):
        return True


def _numbers(text):
    return sorted(_NUMBER.findall(re.sub(r"\x1b\[[0-9;]*m", "", text)))


@pytest.fixture(autouse=True)
def every_table_is_whole_at_every_width(monkeypatch):
    printing = tables.show

    def show(sections, stream, heading=""):
        sections = list(sections)
        for section in sections:
            # Stacked rows repeat the headings, so these are left out of the count.
            bare = tables.Section(
                "",
                tuple(tables.Column("", c.right, c.folds) for c in section.columns),
                section.rows,
            )
            whole = io.StringIO()
            printing([bare], whole)
            for width in WIDTHS:
                with pytest.MonkeyPatch.context() as patch:
                    patch.setenv("COLUMNS", str(width))
                    terminal = _Terminal()
                    printing([bare], terminal)
                assert _numbers(terminal.getvalue()) == _numbers(whole.getvalue()), (width, section)
        printing(sections, stream, heading)

    monkeypatch.setattr(tables, "show", show)
