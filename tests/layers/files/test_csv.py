"""CSV as spreadsheets of several countries write it, and text files of other encodings."""

import codecs

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.errors import InputError
from layers.files.csv import Column, checked_rows, table
from layers.files.text import read_text

COLUMNS = {"size_mm": Column("mm", "", 0.0, 100.0), "mass_g": Column("g", "", 0.0, 100.0)}
PLAIN = "trial,size_mm,mass_g\na,38.25,41.5\nb,-0.0,1e1\n"


def rows(text):
    return [(r.key, r.number) for r in checked_rows(text, "trial", COLUMNS, (), "t.csv")]


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "\ufeff" + PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace(",", "\t").replace(".", ","),
        PLAIN.replace("size_mm", "Size mm").replace("mass_g", " MASS_G "),
        PLAIN.replace(",", " , "),
    ],
)
def test_the_same_numbers_in_the_forms_of_several_countries(text):
    assert rows(text) == rows(PLAIN)
    assert rows(text)[0] == ("a", {"size_mm": 38.25, "mass_g": 41.5})


def test_a_decimal_comma_between_commas_is_named_with_the_remedy():
    with pytest.raises(InputError, match=r"row 2, size_mm is '38,25'.*decimal point"):
        rows(PLAIN.replace("38.25", '"38,25"'))


def test_thousands_are_not_taken_for_decimals():
    text = "trial;size_mm;mass_g\na;1.234,5;3\n"
    with pytest.raises(InputError, match=r"size_mm is '1\.234,5'"):
        rows(text)


def test_a_comma_within_a_quoted_head_does_not_part_columns():
    header, lines = table('"build, name";value\na;1,5\n', "t.csv")
    assert header == ["build,_name", "value"]
    assert lines == [(2, ["a", "1.5"])]


@given(st.floats(0.001, 99.0), st.sampled_from(";\t"))
def test_any_number_reads_the_same_with_a_decimal_comma(value, apart):
    cell = repr(value).replace(".", ",")
    text = apart.join(("trial", "size_mm", "mass_g")) + "\n" + apart.join(("a", cell, "1")) + "\n"
    assert rows(text) == [("a", {"size_mm": value, "mass_g": 1.0})]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ("size µm".encode("latin-1"), r"line 1 has the byte 0xB5, .*save the file as UTF-8"),
        (b"a\nb\xe9", "line 2 has the byte 0xE9"),
        ("a = 1".encode("utf-16-le"), r"U\+0000; save the file as UTF-8"),
        (codecs.BOM_UTF16_LE + b"a", "begins as UTF-16 but is not"),
    ],
)
def test_an_encoding_that_cannot_be_told_is_named_with_the_remedy(raw, words, tmp_path):
    file = tmp_path / "t.csv"
    file.write_bytes(raw)
    with pytest.raises(InputError, match=words):
        read_text(file)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_marked_encodings_read_alike(encoding, tmp_path):
    file = tmp_path / "t.csv"
    file.write_bytes("size, µm\r\n1\r\n".encode(encoding))
    assert read_text(file) == "size, µm\n1\n"
