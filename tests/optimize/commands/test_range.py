"""The range on the command line: tables, JSON, files that go on, sentences for bad input."""

import contextlib
import io
import json
from pathlib import Path

import pytest

from layers.flight.aero_file import read_aero_table
from optimize.commands.app import main

RANGE = Path(__file__).parents[3] / "scenarios" / "range"


def run(*arguments):
    """Return exit code, output and messages of a command of the range."""
    output, messages = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(output), contextlib.redirect_stderr(messages):
        code = main(["range", *map(str, arguments)])
    return code, output.getvalue(), messages.getvalue()


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """Return the rows of a shipped session as a file, and its record."""
    file = tmp_path_factory.mktemp("range") / "rows.csv"
    code, output, _ = run("reduce", RANGE / "tracks_a.csv", "--out", file, "--json")
    assert code == 0
    return file, json.loads(output)


def test_a_session_is_reduced(session):
    file, record = session
    assert len(record["launches"]) == 40
    assert [(o["launch"], o["row"], o["column"]) for o in record["outliers"]] == [
        ("L007", 66, "x_m")
    ]
    assert len(record["windows"]) >= 4
    assert any("Gravity" in text for text in record["checks"])
    assert len(file.read_text().splitlines()) == 41
    assert read_aero_table(file).residual[0] < 0.02


def test_tables_of_a_session_without_heights(capsys):
    code, output, _ = run("reduce", RANGE / "screens.csv")
    assert code == 0
    for words in (
        "no heights, so no lift",
        "Window of the track",
        "Drift of the air across is not",
    ):
        assert words in output


def test_two_balls_of_one_session_have_no_common_surface(tmp_path):
    lines = (RANGE / "tracks_a.csv").read_text().splitlines()[:101]
    file = tmp_path / "two.csv"
    file.write_text("\n".join([*lines[:51], *(row.replace("rn a", "rn b") for row in lines[51:])]))
    code, output, _ = run("reduce", file)
    assert code == 0
    assert "No surface was fitted to rows of 2 balls" in output


def test_a_surface_is_printed_with_its_symmetry(session):
    file, _ = session
    code, output, _ = run("surface", file)
    assert code == 0
    for words in ("Forms compared", "Symmetry screen", "no difference beyond", "outside"):
        assert words in output
    record = json.loads(run("surface", file, "--common-error", "1", "--json")[1])
    at = next(c for c in record["surface"] if c["reynolds"] == 1.5e5 and c["spin_ratio"] == 0.15)
    assert at["drag_standard_deviation"] == pytest.approx(0.01 * at["drag_coefficient"], rel=0.1)
    assert record["symmetry"]["drag"]["differs"] is False


def test_next_shots_shrink_carry_s_error(session):
    file, _ = session
    code, output, _ = run("next", file, "--launch", "53,17,6500", "--count", "2", "--json")
    assert code == 0
    record = json.loads(output)
    (flight,) = record["flights"]
    assert flight["standard_error_after_m"] < 0.5 * flight["standard_error_m"]
    assert len(record["shots"]) == 2
    assert "Next shots" in run("next", file, "--count", "1")[1]


def head(session, rows, *changes):
    """Return the first rows of a session's table, changed."""
    lines = session[0].read_text().splitlines()[: rows + 1]
    text = "\n".join(lines)
    for old, new in changes:
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(("count", "words"), [(1, "1 row:"), (3, "3 rows:")])
def test_few_rows_say_what_they_cannot_tell(session, tmp_path, count, words):
    file = tmp_path / "few.csv"
    file.write_text(head(session, count))
    code, output, _ = run("surface", file)
    assert code == 0
    assert "What these rows cannot tell" in output
    assert words in output


def test_two_balls_in_one_table_ask_for_one(session, tmp_path):
    file = tmp_path / "two.csv"
    file.write_text(head(session, 6, ("L002,pattern a", "L002,pattern b")))
    code, _, messages = run("surface", file)
    assert code == 2
    assert (
        "two.csv has rows of 2 balls (pattern a, pattern b): choose one with --ball NAME"
        in messages
    )
    code, output, _ = run("surface", file, "--ball", "pattern b")
    assert code == 0
    assert "1 row:" in output
    assert run("surface", file, "--ball", "c")[0] == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("reduce", "absent.csv"), "cannot be read"),
        (("reduce", RANGE / "tracks_a.csv", "--drift", "30", "0", "0"), "from -20 to 20 m/s"),
        (("next", RANGE / "tracks_a.csv"), "column 'time_s' is not known"),
        (("next", RANGE / "tracks_a.csv", "--launch", "53,17"), "speed, angle and spin such as"),
    ],
)
def test_bad_input_is_one_sentence(arguments, words):
    code, _, messages = run(*arguments)
    assert code == 2
    assert words in messages
    assert "Traceback" not in messages
