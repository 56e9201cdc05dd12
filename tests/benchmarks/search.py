"""Time a search: builds a minute, the finite elements' share of it, and what resuming costs.

python -m tests.benchmarks.search [scenario.toml] [workers]
"""

import sys
import tempfile
import time
from pathlib import Path

from optimize.compute import pool
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario, read_scenario
from optimize.search.result import Run
from optimize.search.run import load_run, run_search

SHIPPED = Path(__file__).parents[2] / "scenarios" / "four_layer_speed_feel.toml"


def search(scenario: Scenario, ledger: Path, workers: int) -> tuple[Run, float, float]:
    """Return the run, its wall time and this process's own CPU time, s."""
    wall, cpu = time.perf_counter(), time.process_time()
    with Ledger(ledger) as book:
        run = run_search(scenario, book, workers)
    return run, time.perf_counter() - wall, time.process_time() - cpu


def main(path: Path, workers: int) -> None:
    scenario = read_scenario(path)
    inside = [0.0]
    compute_one = pool.compute_one

    def timed(*request):
        start = time.process_time()
        found = compute_one(*request)
        inside[0] += time.process_time() - start
        return found

    with tempfile.TemporaryDirectory() as folder:
        # CPU seconds in one process: what is finite elements and what is the rest.
        pool.compute_one = timed
        one, wall, cpu = search(scenario, Path(folder, "one.sqlite"), 1)
        pool.compute_one = compute_one
        print(f"{scenario.name}: {one.evaluated} builds evaluated, {one.ruled_out} ruled out")
        print(f"  {one.feasible} feasible, {one.infeasible} not, failed: {one.failed or 'none'}")
        print(f"one process: {wall:.1f} s wall, {cpu:.1f} s CPU, {inside[0]:.1f} s in estimates")
        print(f"  estimates {100 * inside[0] / cpu:.0f} % of the CPU time,")
        print(f"  overhead {1e3 * (cpu - inside[0]) / one.evaluated:.2f} ms CPU a build")

        many, wall, _ = search(scenario, Path(folder, "many.sqlite"), workers)
        print(f"{workers} processes: {wall:.1f} s wall, {60 * many.evaluated / wall:.0f} a minute")
        print(f"  the same answer to the last bit: {many == one}")

        again, wall, _ = search(scenario, Path(folder, "many.sqlite"), workers)
        print(f"again from the ledger: {wall:.2f} s, the same: {again == one}")
        start = time.perf_counter()
        with Ledger(Path(folder, "many.sqlite")) as book:
            shown = load_run(book, one.id)
        print(f"shown again: {time.perf_counter() - start:.2f} s, the same: {shown == one}")


if __name__ == "__main__":
    main(
        Path(sys.argv[1]) if len(sys.argv) > 1 else SHIPPED,
        int(sys.argv[2]) if len(sys.argv) > 2 else 2,
    )
