"""Searching, showing and exporting from the command line; stopping and going on."""

import csv
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.optimize.commands.test_app import process, refused, run

ROOT = Path(__file__).parents[3]
QUICK = ROOT / "tests" / "helpers" / "closed_form.toml"
NAME = "Quick: mass outward, cheaply"
THREE = ROOT / "scenarios" / "three_layer_soft_feel.toml"


@pytest.fixture(scope="module")
def searched(tmp_path_factory) -> tuple[Path, dict]:
    """Search once; return the ledger and the record that was printed."""
    ledger = tmp_path_factory.mktemp("search") / "ledger.sqlite"
    code, out, err = run("search", QUICK, "--ledger", ledger, "--workers", 1, "--json")
    assert code == 0, err
    return ledger, json.loads(out)


def test_search_prints_pure_json_and_says_where_all_is_kept(searched):
    ledger, record = searched
    assert record["evaluated"] == 40
    assert record["short_list"][0]["label"] == "A"
    code, out, err = run("search", QUICK, "--ledger", ledger, "--workers", 1)
    assert code == 0
    assert out.startswith(f"{NAME}\n\nWhat is traded\n")
    assert "\nShort list\n" in out
    assert f"kept in {ledger}" in err
    assert f"orbwright show {record['run']} --ledger {ledger}" in err
    assert "40 of 40 builds" in err


def test_show_lists_runs_and_tells_one_in_full(searched):
    ledger, record = searched
    _, listed, _ = run("show", "--ledger", ledger)
    assert record["run"] in listed
    assert NAME in listed
    _, text, _ = run("show", NAME, "--ledger", ledger)
    assert "Stages, for control in production" in text
    _, again, _ = run("show", record["run"], "--ledger", ledger, "--json")
    assert json.loads(again)["short_list"] == record["short_list"]
    _, runs, _ = run("show", "--ledger", ledger, "--json")
    assert json.loads(runs)[0]["status"] == "finished"


def test_export_prints_one_form_or_fills_a_folder(searched, tmp_path):
    ledger, record = searched
    _, text, _ = run("export", NAME, "--ledger", ledger, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["label"] for row in rows] == [m["label"] for m in record["short_list"]]
    _, text, _ = run("export", NAME, "--ledger", ledger, "--format", "markdown")
    assert text.startswith(f"# {NAME}\n")
    out = tmp_path / "new" / "folder"
    code, printed, _ = run("export", NAME, "--ledger", ledger, "--out", out)
    assert (code, printed) == (0, "")
    names = {path.name for path in out.iterdir()}
    assert {"report.md", "run.json", "short_list.csv", "evaluations.csv"} <= names
    assert {"trade_off.svg", "trade_off.png", "builds.svg", "build_A.svg", "build_A.toml"} <= names
    pictures = [line for line in (out / "report.md").read_text().splitlines() if "![" in line]
    assert all(line.partition("(")[2].rstrip(")") in names for line in pictures)
    _, text, _ = run("estimate", out / "build_A.toml", "-f", "moi_ratio", "--json")
    first = record["short_list"][0]["figures"]["moi_ratio"]["value"]
    assert json.loads(text)["figures"]["moi_ratio"]["value"] == first


def test_seed_and_number_of_builds_replace_the_scenarios(searched):
    ledger, record = searched
    options = ("--ledger", ledger, "--workers", 1, "--json", "--seed", 4, "--evaluations", 16)
    _, out, _ = run("search", QUICK, *options)
    other = json.loads(out)
    assert (other["seed"], other["evaluated"]) == (4, 16)
    assert other["run"] != record["run"]


def test_limits_that_no_build_can_meet_are_said_with_the_nearest_miss(tmp_path):
    hard = tmp_path / "hard.toml"
    hard.write_text(QUICK.read_text().replace("at_least = 45.0", "at_least = 45.9"))
    hard.write_text(hard.read_text().replace("[1.10, 1.25]", "[1.00, 1.02]"))
    options = ("--ledger", tmp_path / "l.sqlite", "--workers", 1)
    code, out, _ = run("search", hard, *options, "--out", tmp_path / "o")
    assert code == 0
    assert "No build meets all constraints; the closest infeasible builds" in out
    assert "Lower mass at least 45.9 g to" in out
    assert (tmp_path / "o" / "trade_off.png").exists()


# What is refused, in one sentence and with nothing lost.


def test_bad_scenarios_are_refused(tmp_path):
    text = QUICK.read_text()
    options = ("--ledger", tmp_path / "l.sqlite")
    for old, new, words in [
        ("evaluations = 40", "evaluation = 40", "did you mean evaluations"),
        ("evaluations = 40", "evaluations = -1", "must be at least 1"),
        ("thickness_mm = [0.8, 2.0]", "thickness_mm = [-0.8, 2.0]", "thickness_mm"),
        ("thickness_mm = [0.8, 2.0]", "thickness_mm = [nan, 2.0]", "thickness_mm"),
        ('"moi_ratio"', '"moi_ration"', "moi_ratio"),
        ('rules = "mass', 'rules = "mess', "mass and diameter"),
        ("[ball]", "[ball", "not valid TOML"),
    ]:
        assert old in text
        bad = tmp_path / "bad.toml"
        bad.write_text(text.replace(old, new))
        assert words in refused("search", bad, *options)
    assert "No such file" in refused("search", tmp_path / "missing.toml", *options)
    assert not (tmp_path / "l.sqlite").exists()


def test_bad_options_of_a_search_are_refused(tmp_path):
    options = ("--ledger", tmp_path / "l.sqlite")
    assert "--workers" in refused("search", QUICK, *options, "--workers", 0)
    assert "--evaluations" in refused("search", QUICK, *options, "--evaluations", 0)
    assert "--seed" in refused("search", QUICK, *options, "--seed", -1)


def test_unwritable_places_are_refused_before_anything_is_computed(tmp_path):
    # A folder that even the superuser cannot write: tests may run as one.
    assert "cannot be opened" in refused("search", QUICK, "--ledger", "/proc/l.sqlite")
    ledger = tmp_path / "l.sqlite"
    assert "cannot be written" in refused(
        "search", QUICK, "--ledger", ledger, "--out", "/proc/nowhere"
    )
    (tmp_path / "file").write_text("")
    assert "cannot be written" in refused(
        "search", QUICK, "--ledger", ledger, "--out", tmp_path / "file"
    )
    assert not ledger.exists()


def test_damaged_and_foreign_ledgers_are_refused_untouched(searched, tmp_path):
    ledger, record = searched
    damaged = tmp_path / "damaged.sqlite"
    shutil.copy(ledger, damaged)
    content = bytearray(damaged.read_bytes())
    content[4096:12288] = b"\xff" * 8192
    for bad in (bytes(content), b"not a database at all\n" * 400):
        damaged.write_bytes(bad)
        for command in (("search", QUICK), ("show",), ("show", record["run"])):
            refused(*command, "--ledger", damaged)
        assert damaged.read_bytes() == bad


def test_unknown_runs_and_forms_are_refused(searched, tmp_path):
    ledger, _ = searched
    missing = tmp_path / "missing.sqlite"
    assert "is not there" in refused("show", "--ledger", missing)
    assert not missing.exists()
    assert NAME in refused("show", "Quick: mass outwards", "--ledger", ledger)
    assert "csv, json, markdown" in refused("export", NAME, "--ledger", ledger, "--format", "xml")
    assert "--out FOLDER" in refused("export", NAME, "--ledger", ledger)


# Ctrl-C.


def _started(*arguments: str) -> subprocess.Popen:
    command = [
        sys.executable,
        "-c",
        "import sys; from optimize.start import main; sys.exit(main())",
    ]
    return subprocess.Popen(
        [*command, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT, text=True
    )


def test_ctrl_c_ends_in_one_sentence_and_the_search_goes_on(tmp_path):
    ledger = str(tmp_path / "ledger.sqlite")
    options = ["search", str(THREE), "--ledger", ledger, "--workers", "2", "--evaluations", "40"]
    search = _started(*options)
    assert search.stderr is not None
    while "of 40 builds" not in (line := search.stderr.readline()):
        assert line, "the search ended before it was stopped"
    search.send_signal(signal.SIGINT)
    out, err = search.communicate(timeout=600)
    assert (search.returncode, out) == (130, "")
    assert "Traceback" not in err
    assert "goes on from there" in err
    assert "Go on with: orbwright search" in err
    # What was computed is not computed again.
    code, out, _ = run(*options, "--json")
    assert code == 0
    assert json.loads(out)["reused"] >= 4


# What the installed command does, which says when it begins: Ctrl-C before that meets Python alone.
ENTERED = """
import sys
class Told:
    def find_spec(self, name, *_):
        if name == "optimize.commands.app":
            sys.stderr.write("entered\\n")
            sys.stderr.flush()
sys.meta_path.insert(0, Told())
from optimize.start import main
sys.exit(main())
"""


@pytest.mark.parametrize("delay", [0.0, 0.05, 0.3, 0.8, 2.0])
def test_ctrl_c_at_any_moment_leaves_no_traceback(tmp_path, delay):
    command = [sys.executable, "-c", ENTERED, "search", str(QUICK)]
    search = subprocess.Popen(
        [*command, "--ledger", str(tmp_path / "l.sqlite")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
        text=True,
    )
    assert search.stderr is not None
    assert search.stderr.readline() == "entered\n"
    time.sleep(delay)  # whatever it is at by then: the moment is not what is tested
    search.send_signal(signal.SIGINT)
    _, err = search.communicate(timeout=600)
    assert search.returncode in (0, 130), err
    assert "Traceback" not in err
    if search.returncode:
        assert "stopped by Ctrl-C" in err or "goes on from there" in err


def test_a_full_disk_under_the_answer_loses_nothing(searched):
    ledger, record = searched
    command = [
        sys.executable,
        "-c",
        "import sys; from optimize.start import main; sys.exit(main())",
    ]
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full on this system")
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*command, "export", record["run"], "--ledger", str(ledger), "--format", "csv"],
            stdout=full,
            stderr=subprocess.PIPE,
            cwd=ROOT,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert process("show", record["run"], "--ledger", str(ledger)).returncode == 0
