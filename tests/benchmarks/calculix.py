"""Time of our default compression against CalculiX at equal error, five builds, one run.

    python -m tests.benchmarks.calculix

Error is measured against CalculiX on its finest mesh (28 elements along the arc). CalculiX is timed
on the coarsest mesh whose root-mean-square error over the five builds is not above ours, with few
load increments; meshing is part of either time. Both run on one thread; on a busy machine the ratio
of processor times is the one to read.
"""

import os
import tempfile
import time
from pathlib import Path

import numpy as np

from layers.compression.curve import compress, deflection_between
from layers.compression.deck import deflection_of
from tests.helpers.calculix import BUILDS, compress_with_calculix

FINEST, LADDER, STEPS, REPEATS = 28, (6, 8, 10, 12, 14, 16, 20), 6, 20


def clocks() -> np.ndarray:
    """Wall time, and processor time of this process and its finished children, s."""
    used = os.times()
    processor = used.user + used.system + used.children_user + used.children_system
    return np.array([time.perf_counter(), processor])


def calculix(body, angular, workdir, steps):
    start = clocks()
    force, deflection = compress_with_calculix(body, angular, workdir, steps=steps)
    return deflection_of(force, deflection), *(clocks() - start)


def ours(body):
    compress(body)  # compiles, or loads what was compiled
    start = clocks()
    for _ in range(REPEATS):
        deflection = deflection_between(compress(body))
    return deflection, *((clocks() - start) / REPEATS)


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        workdir = Path(name)
        bodies = list(BUILDS.values())
        converged = np.array([calculix(b, FINEST, workdir, 15)[0] for b in bodies])
        mine, wall, processor = np.array([ours(b) for b in bodies]).T
        error = mine / converged - 1.0
        print(f"{'build':44s}{'CalculiX mm':>12s}{'ours mm':>9s}{'error %':>9s}{'CPU ms':>9s}")
        for row in zip(
            BUILDS, converged * 1e3, mine * 1e3, error * 100, processor * 1e3, strict=True
        ):
            print("{:44s}{:12.4f}{:9.4f}{:+9.3f}{:9.1f}".format(*row))
        print(
            f"ours: rms error {100 * rms(error):.3f} %, "
            f"wall {1e3 * wall.mean():.1f} ms, CPU {1e3 * processor.mean():.1f} ms a build"
        )
        for angular in LADDER:
            coarse, their_wall, their_processor = np.array(
                [calculix(b, angular, workdir, STEPS) for b in bodies]
            ).T
            theirs = rms(coarse / converged - 1.0)
            print(
                f"CalculiX, {angular:2d} elements along the arc: rms error {100 * theirs:.3f} %, "
                f"wall {their_wall.mean():.2f} s, "
                f"{their_wall.mean() / wall.mean():.0f} times ours; "
                f"CPU {their_processor.mean():.2f} s, "
                f"{their_processor.mean() / processor.mean():.0f} times ours"
            )
            if theirs <= rms(error):
                break
        else:
            print("no mesh of the ladder reaches our error; the last line is the nearest")


if __name__ == "__main__":
    main()
