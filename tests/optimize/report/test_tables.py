"""Tables at every width: no number is cut or split, no zero has a sign, a margin shows its sign."""

import io
import re

import pytest

from optimize.report.tables import Section, columns, show, signed

WIDTHS = (40, 57, 80, 120, 200)


class Terminal(io.StringIO):
    def isatty(self):
        return True


def shown(section, width, monkeypatch, stream=None):
    monkeypatch.setenv("COLUMNS", str(width))
    stream = stream or Terminal()
    show([section], stream)
    return re.sub(r"\x1b\[[0-9;]*m", "", stream.getvalue())


WIDE = Section(
    "Figures",
    columns("~figure", *(f">c{n}, mm" for n in range(6)), "basis", "~why"),
    tuple(
        (
            f"deflection from 98.07 to {n}275 N",
            *(f"{n}{c}2345.678" for c in range(6)),
            "f",
            "so " * 9,
        )
        for n in range(3)
    ),
    ("In all 20,480 builds. " * 8,),
)


@pytest.mark.parametrize("width", WIDTHS)
def test_every_number_is_whole_and_every_line_fits(width, monkeypatch):
    text = shown(WIDE, width, monkeypatch)
    words = text.split()
    for row in WIDE.rows:
        assert all(cell in words for cell in row[1:7])
    assert words.count("20,480") == 8
    assert max(map(len, text.splitlines())) <= width


def test_a_table_that_does_not_fit_is_stacked_under_its_headings(monkeypatch):
    lines = shown(WIDE, 40, monkeypatch).splitlines()
    assert lines[1:4] == [
        "deflection from 98.07 to 0275 N",
        "  c0, mm: 002345.678",
        "  c1, mm: 012345.678",
    ]


def test_a_pipe_gets_every_row_on_one_line(monkeypatch):
    lines = shown(WIDE, 40, monkeypatch, io.StringIO()).splitlines()
    assert len(lines) == 1 + 1 + 3 + 1


@pytest.mark.parametrize("cell", ["-0.0", "+0.00", "-0", "**-0.0**"])
def test_no_zero_has_a_sign(cell, monkeypatch):
    text = shown(Section("", columns(">x"), ((cell,),)), 80, monkeypatch)
    assert text.split()[1] == cell.strip("*")[1:]


def test_a_margins_digits_show_its_sign():
    assert signed(-0.0004, 0.1) == "-0.0004"
    assert signed(0.25, 0.1) == "+0.25"
    assert signed(-1e-12, 0.1) == "0"


def test_headings_fold_before_rows_are_stacked(monkeypatch):
    table = Section(
        "", columns("layer", ">a lot's share, 95 %", ">of the model"), (("core", "1", "2"),)
    )
    assert shown(table, 30, monkeypatch).splitlines() == [
        "           a lot's      of the",
        "layer  share, 95 %       model",
        "core             1           2",
    ]


@pytest.mark.parametrize("width", range(24, 44))
def test_a_number_stays_with_its_unit(width, monkeypatch):
    said = "It weighs 45.93 g or 1.620 oz, 0.45 oz in² of 12 %, at 38.1 m/s and 0.5 kN/mm at last."
    table = Section("", columns("~why", ">x"), ((said, "1"),), (said,))
    text = shown(table, width, monkeypatch)
    for kept in ("45.93 g", "1.620 oz", "0.45 oz in²", "12 %", "38.1 m/s", "0.5 kN/mm"):
        assert text.count(kept) == 2
    assert max(map(len, text.splitlines())) <= width
