"""Estimators of Sobol indices from computed builds, against closed forms.

``python -m tests.benchmarks.direct_sobol [--seeds 40]`` prints root mean square errors over seeds
at equal numbers of random builds: ours, and the first-order formula of Saltelli et al. 2010 with
its second matrix of builds, which ours does without.
"""

import argparse

import numpy as np
from scipy.stats import qmc

from optimize.sensitivity.sequence import computed_indices, sequence_design
from tests.optimize.sensitivity.test_sobol import PUBLISHED, grid, inside, points, singles

SLOPES = np.array([3.0, 2.0, 1.0, 0.0])
SHARES = SLOPES**2 / np.sum(SLOPES**2)
LEVELS = 41


def linear(u: np.ndarray) -> np.ndarray:
    return u @ SLOPES


def saltelli(function, d: int, count: int, seed: int) -> np.ndarray:
    """Return first-order indices by the formula of Saltelli et al. 2010, table 2 (b)."""
    u = qmc.Sobol(2 * d, rng=np.random.default_rng(seed)).random(count)
    rows = np.minimum((u * LEVELS).astype(int), LEVELS - 1)
    a, b = rows[:, :d], rows[:, d:]
    of_a, of_b = function(points(a, LEVELS)), function(points(b, LEVELS))
    middle = of_a.mean()
    variance = np.var(np.concatenate([of_a, of_b]))
    mixed = [np.where(np.arange(d) == i, b, a) for i in range(d)]
    moved = np.array([function(points(rows, LEVELS)) for rows in mixed])
    return np.mean((of_b - middle) * (moved - of_a), axis=1) / variance


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=40)
    seeds = range(parser.parse_args().seeds)
    named = {"Ishigami": PUBLISHED[0], "g-function": PUBLISHED[1]}
    named["linear"] = (linear, SHARES, SHARES)
    print("largest root mean square error of any variable's index")
    for name, (function, first, total) in named.items():
        d = len(first)
        for count in (128, 256, 1024, 4096):
            errors, held, theirs = [], [], []
            for seed in seeds:
                drawn = sequence_design(grid(d, LEVELS), singles(d), count, seed)
                values = function(points(drawn.rows, LEVELS))
                found = computed_indices(drawn, values, np.full(d, LEVELS), seed)
                told = [[i.value for i in found.first], [i.value for i in found.total]]
                errors.append(np.array(told) - [first, total])
                held.append(np.mean(inside(found, first, total)))
                theirs.append(saltelli(function, d, count, seed) - first)
            ours = np.sqrt(np.mean(np.square(errors), axis=0)).max(axis=1)
            other = np.sqrt(np.mean(np.square(theirs), axis=0)).max()
            print(
                f"{name:10s} {count:5d}  first {ours[0]:.4f}  Saltelli 2010 {other:.4f}  "
                f"total {ours[1]:.4f}  inside 95 %: {100.0 * np.mean(held):.0f} %"
            )


if __name__ == "__main__":
    main()
