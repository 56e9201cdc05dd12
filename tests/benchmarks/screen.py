"""Screening of a table: parallel efficiency at two workers, and overhead over the bare solvers.

python -m tests.benchmarks.screen [builds] [rounds]

Builds of two to four layers, figures: deflection (compression), COR and MOI. Walls count only on an
idle machine, so each is told with the cores that other programs took, and rounds of all ways are
run in turn and compared within a round:

- bare: `estimate` of each ball, in a loop of one process, nothing kept
- one: a screening of the table with one worker, into a new ledger and a CSV file
- two: the same with two workers

Efficiency is T(one) / (2 T(two)); overhead is T(one) / T(bare) - 1. By CPU seconds the same ratios
hold on a loaded machine as far as caches and clocks are not shared. A worker imports this file, as
it imports the command's start: what is heavy is imported where it is used, as there.
"""

import csv
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.helpers.tables import HEADER, mixed

FIGURES = ("deflection_mm", "cor", "moi_g_cm2")


@dataclass(frozen=True)
class Taken:
    """Wall and CPU seconds of this process and its children, and cores that others took."""

    wall: float
    cpu: float
    others: float


def taken(work: Callable[[], object]) -> Taken:
    from tests.benchmarks.parallel import children, machine_busy

    wall, cpu, busy = time.perf_counter(), time.process_time() + children(), machine_busy()
    work()
    wall, cpu = time.perf_counter() - wall, time.process_time() + children() - cpu
    return Taken(wall, cpu, (machine_busy() - busy - cpu) / wall)


def screened(table: Path, workers: int) -> None:
    from optimize.ledger.ledger import Ledger
    from optimize.report.screening_files import write_screening
    from optimize.screening.screen import Question, screen_builds
    from optimize.screening.spool import Spool

    with (
        tempfile.TemporaryDirectory() as folder,
        Ledger(Path(folder, "l.sqlite")) as ledger,
        Spool() as spool,
    ):
        found = screen_builds(table, Question.of(FIGURES), ledger, spool, workers)
        write_screening(found, Path(folder, "screened.csv"))
        assert found.incomplete == 0


def main(count: int, rounds: int) -> None:
    from layers.estimation import estimate
    from layers.materials import default_catalogue
    from optimize.screening.builds import build_of
    from optimize.screening.columns import sheet_of

    with tempfile.TemporaryDirectory() as folder:
        table = mixed(Path(folder, "builds.csv"), count)
        rows = list(csv.reader(table.open()))[1:]
        sheet, cards = sheet_of(HEADER, table.name), default_catalogue()
        balls = [build_of(sheet, i, row, cards).ball for i, row in enumerate(rows, start=2)]
        ways: dict[str, Callable[[], object]] = {
            "bare": lambda: [estimate(ball, FIGURES) for ball in balls],
            "one": lambda: screened(table, 1),
            "two": lambda: screened(table, 2),
        }
        estimate(balls[0], FIGURES)  # compiled and loaded
        found: dict[str, list[Taken]] = {name: [] for name in ways}
        for _ in range(rounds):
            for name, work in ways.items():
                found[name].append(taken(work))
                last = found[name][-1]
                print(
                    f"{name}: {last.wall:.2f} s, CPU {last.cpu:.2f} s, "
                    f"{1e3 * last.wall / count:.1f} ms a build; others took {last.others:.2f} cores"
                )
    print(f"{count} builds, {', '.join(FIGURES)}; median of {rounds} rounds")
    for key in ("wall", "cpu"):
        bare, one, two = ([getattr(t, key) for t in found[name]] for name in ways)
        overhead = statistics.median(a / b - 1 for a, b in zip(one, bare, strict=True))
        share = 2 if key == "wall" else 1
        efficiency = statistics.median(a / (share * b) for a, b in zip(one, two, strict=True))
        print(
            f"by {key}: overhead {100 * overhead:.1f} %, efficiency of two {100 * efficiency:.1f} %"
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 1000,
        int(sys.argv[2]) if len(sys.argv) > 2 else 1,
    )
