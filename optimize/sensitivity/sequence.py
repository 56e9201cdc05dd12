"""Sobol indices from builds that are all computed: design by a Sobol sequence, estimators.

The design is Saltelli's (Saltelli et al. 2010, Comput. Phys. Commun. 181, 259) without its second
matrix: n builds, and for each part of the variables the same with that part taken from another n,
all points of one scrambled Sobol sequence. Where a redrawn build cannot be made, the part is drawn
again given the others, as in `optimize.sensitivity.sobol.design`.

Totals are Jansen's. First-order indices are correlation ratios over all builds: the formula of
Saltelli et al. 2010 takes n more builds and holds for independent variables alone. Root mean
square errors of both are in docs/sensitivity.md.
"""

from collections.abc import Sequence

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray, IntArray
from optimize.sensitivity.sobol import Design, Grid, Index, Indices, redraw, refuse_if_empty

# Samples of a bootstrap, and the half width of a normal 95 % interval in standard errors.
_RESAMPLED, _WIDE = 200, 1.96
# Values of a variable are joined with their neighbours to at most so many groups, of at least so
# many builds: means of smaller groups hang together by the sequence, and the indices are off.
_GROUPS, _IN_A_GROUP = 47, 12


def sequence_design(grid: Grid, parts: Sequence[tuple[int, ...]], count: int, seed: int) -> Design:
    """Spread the builds that indices are estimated from evenly over a space.

    Parameters
    ----------
    grid : Grid
        The space.
    parts : sequence of tuple of int
        Sets of variables to redraw.
    count : int
        Builds before any part is redrawn; powers of two are spread most evenly.
    seed : int
        Seed of the random numbers.

    Raises
    ------
    InputError
        If hardly any combination is allowed.
    """
    rng = np.random.default_rng(seed)
    d = len(grid.sizes)
    sequence = qmc.Sobol(2 * d, rng=rng)
    block = 2 ** (count - 1).bit_length()
    kept: list[IntArray] = []
    found = tried = 0
    while found < count:
        refuse_if_empty(found, tried, count)
        sizes = np.tile(grid.sizes, 2)
        drawn = np.minimum((sequence.random(block) * sizes).astype(np.int64), sizes - 1)
        kept.append(drawn[grid.allowed(drawn[:, :d])])
        found, tried = found + len(kept[-1]), tried + block
    pairs = np.concatenate(kept)[:count]
    base, other = pairs[:, :d], pairs[:, d:]
    rows = [base]
    for part in parts:
        fresh = base.copy()
        fresh[:, part] = other[:, part]
        void = ~grid.allowed(fresh)
        fresh[void] = redraw(grid, base[void], part, rng)
        rows.append(fresh)
    return Design(np.array(rows), tuple(parts), found / tried)


def computed_indices(sample: Design, values: FloatArray, sizes: IntArray, seed: int) -> Indices:
    """Estimate the indices of one figure that is computed at every build.

    Intervals are a bootstrap's standard errors (builds and what was redrawn of them together), as
    of random builds: for those of a sequence they are too wide rather than too narrow.

    Parameters
    ----------
    sample : Design
        The builds.
    values : (1 + parts, n) array
        The figure at these builds.
    sizes : (d,) array of int
        Number of values of each variable.
    seed : int
        Seed of the bootstrap.
    """
    y = values - values.mean()
    n = y.shape[1]
    again = np.random.default_rng(seed).multinomial(n, np.full(n, 1.0 / n), size=_RESAMPLED)
    weights = np.vstack([np.ones(n), again])
    many = float(y.size)
    square = weights @ np.sum(y**2, axis=0)
    around = square - (weights @ np.sum(y, axis=0)) ** 2 / many
    variance = around / (many - 1.0)
    first = [
        1.0 - _within(weights, *_grouped(sample.rows[:, :, i], int(size)), y, square) / variance
        for i, size in enumerate(sizes)
    ]
    apart = (y[0] - y[1:]) ** 2 / 2.0
    total = [weights @ one / n / variance for one in apart]
    return Indices(tuple(map(_index, first)), tuple(map(_index, total)))


def _grouped(steps: IntArray, size: int) -> tuple[IntArray, int]:
    """Join neighbouring values where they are too many, (parts, n); and how many are left."""
    most = min(size, _GROUPS, max(2, steps.shape[1] // _IN_A_GROUP))
    return steps * most // size, most


def _within(
    weights: FloatArray, steps: IntArray, size: int, y: FloatArray, square: FloatArray
) -> FloatArray:
    """Return the variance within groups of equal steps, corrected for bias, of each weighting."""
    n = y.shape[1]
    flat = (np.arange(n) * size + steps).ravel()
    counts = np.bincount(flat, minlength=n * size).reshape(n, size)
    sums = np.bincount(flat, y.ravel(), minlength=n * size).reshape(n, size)
    members = weights @ counts
    between = np.sum((weights @ sums) ** 2 / np.maximum(members, 1.0), axis=1)
    groups = np.count_nonzero(members, axis=1)
    return np.asarray((square - between) / (y.size - groups))


def _index(estimates: FloatArray) -> Index:
    value, wide = estimates[0], _WIDE * estimates[1:].std()
    value, low, high = np.clip([value, value - wide, value + wide], 0.0, 1.0)
    return Index(float(value), float(low), float(high))
