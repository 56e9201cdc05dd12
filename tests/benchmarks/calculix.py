"""Wall time of our default compression against CalculiX at equal error, five builds, one run.

    python -m tests.benchmarks.calculix

Error is measured against CalculiX on its finest mesh (28 elements along the arc). CalculiX is timed
on the coarsest mesh whose root-mean-square error over the five builds is not above ours, with few
load increments; meshing is part of either time.
"""

import tempfile
import time
from pathlib import Path

import numpy as np

from layers.compression import compress, deflection_between
from tests.calculix import BUILDS, compress_with_calculix, deflection_between_loads

FINEST, LADDER, STEPS, REPEATS = 28, (6, 8, 10, 12, 14, 16, 20), 6, 20


def calculix(body, angular, workdir, steps):
    start = time.perf_counter()
    force, deflection = compress_with_calculix(body, angular, workdir, steps=steps)
    return deflection_between_loads(force, deflection), time.perf_counter() - start


def ours(body):
    compress(body)  # compiles, or loads what was compiled
    seconds = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        deflection = deflection_between(compress(body))
        seconds.append(time.perf_counter() - start)
    return deflection, float(np.median(seconds))


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        workdir = Path(name)
        bodies = list(BUILDS.values())
        converged = np.array([calculix(b, FINEST, workdir, 15)[0] for b in bodies])
        mine, seconds = np.array([ours(b) for b in bodies]).T
        error = mine / converged - 1.0
        print(f"{'build':44s}{'CalculiX mm':>12s}{'ours mm':>9s}{'error %':>9s}{'ours ms':>9s}")
        for row in zip(
            BUILDS, converged * 1e3, mine * 1e3, error * 100, seconds * 1e3, strict=True
        ):
            print("{:44s}{:12.4f}{:9.4f}{:+9.3f}{:9.1f}".format(*row))
        print(f"ours: rms error {100 * rms(error):.3f} %, {1e3 * seconds.mean():.1f} ms a build")
        for angular in LADDER:
            coarse, spent = np.array([calculix(b, angular, workdir, STEPS) for b in bodies]).T
            theirs = rms(coarse / converged - 1.0)
            print(
                f"CalculiX, {angular:2d} elements along the arc: rms error {100 * theirs:.3f} %, "
                f"{spent.mean():.2f} s a build, {spent.mean() / seconds.mean():.0f} times ours"
            )
            if theirs <= rms(error):
                break
        else:
            print("no mesh of the ladder reaches our error; the last line is the nearest")


if __name__ == "__main__":
    main()
