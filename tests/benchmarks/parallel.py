"""Parallel efficiency at two workers, T1 / (2 T2): local processes and a cluster on loopback.

python -m tests.benchmarks.parallel [scenario.toml] [evaluations] [repeats]

Walls count only on an idle machine: beside each stands how many cores other programs took. The
structure below them does not hang on that: from CPU times of every build it says what two workers
could reach at best, and what is lost to what this process does alone, to generations (a worker has
nothing left while the other ends its last build) and to starting.
"""

import heapq
import os
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from optimize.compute import pool
from optimize.compute.cluster import Cluster
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario, read_scenario
from optimize.search.result import Run
from optimize.search.run import run_search
from tests.helpers.loopback import loopback_cluster

SHIPPED = Path(__file__).parents[2] / "scenarios" / "four_layer_speed_feel.toml"
TICK = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Measured:
    """One search: wall and CPU seconds, of this process and of those that worked for it."""

    run: Run
    wall: float
    own: float
    theirs: float
    others_cores: float  # taken by programs that have nothing to do with it


def machine_busy() -> float:
    """CPU seconds that this machine has spent since it started."""
    fields = [int(x) for x in Path("/proc/stat").read_text().splitlines()[0].split()[1:9]]
    return (sum(fields) - fields[3] - fields[4]) / TICK


def cpu_of(pids: list[int]) -> float:
    def seconds(pid: int) -> float:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICK

    return sum(seconds(pid) for pid in pids)


def children() -> float:
    use = resource.getrusage(resource.RUSAGE_CHILDREN)
    return use.ru_utime + use.ru_stime


def measured(scenario: Scenario, workers: int | Cluster, pids: list[int]) -> Measured:
    with tempfile.TemporaryDirectory() as folder, Ledger(Path(folder, "l.sqlite")) as book:
        busy, theirs = machine_busy(), children() + cpu_of(pids)
        wall, own = time.perf_counter(), time.process_time()
        run = run_search(scenario, book, workers)
        wall, own = time.perf_counter() - wall, time.process_time() - own
        theirs = children() + cpu_of(pids) - theirs
        return Measured(run, wall, own, theirs, (machine_busy() - busy - own - theirs) / wall)


@contextmanager
def recorded() -> Iterator[list[tuple[float, list[float]]]]:
    """Note the batches of a search in this process: CPU seconds before each, and of its builds."""
    batches: list[tuple[float, list[float]]] = []
    compute_one, serial = pool.compute_one, pool._serial
    last = [time.process_time()]

    def timed(*request):
        start = time.process_time()
        found = compute_one(*request)
        batches[-1][1].append(time.process_time() - start)
        return found

    def batch(conditions, level, requests):
        batches.append((time.process_time() - last[0], []))
        yield from serial(conditions, level, requests)
        last[0] = time.process_time()

    pool.compute_one, pool._serial = timed, batch
    try:
        yield batches
    finally:
        pool.compute_one, pool._serial = compute_one, serial


def makespan(costs: list[float], workers: int) -> float:
    """How long workers take that each fetch the next build when they have done one."""
    ends = [0.0] * workers
    for cost in costs:
        heapq.heapreplace(ends, ends[0] + cost)
    return max(ends)


def tell_structure(batches: list[tuple[float, list[float]]], total: float) -> None:
    builds = sum(sum(costs) for _, costs in batches)
    alone = sum(before for before, _ in batches)
    two = sum(makespan(costs, 2) for _, costs in batches)
    best = total / (2 * (alone + two))
    print(f"structure, CPU of one process: {total:.2f} s, of it builds {builds:.2f} s in")
    print(f"  {len(batches)} batches, {alone:.2f} s between batches, the rest beside the builds")
    print(f"  at best at 2 workers: {100 * best:.1f} %; lost of 2 x {alone + two:.2f} s:")
    print(f"  {100 * alone / 2 / (alone + two):.1f} % while only this process works,")
    print(f"  {100 * (2 * two - builds) / 2 / (alone + two):.1f} % at the ends of generations")


def tell(name: str, best: Measured, one: Measured) -> None:
    print(
        f"{name}: {best.wall:.2f} s, {1e3 * best.wall / best.run.evaluated:.1f} ms a build; "
        f"CPU here {best.own:.2f} s, workers {best.theirs:.2f} s; "
        f"others took {best.others_cores:.2f} cores"
    )
    if best is not one:
        wall, cpu = one.wall / (2 * best.wall), one.own / (best.own + best.theirs)
        print(f"  efficiency by wall {100 * wall:.1f} %, by CPU of all {100 * cpu:.1f} %;", end="")
        print(f" same answer: {best.run == one.run}")


def main(path: Path, evaluations: int | None, repeats: int) -> None:
    scenario = read_scenario(path)
    if evaluations:
        scenario = scenario.model_copy(update={"evaluations": evaluations})
    measured(scenario.model_copy(update={"evaluations": 2}), 1, [])  # compiled and loaded
    with recorded() as batches:
        total = measured(scenario, 1, []).own
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        standing = stack.enter_context(loopback_cluster(Path(folder), workers=2))
        hands: dict[str, tuple[int | Cluster, list[int]]] = {
            "one process": (1, []),
            "two processes": (2, []),
            "cluster of two": (Cluster(standing.address), standing.pids()),
        }
        found: dict[str, list[Measured]] = {name: [] for name in hands}
        for _ in range(repeats):
            for name, (workers, pids) in hands.items():
                found[name].append(measured(scenario, workers, pids))
    print(f"{scenario.name}: {found['one process'][0].run.evaluated} builds, best of {repeats}")
    best = {name: min(all_, key=lambda m: m.wall) for name, all_ in found.items()}
    for name, one in best.items():
        tell(name, one, best["one process"])
    tell_structure(batches, total)


if __name__ == "__main__":
    main(
        Path(sys.argv[1]) if len(sys.argv) > 1 else SHIPPED,
        int(sys.argv[2]) if len(sys.argv) > 2 else None,
        int(sys.argv[3]) if len(sys.argv) > 3 else 3,
    )
