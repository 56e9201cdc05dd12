"""Time a ledger as it grows: adding, finding, opening, size, memory; merge, export, older format.

python -m tests.benchmarks.ledger [rows ...]

Rows are made from real builds of the shipped four-layer scenario and their real figures, each a
little moved, and filled in at once; what is timed afterwards is `Ledger.add`, `Ledger.known` and
the rest as the search calls them, in turns with an empty ledger so that a busy machine burdens
both alike. Times of one call are means over the faster half of the blocks.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np

from layers.estimates import Estimate
from layers.model_version import MODEL_VERSION
from optimize.compute.one import compute_one
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Proposal
from optimize.scenario.brief import read_scenario
from optimize.scenario.space import Space, content_of, key_of
from optimize.search.judge import Judge
from optimize.search.run import run_search
from tests.helpers.ledgers import first_format

SCENARIO = Path(__file__).parents[2] / "scenarios" / "four_layer_speed_feel.toml"
CLOSED = Path(__file__).parents[1] / "helpers" / "closed_form.toml"
SIZES = (10_000, 100_000, 1_000_000)
BLOCK, BLOCKS = 100, 30
GENERATION = 40


def real_builds(rng: np.random.Generator, count: int = 32) -> list[tuple[str, Estimate]]:
    """Return contents and estimates of random builds of the scenario."""
    scenario = read_scenario(SCENARIO)
    space, names = Space(scenario), Judge.of(scenario).names
    found: list[tuple[str, Estimate]] = []
    while len(found) < count:
        ball = space.decode(tuple(int(rng.integers(n)) for n in space.sizes)).ball
        if ball is not None:
            found.append((content_of(ball), compute_one(ball, names)))
    return found


def builds(rng: np.random.Generator, real: list[tuple[str, Estimate]]) -> Iterator[tuple]:
    """Give (key, content, estimate) without end: real ones with their numbers moved."""
    while True:
        for (content, estimate), moved in zip(
            real, rng.uniform(0.99, 1.01, len(real)), strict=True
        ):
            record = json.loads(content)
            record["layers"][0][1] *= moved
            text = json.dumps(record, separators=(",", ":"))
            figures = {n: replace(f, value=f.value * moved) for n, f in estimate.figures.items()}
            yield key_of(text), text, replace(estimate, figures=figures)


def fill(path: Path, made: Iterator[tuple], count: int) -> list[str]:
    """Fill a ledger at once; return the keys of some of its builds."""
    keys = []

    def rows() -> Iterator[Entry]:
        for i, (key, content, estimate) in enumerate(islice(made, count)):
            if i % max(1, count // 5000) == 0:
                keys.append(key)
            yield Entry.of(key, content, MODEL_VERSION, estimate)

    with Ledger(path) as ledger, ledger.transaction():
        ledger.insert(rows())
    return keys


def in_turns(blocks: dict[str, Callable[[], None]]) -> dict[str, float]:
    """Time each block in turn, many times; return the mean of its faster half, and its mean, s."""
    times: dict[str, list[float]] = {name: [] for name in blocks}
    for _ in range(BLOCKS):
        for name, block in blocks.items():
            start = time.perf_counter()
            block()
            times[name].append(time.perf_counter() - start)
    half = {name: float(np.mean(sorted(t)[: BLOCKS // 2])) for name, t in times.items()}
    return half | {f"{name} worst": max(t) for name, t in times.items()}


def adding(ledger: Ledger, made: Iterator[tuple]) -> Callable[[], None]:
    ready = list(islice(made, BLOCK * BLOCKS))

    def block() -> None:
        for _ in range(BLOCK):
            key, content, estimate = ready.pop()
            ledger.add(key, content, MODEL_VERSION, estimate)

    return block


def finding(ledger: Ledger, keys: list[str], rng: np.random.Generator) -> Callable[[], None]:
    """Look a generation up: half of it known, half new."""

    def block() -> None:
        for _ in range(10):
            old = [keys[i] for i in rng.integers(len(keys), size=GENERATION // 2)]
            new = [bytes(rng.bytes(16)).hex() for _ in range(GENERATION // 2)]
            found = ledger.known([*old, *new], MODEL_VERSION)
            assert set(found) == set(old)

    return block


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def opening(path: Path) -> Callable[[], None]:
    def block() -> None:
        Ledger(path).close()

    return block


def measure(folder: Path, size: int, real: list[tuple[str, Estimate]]) -> None:
    rng = np.random.default_rng(size)
    made = builds(rng, real)
    full, empty = folder / f"{size}.sqlite", folder / f"empty{size}.sqlite"
    start = time.perf_counter()
    keys = fill(full, made, size)
    print(f"\n{size:,} rows, filled at once in {time.perf_counter() - start:.0f} s")
    few = fill(empty, made, 100)
    opened = in_turns({"full": opening(full), "empty": opening(empty)})
    before = resident_mb()
    with Ledger(full) as large, Ledger(empty) as small:
        added = in_turns({"full": adding(large, made), "empty": adding(small, made)})
        found = in_turns({"full": finding(large, keys, rng), "empty": finding(small, few, rng)})
        grown = resident_mb() - before
        start = time.perf_counter()
        assert len(large) >= size
        counted = time.perf_counter() - start
    for what, times, calls in [
        ("open", opened, 1),
        ("add one", added, BLOCK),
        (f"find {GENERATION}", found, 10),
    ]:
        one, other = 1e3 * times["full"] / calls, 1e3 * times["empty"] / calls
        worst = 1e3 * times["full worst"] / calls, 1e3 * times["empty worst"] / calls
        print(
            f"  {what:10} {one:8.3f} ms, empty {other:8.3f} ms, ratio {one / other:5.2f}; "
            f"worst block {worst[0]:.3f} and {worst[1]:.3f} ms"
        )
    print(f"  count {1e3 * counted:.1f} ms")
    print(f"  {full.stat().st_size / 1e6:.0f} MB on disk, {grown:.0f} MB more in memory")


def measure_search(folder: Path, size: int) -> None:
    """Search by closed forms alone, which cost a hundredth of a finite-element build."""
    times = dict.fromkeys((f"{size}", f"empty{size}"), float("inf"))
    for seed in range(3):
        scenario = read_scenario(CLOSED).model_copy(update={"seed": seed, "evaluations": 300})
        for name in times:
            start = time.process_time()
            with Ledger(folder / f"{name}.sqlite") as ledger:
                run_search(scenario, ledger)
            times[name] = min(times[name], time.process_time() - start)
    full, empty = times.values()
    print(f"  a search of 300 closed-form builds {full:.2f} s CPU, empty {empty:.2f} s,", end="")
    print(f" ratio {full / empty:.2f}")


def measure_run(folder: Path, size: int) -> None:
    """Note and read back the proposals of a long run."""
    rng = np.random.default_rng(size)
    proposals = [
        Proposal(tuple(map(int, row)), rng.bytes(16).hex(), computed=True)
        for row in rng.integers(0, 30, size=(size, 7))
    ]
    with Ledger(folder / f"run{size}.sqlite") as ledger:
        ledger.begin("0123456789ab", "long", "{}", 1, {"model": MODEL_VERSION})
        times = []
        for first in range(0, size, GENERATION):
            start = time.perf_counter()
            ledger.note("0123456789ab", first, proposals[first : first + GENERATION])
            times.append(time.perf_counter() - start)
        start = time.perf_counter()
        same = ledger.proposals("0123456789ab") == tuple(proposals)
        read = time.perf_counter() - start
        start = time.perf_counter()
        ledger.runs()
        listed = time.perf_counter() - start
    tenth = max(1, len(times) // 10)
    first, last = (1e3 * float(np.mean(part)) for part in (times[:tenth], times[-tenth:]))
    print(f"\nrun of {size:,} proposals: noting {GENERATION} takes {last:.2f} ms at the end,")
    print(f"  {first:.2f} at the start; read back in {read:.2f} s, the same: {same};")
    print(f"  runs listed in {1e3 * listed:.2f} ms")


_COMMAND = """
import sys
from pathlib import Path
from optimize.commands.app import main
code = main(["ledger", *sys.argv[2:]])
status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
Path(sys.argv[1]).write_text(status["VmHWM"].split()[0])
sys.exit(code)
"""


def command(folder: Path, *arguments: object) -> tuple[float, float]:
    """Run `orbwright ledger ...` by itself; return its CPU time, s, and its memory, MB."""
    note = folder / "memory.txt"
    line = [sys.executable, "-c", _COMMAND, str(note), *map(str, arguments)]
    before = os.times()
    subprocess.run(line, check=True, capture_output=True)
    after = os.times()
    seconds = after.children_user + after.children_system
    seconds -= before.children_user + before.children_system
    return seconds, int(note.read_text()) / 1e3


def measure_commands(folder: Path, size: int) -> None:
    """Time what looks after a ledger, each in a process of its own."""
    full, other, old = (folder / f"{name}{size}.sqlite" for name in ("", "other", "old"))
    with Ledger(full, reading=True) as ledger:
        first_format(old, ledger.entries())
    nothing = folder / "nothing.sqlite"
    Ledger(nothing).close()
    for what, arguments in [
        ("info", ("info", full)),
        ("check", ("check", full)),
        ("merge into an empty one", ("merge", other, full)),
        ("the same merge again", ("merge", other, full)),
        ("older format brought up", ("merge", old, nothing)),
        ("export to CSV", ("export", full, "--out", folder / "t.csv")),
        ("export to Parquet", ("export", full, "--out", folder / "t.parquet")),
    ]:
        seconds, memory = command(folder, *arguments)
        print(f"  {what:24} {seconds:7.1f} s CPU, {memory:5.0f} MB of memory at most")
    for name in ("t.csv", "t.parquet"):
        print(f"  {name}: {(folder / name).stat().st_size / 1e6:.0f} MB")
    for path in (full, other, old):
        path.unlink()


def main(sizes: list[int]) -> None:
    real = real_builds(np.random.default_rng(0))
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes:
            measure(Path(folder), size, real)
            measure_search(Path(folder), size)
            measure_commands(Path(folder), size)
        for size in sizes:
            measure_run(Path(folder), size)


if __name__ == "__main__":
    main([int(text) for text in sys.argv[1:]] or list(SIZES))
