"""The lab's commands as their users meet them."""

import json
import math
from pathlib import Path

import pytest

from layers.ball_file import read_ball
from optimize.ledger.decisions import read_events
from optimize.ledger.events import Event, digest_of_file
from optimize.ledger.ledger import Ledger
from optimize.scenario.space import content_of, key_of
from tests.optimize.commands.test_app import refused, run

FOLDER = Path(__file__).parents[3] / "scenarios" / "prototype"
K1, K2 = FOLDER / "ball.toml", FOLDER / "k2.toml"
RECIPE, TRIALS = FOLDER / "core_recipe.toml", FOLDER / "core_trials.csv"


def test_sheet_is_printed_or_written_in_each_form(tmp_path):
    charge = ("--recipe", f"1={RECIPE}", "--charge-g", 1500, "--process", FOLDER / "process.toml")
    code, out, _ = run("sheet", K1, *charge, "--rules", "present")
    assert code == 0
    assert out.startswith("# Prototype sheet: K1 prototype")
    assert "1034.5" in out  # 100 of 145 phr of 1500 g
    ledger = tmp_path / "l.sqlite"
    Ledger(ledger).close()
    for form, start in (("csv", "build,stage,kind"), ("html", "<!doctype html>")):
        path = tmp_path / f"sheet.{form}"
        kept = ("--ledger", ledger, "--who", "Lab")
        code, out, err = run("sheet", K1, "--format", form, "-o", path, *kept)
        assert (code, out) == (0, "")
        assert f"written to {path}" in err
        assert path.read_text().lower().startswith(start)
    key = key_of(content_of(read_ball(K1)))
    assert [(e.kind, e.build, e.who, e.file, e.file_digest) for e in noted(ledger)] == [
        ("sheet", key, "Lab", p.name, digest_of_file(p.read_bytes()))
        for p in (tmp_path / "sheet.csv", tmp_path / "sheet.html")
    ]


def noted(path: Path) -> tuple[Event, ...]:
    with Ledger(path, reading=True) as ledger:
        return read_events(ledger)


def test_sheet_refuses():
    assert "--format is 'pdf'" in refused("sheet", K1, "--format", "pdf")
    assert "--charge-g" in refused("sheet", K1, "--recipe", f"1={RECIPE}")
    assert "--recipe N=R.toml" in refused("sheet", K1, "--charge-g", 1500)
    assert "layer's number" in refused("sheet", K1, "--recipe", RECIPE, "--charge-g", 1500)
    assert "must be from 1 to 3" in refused(
        "sheet", K1, "--recipe", f"7={RECIPE}", "--charge-g", 1500
    )


def test_sheet_with_a_press_cycle(tmp_path):
    cycle = tmp_path / "c.toml"
    cycle.write_text('name = "160 C for 20 min"\n[[step]]\nplaten_celsius = 160\nminutes = 20\n')
    charge = ("--recipe", f"1={RECIPE}", "--charge-g", 1500)
    code, out, _ = run("sheet", K1, *charge, "--cycle", f"1={cycle}", "--format", "csv")
    assert code == 0
    assert "cure_cycle,,,,,,c.toml" in out
    assert "shore_c@17.8mm,Shore C" in out
    assert "--recipe has no recipe of it" in refused("sheet", K1, "--cycle", f"1={cycle}")
    assert "--cycle is 'c.toml'" in refused("sheet", K1, *charge, "--cycle", "c.toml")
    assert "--readings needs --cycle" in refused("sheet", K1, "--readings", "r.csv")


def test_recipe_from_trials_to_charge():
    target = ("--density", 1.16, "--filler", "barium sulfate", "--charge-g", 1500)
    cure = ("--trials", TRIALS, "--minutes", 12, "--celsius", 160)
    code, out, _ = run("recipe", RECIPE, *target, *cure, "--deflection-mm", 3.6)
    assert code == 0
    for words in (
        "1.1600 g/cm3",
        "coagent_phr 25.40 phr reaches the target",
        "247.6",
        "Leave-one-out",
    ):
        assert words in out
    _, out, _ = run("recipe", RECIPE)
    assert "no recipe trials were given: the stiffness of this compound is not known" in out


def test_recipe_refuses():
    assert "go together" in refused("recipe", RECIPE, "--density", 1.16)
    assert "--trials T.csv is needed" in refused("recipe", RECIPE, "--deflection-mm", 3.6)
    assert "--minutes and --celsius" in refused("recipe", RECIPE, "--trials", TRIALS)
    cure = ("--trials", TRIALS, "--minutes", 12, "--celsius", 160)
    assert "measured deflection_mm" in refused("recipe", RECIPE, *cure, "--modulus-mpa", 50)
    assert "reach from" in refused("recipe", RECIPE, *cure, "--deflection-mm", 9)


def test_concentricity():
    code, out, _ = run("concentricity", K1, "--offset", "1=0.2,0,0")
    assert code == 0
    assert "1.1492" in out
    assert "--offset is '9=0,0,0'" in refused("concentricity", K1, "--offset", "9=0,0,0")
    assert "three numbers" in refused("concentricity", K1, "--offset", "1=0.2")
    assert "or it cuts it" in refused("concentricity", K1, "--offset", "1=2,0,0")


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    """Return the first round without barrier tests, which would take long."""
    lines = (FOLDER / "round_one.csv").read_text().splitlines()
    path = tmp_path_factory.mktemp("lab") / "quick.csv"
    path.write_text("\n".join(line for line in lines if "cor" not in line))
    return path


@pytest.fixture(scope="module")
def calibrated(quick):
    path = quick.with_suffix(".toml")
    files = ("--measurements", FOLDER / "k1_sheet.csv", "--measurements", quick)
    plot = quick.with_suffix(".svg")
    ledger = quick.with_suffix(".sqlite")
    Ledger(ledger).close()
    more = ("--out", path, "--plot", plot, "--workers", 1, "--ledger", ledger, "--who", "Lab")
    code, out, err = run("calibrate", K1, K2, *files, *more)
    assert code == 0, err
    assert plot.exists()
    return path, out


def test_calibrate_shows_cards_errors_and_the_outlier(calibrated):
    _, out = calibrated
    assert "calibrated on 60 readings of k1_sheet.csv, quick.csv" in out
    assert "Measured and predicted" in out
    [outlier] = [line for line in out.splitlines() if line.startswith("outlier:")]
    assert "3.62 is" in outlier
    assert "K2 prototype" in outlier


def test_a_ledger_keeps_which_readings_are_of_which_build(calibrated):
    path, _ = calibrated
    k1, k2 = (key_of(content_of(read_ball(ball))) for ball in (K1, K2))
    found = noted(path.with_suffix(".sqlite"))
    assert [(e.kind, e.build, e.file) for e in found] == [
        ("measured", k1, "k1_sheet.csv"),
        ("calibrated", k1, "quick.toml"),
        ("measured", k2, "quick.csv"),
        ("calibrated", k2, "quick.toml"),
    ]
    assert {e.who for e in found} == {"Lab"}
    assert found[1].file_digest == digest_of_file(path.read_bytes())


def test_estimate_takes_the_calibration(calibrated):
    path, _ = calibrated
    asked = ("-f", "deflection_mm", "-f", "frequency_hz", "--json")
    _, plain, _ = run("estimate", FOLDER / "k4.toml", *asked)
    code, out, _ = run("estimate", FOLDER / "k4.toml", "--calibration", path, *asked)
    assert code == 0
    now, before = (json.loads(text)["figures"] for text in (out, plain))
    assert now["deflection_mm"]["basis"] == "calibrated"
    assert now["deflection_mm"]["absolute_error"] < 0.6 * before["deflection_mm"]["absolute_error"]
    assert now["deflection_mm"]["value"] < 0.97 * before["deflection_mm"]["value"]
    assert now["frequency_hz"]["flag"] == "not calibrated: frequency_hz was not measured"


def test_compare_takes_the_calibration(calibrated):
    path, _ = calibrated
    pair = (K1, FOLDER / "k4.toml")
    code, out, _ = run("compare", *pair, "--calibration", path, "-f", "deflection_mm", "--json")
    assert code == 0
    found = json.loads(out)
    (step,) = found["differences"][0]["figures"].values()
    assert set(step["parts"]) == {"mesh", "calibration", "new builds"}
    alone = [e["figures"]["deflection_mm"]["absolute_error"] for e in found["estimates"]]
    assert step["difference_error"] < 0.9 * math.hypot(*alone)


def test_next_chooses_with_the_calibration(calibrated):
    path, _ = calibrated
    candidates = [FOLDER / f"k{n}.toml" for n in (3, 4)]
    code, out, _ = run(
        "next",
        *candidates,
        "--calibration",
        path,
        "-n",
        1,
        "--goal",
        "deflection_mm",
        "--json",
        "--workers",
        1,
        "--about",
        "figures",
    )
    assert code == 0
    [pick] = json.loads(out)["make"]
    assert pick["build"] == "K3 candidate"
    assert "core rubber, medium" in pick["reason"]


def test_calibrate_and_next_refuse(quick, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text(quick.read_text().replace("deflection_mm,mm", "deflection_mm,pt", 1))
    message = refused("calibrate", K1, K2, "--measurements", bad)
    assert "unit is 'pt', but deflection_mm must be in mm" in message
    assert "build is 'K2 prototype'" in refused("calibrate", K1, "--measurements", quick)
    assert "cannot be read" in refused("calibrate", K1, "--measurements", tmp_path / "none.csv")
    assert "candidates as BALL.toml files, or a --run" in refused("next")
    assert "--about is 'all'" in refused("next", K1, "--about", "all")
    assert "budget is 2" in refused("next", K1, "-n", 2)
    assert "is not valid TOML" in refused("estimate", K1, "--calibration", quick)
