"""Search, screening and bench side by side on one ledger, disturbed at random, for a long time.

python -m tests.benchmarks.soak [--minutes 60] [--seed N]

Round by round the three commands share a new ledger. At random moments one of them is killed with
all its processes (SIGKILL), the clock of all jumps by up to a year, or a search or screening gets a
full disk (a limit on the size of its files, which SQLite and the operating system report as such).
What was killed or stopped is given again. At the end of a round the search's record, the screened
table and the bench's figures must equal those of an undisturbed run to the last bit, and every row
of the ledger must be as it was written. The largest resident memory of each command is told by
round; the bench's also by its age.
"""

import argparse
import contextlib
import http.client
import json
import os
import queue
import re
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from optimize.ledger.check import check_ledger
from optimize.ledger.ledger import Ledger
from tests.benchmarks.kill import ROOT, VOLATILE
from tests.helpers.tables import mixed

SCENARIO = ROOT / "scenarios" / "three_layer_soft_feel.toml"
BALL = ROOT / "scenarios" / "balls" / "two_layer_distance.toml"
EVALUATIONS, ROWS = 48, 60
ADDRESS = re.compile(r"http://127\.0\.0\.1:(\d+)/#(\S+)")
# The command line in a process whose clock is off by what a file says.
COMMAND = """
import os, sys, time
from datetime import UTC, datetime, timedelta
_time, _ns = time.time, time.time_ns
def _offset():
    with open(os.environ["SOAK_CLOCK"]) as file:
        return float(file.read() or 0.0)
time.time = lambda: _time() + _offset()
time.time_ns = lambda: _ns() + int(_offset() * 1e9)
from optimize.ledger import rows  # before anything takes its clock from there
rows.now = lambda: (datetime.now(UTC) + timedelta(seconds=_offset())).isoformat()
from optimize.start import main
sys.exit(main())
"""


def resident_mb(pid: int) -> float:
    """Resident memory of a process and its children, MB; 0 if it is gone."""
    total, found = 0.0, [pid]
    while found:
        one = found.pop()
        with suppress(OSError, ValueError):
            status = Path(f"/proc/{one}/status").read_text()
            resident = re.search(r"VmRSS:\s+(\d+)", status)  # a process that has ended has none
            total += int(resident[1]) / 1e3 if resident else 0.0
            found += map(int, Path(f"/proc/{one}/task/{one}/children").read_text().split())
    return total


@dataclass
class Child:
    """A command that is given again until it ends well.

    Attributes
    ----------
    name : str
        What it is.
    arguments : list of str
        Of the command line.
    peak : float
        Largest resident memory so far, MB.
    """

    name: str
    arguments: Sequence[str]
    environment: dict[str, str]
    out: Path
    process: subprocess.Popen | None = None
    began: float = 0.0
    limited: bool = False
    peak: float = 0.0

    def start(self, most_bytes: int = 0) -> None:
        self.limited = most_bytes > 0
        limit = (most_bytes, most_bytes)
        with self.out.open("wb") as out, self.out.with_suffix(".err").open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-c", COMMAND, *self.arguments],
                cwd=ROOT,
                stdout=out,
                stderr=err,
                env=self.environment,
                start_new_session=True,
                preexec_fn=(lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit))
                if most_bytes
                else None,
            )
        self.began = time.monotonic()

    @property
    def said(self) -> str:
        return self.out.with_suffix(".err").read_text(errors="replace")

    def kill(self) -> None:
        if self.process is None:
            return
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def watch(self) -> float:
        assert self.process is not None
        now = resident_mb(self.process.pid)
        self.peak = max(self.peak, now)
        return now


@dataclass
class Soak:
    """The state of a soak; `events` counts disturbances, `wrong` tells what differed."""

    folder: Path
    rng: np.random.Generator
    events: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    bench_ages: list[tuple[float, float]] = field(default_factory=list)

    def environment(self) -> dict[str, str]:
        clock = self.folder / "clock"
        clock.write_text("0")
        return {**os.environ, "PYTHONPATH": str(ROOT), "SOAK_CLOCK": str(clock)}

    def children(self, ledger: Path) -> dict[str, Child]:
        book, name = ["--ledger", str(ledger)], ledger.stem
        table, screened = self.folder / "builds.csv", self.folder / f"{name}.screened.csv"
        workers = ["--workers", "1"]
        asked = ["-f", "deflection_mm", "-f", "cor", "-f", "moi_g_cm2"]
        commands = {
            "search": ["search", str(SCENARIO), "--evaluations", str(EVALUATIONS), "--json"],
            "screen": ["screen", str(table), *asked, "--rules", "none", "--out", str(screened)],
            "bench": ["bench", str(BALL), "--no-browser"],
        }
        return {
            what: Child(
                what,
                [*line, *book, *(workers if what != "bench" else [])],
                self.environment(),
                self.folder / f"{name}.{what}.out",
            )
            for what, line in commands.items()
        }

    def disturb(self, children: dict[str, Child], ledger: Path, running: list[str]) -> None:
        what = str(self.rng.choice(["kill", "kill", "clock", "disk"]))
        if what == "clock":
            offset = float(self.rng.uniform(-3e7, 3e7))
            (self.folder / "clock").write_text(repr(offset))
            self.events["clock jumps"] += 1
            return
        name = str(self.rng.choice(running))
        child = children[name]
        child.kill()
        self.events[f"{name} killed"] += 1
        size = ledger.stat().st_size if ledger.exists() else 0
        full = what == "disk" and name != "bench" and size > 0
        child.start(size + int(self.rng.integers(1, 30_000)) if full else 0)
        self.events[f"{name} on a full disk"] += full

    def ended(self, child: Child) -> bool:
        """Whether a command has ended well; one that met the limit on its disk is given again."""
        assert child.process is not None
        code = child.process.poll()
        if code is None:
            return False
        if code == 0:
            return True
        last = child.said.strip().splitlines()[-1:] or [""]
        if child.limited and code == 2 and last[0].startswith("orbwright: "):
            self.events[f"told: {re.sub(r'/[^ :]+', 'FILE', last[0])[:90]}"] += 1
        else:
            self.wrong.append(f"{child.name} ended in {code}: {last[0][:200]}")
        child.start()
        return False

    def round(self, number: int, disturbed: bool) -> dict[str, Any]:
        """Run the three on a ledger of their own; return what came out."""
        ledger = self.folder / f"round{number}.sqlite"
        children = self.children(ledger)
        try:
            return self._round(children, ledger, disturbed)
        finally:
            for child in children.values():
                child.kill()

    def _round(self, children: dict[str, Child], ledger: Path, disturbed: bool) -> dict[str, Any]:
        for child in children.values():
            child.start()
        left = ["search", "screen"]
        following = self.rng.uniform(1.0, 8.0) + time.monotonic()
        answers: queue.SimpleQueue[dict[str, float]] = queue.SimpleQueue()
        asking: threading.Thread | None = None
        first: dict[str, float] = {}
        while left or not first:
            time.sleep(0.2)
            left = [name for name in left if not self.ended(children[name])]
            for child in children.values():
                child.watch()
            if disturbed and left and time.monotonic() > following:
                following = self.rng.uniform(1.0, 8.0) + time.monotonic()
                self.disturb(children, ledger, [*left, "bench"])
            self.ended(children["bench"])  # given again, and told, if it ended by itself
            if not first and (asking is None or not asking.is_alive()):
                with suppress(queue.Empty):
                    first = answers.get_nowait()
                if not first:
                    asking = threading.Thread(target=ask, args=(children["bench"], answers))
                    asking.start()
        bench = children["bench"]
        age = time.monotonic() - bench.began
        self.bench_ages.append((age, bench.watch()))
        bench.kill()
        with Ledger(ledger, reading=True) as book:
            rows = check_ledger(book, lambda done, total: None)
        record = json.loads(children["search"].out.read_text())
        return {
            "search": {k: v for k, v in record.items() if k not in VOLATILE},
            "screen": (self.folder / f"{ledger.stem}.screened.csv").read_bytes(),
            "bench": first,
            "rows": rows,
            "peaks": {name: child.peak for name, child in children.items()},
        }


def ask(bench: Child, answers: "queue.SimpleQueue[dict[str, float]]") -> None:
    """Ask the bench for the finite-element figures of its ball, as its page does."""
    found = ADDRESS.search(bench.said)
    if found is None:
        time.sleep(0.5)
        return
    host = f"127.0.0.1:{found[1]}"
    headers = {
        "Host": host,
        "X-Orbwright-Token": found[2],
        "Content-Type": "application/json",
    }
    # A bench that is killed meanwhile leaves half an answer, or none.
    with contextlib.suppress(OSError, http.client.HTTPException, ValueError, KeyError):
        line = http.client.HTTPConnection(host, timeout=300)
        line.request("GET", "/api/about", headers=headers)
        start = json.loads(line.getresponse().read())["start"]
        line = http.client.HTTPConnection(host, timeout=300)
        line.request("POST", "/api/finite", json.dumps(start), headers)
        lines = [json.loads(text) for text in line.getresponse().read().splitlines()]
        values = {n: f["value"] for told in lines for n, f in told.get("figures", {}).items()}
        if values and any(told.get("end") == "done" for told in lines):
            answers.put(values)


def main(minutes: float, seed: int) -> int:
    end = time.monotonic() + 60.0 * minutes
    with tempfile.TemporaryDirectory() as folder:
        soak = Soak(Path(folder), np.random.default_rng(seed))
        mixed(soak.folder / "builds.csv", ROWS)
        whole = soak.round(0, disturbed=False)
        print(f"seed {seed}; undisturbed: {whole['rows']} rows; {told(whole['peaks'])}", flush=True)
        number = 0
        while time.monotonic() < end:
            number += 1
            found = soak.round(number, disturbed=True)
            other = [name for name in ("search", "screen", "bench") if found[name] != whole[name]]
            soak.wrong += [f"round {number}: another answer of {name}" for name in other]
            verdict = f"differs in {other}" if other else "the same"
            print(f"round {number}: {found['rows']} rows whole, {verdict}; {told(found['peaks'])}",
                  flush=True)  # fmt: skip
        for event, count in sorted(soak.events.items()):
            print(f"{count:4d} {event}")
        for age, size in soak.bench_ages:
            print(f"bench of {age:.0f} s: {size:.0f} MB")
        for sentence in soak.wrong:
            print(f"WRONG: {sentence}")
        print(f"{number} rounds, {len(soak.wrong)} wrong")
    return min(len(soak.wrong), 1)


def told(peaks: dict[str, float]) -> str:
    return ", ".join(f"{name} {peak:.0f} MB" for name, peak in peaks.items())


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=time.time_ns() % 2**32)
    sys.exit(main(**vars(parser.parse_args())))
