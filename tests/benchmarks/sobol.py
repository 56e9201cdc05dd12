"""Sobol indices by way of the emulator: published values, a reference library, coverage.

python -m tests.benchmarks.sobol [designs]

Needs SALib (pip install SALib), whose indices of the functions themselves stand beside: they take
thousands of computations of the function, where the emulator is fitted to so many points.
"""

import sys
import time
from itertools import pairwise

import numpy as np

from optimize.emulator.gaussian import fit
from optimize.sensitivity.sobol import Indices, design, indices
from tests.optimize.sensitivity.test_sobol import PAIRS, PUBLISHED, grid, inside, points, singles

POINTS = (60, 100, 200, 300)
SAMPLE = 4096


def emulated(function, d: int, builds: int, seed: int) -> tuple[float, Indices]:
    """Return the share of the variance that the emulator misses, left out; and the indices."""
    of = grid(d)
    drawn = design(of, singles(d), SAMPLE, seed)
    known = points(np.random.default_rng([seed, 9]).integers(of.sizes, size=(builds, d)))
    y = function(known)
    emulator = fit(known, {"y": y})
    values = emulator.draws("y", points(drawn.rows).reshape(-1, d), PAIRS, seed)
    values = values.reshape(-1, 1 + d, SAMPLE)
    missed = float(np.mean((emulator.left_out()["y"] - y) ** 2) / np.var(values[:, 0]))
    return missed, indices(drawn, values, of.sizes, missed)


def reference(function, d: int) -> tuple[np.ndarray, np.ndarray, int]:
    """Return SALib's first and total indices of the function itself, and its computations."""
    from SALib.analyze import sobol as analysis
    from SALib.sample import sobol as sampling

    problem = {"num_vars": d, "names": [f"x{i}" for i in range(d)], "bounds": [[0.0, 1.0]] * d}
    x = sampling.sample(problem, SAMPLE, calc_second_order=False, seed=1)
    found = analysis.analyze(problem, function(x), calc_second_order=False, seed=1)
    return found["S1"], found["ST"], len(x)


def row(title: str, numbers: np.ndarray) -> str:
    return f"{title:28s}" + " ".join(f"{n:6.3f}" for n in numbers)


def main() -> None:
    designs = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    by_missed: dict[str, list[tuple[float, float]]] = {}
    for function, first, total in PUBLISHED:
        name, d = function.__name__, len(first)
        theirs_first, theirs_total, computations = reference(function, d)
        print(f"\n{name}: first indices, then total")
        print(row("published", np.concatenate([first, total])))
        heading = f"SALib, {computations} computations"
        print(row(heading, np.concatenate([theirs_first, theirs_total])))
        for builds in POINTS:
            began = time.process_time()
            found = [emulated(function, d, builds, seed) for seed in range(designs)]
            spent = (time.process_time() - began) / designs
            every = [[i.value for i in (*f.first, *f.total)] for _, f in found]
            covered = [float(np.mean(inside(f, first, total))) for _, f in found]
            missed = [m for m, _ in found]
            by_missed.setdefault(name, []).extend(zip(missed, covered, strict=True))
            print(row(f"{builds} points, mean of {designs}", np.mean(every, axis=0)), end="")
            worst = np.abs(np.array(every) - np.concatenate([first, total])).max(axis=1)
            print(
                f"   median of the worst error {np.median(worst):.3f}, missed "
                f"{100 * np.median(missed):.2g} %, inside 95 %: {100 * np.mean(covered):.0f} %, "
                f"{spent:.1f} s"
            )
    print("\nInside their 95 % intervals, by what the emulator misses")
    edges = (0.0, 0.005, 0.02, 0.05, np.inf)
    for name, pairs in by_missed.items():
        for low, high in pairwise(edges):
            kept = [c for m, c in pairs if low <= m < high]
            if kept:
                words = f"{100 * low:g} to {100 * high:g} %"
                print(f"{name:12s} {words:12s} {100 * np.mean(kept):.0f} %  ({len(kept)} designs)")


if __name__ == "__main__":
    main()
