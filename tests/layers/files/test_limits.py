"""What is read is bounded: kind of file, size, depth, digits; each refusal is one sentence."""

import os
from pathlib import Path

import pytest

from layers.ball_file import read_ball
from layers.compound.recipe import read_recipe
from layers.compound.trials import read_trials, trials_from_csv
from layers.errors import MOST_FAULTS, InputError
from layers.files.csv import MOST_COLUMNS, MOST_CSV_BYTES, MOST_ROWS, table
from layers.files.text import MOST_NESTED, MOST_TOML_BYTES, MOST_VALUES, read_text
from layers.files.toml import MOST_DOTTED, parse_toml
from layers.flight.aero_file import read_aero_table
from layers.materials import Catalogue
from layers.strike.swings import read_swings
from optimize.calibration.calibrated import read_calibration
from optimize.lab.measurements import measurements_from_csv, read_measurements
from optimize.lab.process import read_process
from optimize.lab.scatter import read_scatter
from optimize.scenario.brief import read_scenario
from tests.helpers.builds import random_balls
from tests.optimize.commands.test_app import refused

TOML = (
    read_ball,
    read_scenario,
    read_swings,
    read_process,
    read_recipe,
    read_scatter,
    read_calibration,
)
CSV = (read_aero_table, read_trials, lambda path: read_measurements([path], random_balls(1, 1)))
READERS = [(read, MOST_TOML_BYTES) for read in TOML] + [(read, MOST_CSV_BYTES) for read in CSV]


def said(call, *arguments) -> str:
    with pytest.raises(InputError) as caught:
        call(*arguments)
    sentence = str(caught.value)
    assert len(sentence) < 2000
    assert sentence.isprintable()
    return sentence


# Files.


@pytest.mark.parametrize(("read", "most_bytes"), READERS)
def test_what_is_no_file_or_too_large_is_refused_unread(read, most_bytes, tmp_path):
    pipe, large = tmp_path / "pipe", tmp_path / "large"
    os.mkfifo(pipe)
    with large.open("wb") as file:
        file.truncate(1_000_000_000)  # a hole on the disk
    assert "is a pipe" in said(read, pipe)
    assert "is a device" in said(read, Path("/dev/null"))
    assert "is a directory" in said(read, tmp_path)
    assert f"larger than {most_bytes / 1e6:g} MB" in said(read, large)


def test_a_catalogue_or_table_that_a_scenario_names_is_bounded_too(tmp_path):
    (tmp_path / "s.toml").write_text('name = "s"\ncatalogue = "/dev/null"\n')
    assert "is a device" in said(read_scenario, tmp_path / "s.toml")
    for name in ("swings", "aerodynamics_table"):
        (tmp_path / "s.toml").write_text(f'name = "s"\n[conditions]\n{name} = "/dev/null"\n')
        assert "is a device" in said(read_scenario, tmp_path / "s.toml")


def test_a_file_of_just_the_largest_size_is_read(tmp_path):
    path = tmp_path / "full.toml"
    path.write_text("#" * MOST_TOML_BYTES)
    assert len(read_text(path)) == MOST_TOML_BYTES
    path.write_text("#" * (MOST_TOML_BYTES + 1))
    assert "larger" in said(read_text, path)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no such file here")
def test_a_file_whose_size_is_told_as_0_is_read_no_further_than_its_limit():
    assert "is larger than 1e-05 MB" in said(read_text, Path("/proc/self/status"), 10)


def test_the_command_ends_with_one_sentence(tmp_path):
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    assert "is a pipe" in refused("estimate", pipe)


# TOML.


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a" + ".a" * MOST_DOTTED + " = 1", "line 1 has a key of more than 16 names"),
        ("\n[" + '"a" . ' * MOST_DOTTED + "a]", "line 2 has a key of more than 16 names"),
        ("c = {d = '''b'''', " + "a." * 100 + "b = 'c'}", "has a key of more than 16 names"),
        ("a = " + "9" * 1_000_000, "whole number beyond 64 bits"),
        ("a = 0x" + "f" * 1_000_000, "a is a whole number beyond 64 bits"),
        ("[b]\na = [1, 9223372036854775808]", "a is a whole number beyond 64 bits"),
        ("a = " + "[" * 100_000, "nested deeper than"),
        ("a = " + "[" * 50 + "]" * 50, "nested deeper than"),
        ("a = [" + "1," * MOST_VALUES + "]", "more than 50000 values"),
        ('name = "a\\u0000"', "name: line 1 has the control character U+0000"),
        ('name = "a\\u202e"', "name: line 1 has the control character U+202E"),
        ('"a\\u001b" = 1', "U+001B"),
    ],
)
def test_toml_beyond_its_bounds_is_refused(text, sentence):
    assert sentence in said(parse_toml, text, "x.toml")


@pytest.mark.parametrize(
    "text",
    [
        "a" + ".a" * (MOST_DOTTED - 1) + " = 1",
        'a = "' + "a." * 100 + '"',
        'a = """\n' + "a." * 100 + '"""""',
        "a = '" + "a." * 100 + "' # it's" + ".a" * 100,
        "a = " + "[" * (MOST_NESTED - 1) + "]" * (MOST_NESTED - 1),
        "a = [-9223372036854775808, 9223372036854775807]",
        'a = "tab\\tand\\nline"',
    ],
)
def test_toml_within_its_bounds_is_read(text):
    assert parse_toml(text, "x.toml")


def test_what_a_sentence_quotes_is_cut_and_shown_by_its_code():
    long = InputError("a" * 5000 + "; remedy.")
    assert str(long).endswith("; remedy.")
    assert len(str(long)) < 2000
    assert str(InputError("\x1b[31m")) == "\\x1b[31m"


# CSV.


def test_a_table_of_bad_rows_ends_after_the_first_faults():
    header = "trial,coagent_phr,peroxide_phr,cure_minutes,cure_celsius,core_diameter_mm,modulus_mpa"
    text = "\n".join([header, *["t,x,x,x,x,x,x"] * (MOST_ROWS - 1)])
    sentence = said(trials_from_csv, text)
    assert sentence.count(";") == MOST_FAULTS
    assert "; and more. Nothing was taken" in sentence


def test_measurements_of_bad_rows_end_after_the_first_faults(monkeypatch):
    from optimize.lab import measurements

    read, rows = measurements._read_row, []
    monkeypatch.setattr(measurements, "_read_row", lambda r, row: (rows.append(row), read(r, row)))
    text = "\n".join(["build,stage,figure,unit,value", *["x,9,x,x,x"] * 10_000])
    assert "; and more. Nothing was taken" in said(
        measurements_from_csv, [("m.csv", text)], random_balls(1, 1)
    )
    assert len(rows) <= MOST_FAULTS + 1


def test_rows_and_columns_are_bounded():
    assert f"more than {MOST_ROWS} rows" in said(table, "a\n" + "1\n" * (MOST_ROWS + 1), "x.csv")
    assert len(table("a\n" + "1\n" * MOST_ROWS, "x.csv")[1]) == MOST_ROWS
    assert f"at most {MOST_COLUMNS}" in said(table, "a," * MOST_COLUMNS + "a\n1", "x.csv")


def test_many_names_that_stand_twice_are_found():
    card = '[[material]]\nname = "m"\nyoungs_modulus_mpa = 50\npoisson_ratio = 0.4\n'
    text = (card + "density_g_cm3 = 1\n") * 5000
    assert "'m' stands twice" in said(Catalogue.from_toml, text)
