"""Measure compression: time a build, default against fine mesh, smoothness.

Run as ``python -m tests.benchmarks.compression [builds]``; times are of this process's own
processor time, the better of two runs.
"""

import sys
import time
from dataclasses import replace

import numpy as np

from layers.compression.curve import DEFAULT_LOADS, KGF, Compression, compress, deflection_between
from tests.helpers.builds import random_bodies

STANDARD = np.array([10.0, 130.0]) * KGF
WINDOWS = ((0.2, 5.0), (5.0, 15.0), (5.0, 60.0), (10.0, 130.0))  # kgf


def milliseconds(run) -> float:
    best = np.inf
    for _ in range(2):
        start = time.process_time()
        run()
        best = min(best, time.process_time() - start)
    return 1e3 * best


def show(name: str, values) -> None:
    values = np.asarray(values)
    rms = np.sqrt(np.mean(values**2))
    print(f"{name:<58} median {np.median(values):8.3f}  rms {rms:8.3f}  max {values.max():8.3f}")


def main(builds: int) -> None:
    bodies = random_bodies(builds, seed=1)
    for body in bodies[:4]:
        compress(body), compress(body, level="fine")
    print(f"{builds} random builds of 2 to 5 layers, meshing included")
    show(
        f"ms a build, all {len(DEFAULT_LOADS)} default loads",
        [milliseconds(lambda b=b: compress(b)) for b in bodies],
    )
    show(
        "ms a build, 98 and 1,275 N alone",
        [milliseconds(lambda b=b: compress(b, STANDARD)) for b in bodies],
    )
    curves = [(compress(b), compress(b, level="fine")) for b in bodies]
    print(f"flagged: {sum(bool(c.flag) for pair in curves for c in pair)}")
    for low, high in WINDOWS:
        show(
            f"%, default against fine mesh, {low:g} to {high:g} kgf",
            [abs(change(default, fine, low, high)) for default, fine in curves],
        )
    d = [[deflection_between(c) for c in pair] for pair in curves]
    ranks = np.argsort(np.argsort(np.array(d), axis=0), axis=0)
    print(f"rank correlation, default and fine: {np.corrcoef(ranks.T)[0, 1]:.5f}")
    residuals = np.array([roughness(b) for b in bodies[: max(builds // 5, 1)]])
    show("%, residual of a quadratic, interface +-0.1 mm", residuals[:, 0])
    show("%, residual of a quadratic, modulus +-1 %", residuals[:, 1])


def change(default: Compression, fine: Compression, low: float, high: float) -> float:
    a, b = (deflection_between(c, low * KGF, high * KGF) for c in (default, fine))
    return 100.0 * (a / b - 1.0)


def roughness(body) -> tuple[float, float]:
    """Worst residual from a local quadratic, %, over moves of each interface and modulus."""
    moves = np.linspace(-1.0, 1.0, 11)
    worst = np.zeros(2)
    for i, row in enumerate(np.eye(len(body.outer_radius))):
        stiffer = [
            replace(
                body,
                shear_modulus=body.shear_modulus * (1.0 + 0.01 * x * row),
                bulk_modulus=body.bulk_modulus * (1.0 + 0.01 * x * row),
            )
            for x in moves
        ]
        moved = [replace(body, outer_radius=body.outer_radius + 0.1e-3 * x * row) for x in moves]
        for kind, bodies in enumerate((moved if i + 1 < len(row) else [], stiffer)):
            if bodies:
                d = np.array([deflection_between(compress(b, STANDARD)) for b in bodies])
                residual = d / np.polyval(np.polyfit(moves, d, 2), moves) - 1.0
                worst[kind] = max(worst[kind], 100.0 * np.abs(residual).max())
    return worst[0], worst[1]


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
