"""`orbwright pattern`, and conditions from a file: output, picture, sentences for bad input."""

import contextlib
import io
import json
from pathlib import Path

import pytest

from layers.bench.bench import Bench
from layers.strike.launch import Launch
from optimize.commands.app import main

SCENARIOS = Path(__file__).parents[3] / "scenarios"
BALL = SCENARIOS / "balls" / "two_layer_distance.toml"


@pytest.fixture(autouse=True)
def struck(monkeypatch):
    def launch(self, name):
        return Launch(60.0, 0.22, 260.0, 0, 0, 0, 0, None, {}, 0.0, "")

    monkeypatch.setattr(Bench, "launch", launch)


def run(*arguments):
    output, messages = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(output), contextlib.redirect_stderr(messages):
        code = main(list(map(str, arguments)))
    return code, output.getvalue(), messages.getvalue()


def test_tables_record_and_picture(tmp_path):
    picture = tmp_path / "regions.svg"
    asked = ("pattern", BALL, "--swing", "driver slow", "--picture", picture)
    code, output, messages = run(*asked)
    assert code == 0
    assert "Wanted changes of drag and lift" in output
    assert "Picture written" in messages
    assert picture.read_text("utf-8").startswith("<?xml")
    code, output, _ = run(*asked, "--json", "--distance-test", "none")
    record = json.loads(output)
    assert record["distance_test"] is None
    assert record["swings"][0]["swing"] == "driver slow"
    assert sum(map(abs, record["band"]["drag"])) > 0.0
    assert max(map(abs, record["band"]["drag"])) <= 0.01 * (1 + 1e-9)


def test_trade_units_take_lengths_over():
    code, output, _ = run("--units", "trade", "pattern", BALL, "--swing", "driver slow")
    assert code == 0
    assert "carry, yd" in output


def test_estimate_takes_a_scenario_s_conditions():
    code, output, _ = run(
        *("estimate", BALL, "--swing", "driver slow", "-f", "mass_g", "--json"),
        *("--conditions", SCENARIOS / "three_layer_pattern_choice.toml"),
    )
    assert code == 0
    errors = json.loads(output)["flight_errors"]["driver slow"]["carry_m"]
    assert 0.0 < errors["day"] < errors["surface"] < errors["launch"] < errors["half_width"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--swing", "driver slwo"), "driver slow"),
        (("--swing", "driver slow", "--distance-test", "presnt"), "present"),
        (("--picture", "regions.txt"), ".svg or .png"),
        (("--swing", "driver slow", "--allow-m", "-50"), "enlarge the reach"),
        (("--reach", "0.5"), "reach"),
        (("--conditions", "nowhere.toml"), "nowhere.toml"),
        (("--conditions", str(BALL)), "not a known field"),
    ],
)
def test_bad_input_is_one_sentence(arguments, said):
    code, output, messages = run("pattern", BALL, *arguments)
    assert code == 2
    assert output == ""
    assert said in messages
    assert "Traceback" not in messages


def test_a_fault_of_the_conditions_is_named_by_key(tmp_path):
    file = tmp_path / "conditions.toml"
    file.write_text("temperature_c = 99\nwindd_m_s = [0, 0, 0]\n")
    code, _, messages = run("pattern", BALL, "--conditions", file)
    assert code == 2
    assert "temperature_c" in messages
    assert "wind_m_s" in messages
