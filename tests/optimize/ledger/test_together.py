"""Several `orbwright search` processes on one ledger at once."""

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from optimize.ledger.check import check_ledger
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry
from tests.helpers.ledgers import not_writable
from tests.optimize.commands.test_app import ROOT, run

QUICK = ROOT / "tests" / "helpers" / "closed_form.toml"
COMMAND = [
    sys.executable,
    "-c",
    "import sys; from optimize.start import main; sys.exit(main())",
]
BUILDS, MANY = 60, 5000


def options(ledger: Path, seed: int, builds: int = BUILDS) -> list[str]:
    numbers = ["--seed", str(seed), "--evaluations", str(builds), "--workers", "1"]
    return ["search", str(QUICK), "--ledger", str(ledger), "--json", *numbers]


def started(ledger: Path, seed: int, builds: int = BUILDS) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, *options(ledger, seed, builds)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )


def answer(text: str) -> dict[str, Any]:
    """Return what a search found: all it printed, but where it is kept and what was at hand."""
    return {k: v for k, v in json.loads(text).items() if k not in ("ledger", "reused")}


def entries(path: Path) -> list[Entry]:
    with Ledger(path, reading=True) as ledger:
        return list(ledger.entries())


def test_searches_share_a_ledger_and_one_that_is_killed_disturbs_none(tmp_path, open_folder):
    alone, shared = {}, open_folder / "shared.sqlite"
    for seed in (3, 9):
        code, out, err = run(*options(tmp_path / f"{seed}.sqlite", seed))
        assert code == 0, err
        alone[seed] = answer(out)
    # Two searches, one of them twice, and a fourth that is killed in the middle: it begins with the
    # builds of another and would search on, so that it cannot find them all there and end.
    seeds = (3, 3, 9)
    processes = [started(shared, seed) for seed in seeds]
    killed = started(shared, 9, MANY)
    assert killed.stderr is not None
    while f" of {MANY} builds" not in (line := killed.stderr.readline()):
        assert line, "the search ended before it was killed"
    killed.kill()
    for seed, process in zip(seeds, processes, strict=True):
        out, err = process.communicate(timeout=600)
        assert process.returncode == 0, err
        assert answer(out) == alone[seed]
    killed.communicate()
    assert killed.returncode == -signal.SIGKILL
    with Ledger(shared) as ledger:
        finished = {r.id for r in ledger.runs() if r.status == "finished"}
        assert finished == {found["run"] for found in alone.values()}
        assert check_ledger(ledger, lambda *_: None) == len(set(entries(shared)))
        for seed in alone:
            for entry in entries(tmp_path / f"{seed}.sqlite"):
                key = entry.build.hex()
                both = ledger.known([key], entry.model_version)[key]
                assert entry.known().figures.items() <= both.figures.items()
    with not_writable(open_folder, shared):
        code, out, _ = run("show", alone[3]["run"], "--ledger", shared, "--json")
    assert (code, answer(out)) == (0, alone[3])
