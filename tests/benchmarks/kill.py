"""Kill a search at random moments and see that it ends in the same answer, bit for bit.

python -m tests.benchmarks.kill SCENARIO.toml EVALUATIONS MOMENTS WORKERS [more options of search]

The real command is run in processes of its own: once undisturbed; then, for every moment, killed
with all its processes at once (SIGKILL, as when the power fails) and given again; then with one
worker process alone killed, which the command must survive by itself. Compared are the printed
record (short list, front, prices, every figure as JSON writes it, which is to the last bit) and all
builds that the run looked at with their figures.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from optimize.ledger.ledger import Ledger

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "import sys; from optimize.start import main; sys.exit(main())"]
# What a search that went on may tell differently.
VOLATILE = ("ledger", "reused")


@dataclass(frozen=True)
class Ended:
    """What a search left: its record, the builds looked at, how many it found done, its wall."""

    record: dict[str, Any]
    builds: list[Any]
    reused: int
    wall: float

    def differs_in(self, other: "Ended") -> list[str]:
        """Name what is not the same to the last bit; nothing, it is hoped."""
        names = self.record.keys() | other.record.keys()
        wrong = sorted(n for n in names if self.record.get(n) != other.record.get(n))
        return wrong if self.builds == other.builds else [*wrong, "builds"]


@dataclass(frozen=True)
class Trial:
    """A search to be killed: the command's options but for the ledger."""

    options: list[str]
    folder: Path

    def start(self, ledger: Path) -> subprocess.Popen:
        command = [*COMMAND, "search", *self.options, "--json", "--ledger", str(ledger)]
        return subprocess.Popen(
            command,
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def end(self, search: subprocess.Popen, ledger: Path, started: float) -> Ended:
        out, err = search.communicate()
        if search.returncode:
            raise RuntimeError(f"the search ended in {search.returncode}: {err}")
        record = json.loads(out)
        with Ledger(ledger) as book:
            looked = book.proposals(record["run"])
            known = book.known([p.key for p in looked if p.key], record["model_version"])
        builds = [(p, known.get(p.key) if p.key else None) for p in looked]
        kept = {name: value for name, value in record.items() if name not in VOLATILE}
        return Ended(kept, builds, record["reused"], time.perf_counter() - started)

    def whole(self, name: str) -> Ended:
        """Run undisturbed, or to the end."""
        ledger, started = self.folder / name, time.perf_counter()
        return self.end(self.start(ledger), ledger, started)

    def killed_whole(self, name: str, after: float) -> Ended:
        """Kill all processes of a search, then search again to the end."""
        search = self.start(self.folder / name)
        time.sleep(after)
        with suppress(ProcessLookupError):
            os.killpg(search.pid, signal.SIGKILL)
        search.communicate()
        return self.whole(name)

    def killed_worker(self, name: str, after: float) -> tuple[Ended, bool]:
        """Kill one worker process of a search; also whether there was one."""
        ledger, started = self.folder / name, time.perf_counter()
        search = self.start(ledger)
        time.sleep(after)
        workers = workers_of(search.pid)
        with suppress(ProcessLookupError, IndexError):
            os.kill(workers[0], signal.SIGKILL)
        return self.end(search, ledger, started), bool(workers)


def workers_of(pid: int) -> list[int]:
    with suppress(OSError):
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        lines = {int(c): Path(f"/proc/{c}/cmdline").read_bytes() for c in children}
        return [child for child, line in lines.items() if b"spawn_main" in line]
    return []


def main(scenario: Path, evaluations: int, moments: int, workers: int, more: list[str]) -> int:
    options = [str(scenario), "--evaluations", str(evaluations), "--workers", str(workers), *more]
    seed = time.time_ns() % 2**32
    rng = np.random.default_rng(seed)
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(options, Path(folder))
        whole = trial.whole("whole.sqlite")
        print(f"undisturbed: {whole.record['evaluated']} builds, {whole.wall:.1f} s; seed {seed}")
        for k, after in enumerate(rng.uniform(0.0, whole.wall, moments)):
            ended = trial.killed_whole(f"{k}.sqlite", after)
            wrong += bool(other := ended.differs_in(whole))
            verdict = f"differs in {other}" if other else "the same"
            print(
                f"all killed after {after:5.2f} s, {ended.reused:3d} builds kept: {verdict}",
                flush=True,
            )
        for k, after in enumerate(rng.uniform(0.0, whole.wall, moments // 4 if workers > 1 else 0)):
            ended, was_there = trial.killed_worker(f"worker{k}.sqlite", after)
            wrong += bool(other := ended.differs_in(whole))
            verdict = f"differs in {other}" if other else "the same"
            what = "a worker killed" if was_there else "no worker there"
            print(f"{what} after {after:5.2f} s, {ended.wall:.1f} s in all: {verdict}")
    print(f"{wrong} of all ended in another answer")
    return min(wrong, 1)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *(int(a) for a in sys.argv[2:5]), sys.argv[5:]))
