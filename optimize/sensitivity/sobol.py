"""Sobol indices of figures over a space of discrete design variables.

For a variable x_i and a figure y of random builds, with ~i all other variables (Sobol 1993,
Math. Model. Comput. Exp. 1, 407; Homma and Saltelli 1996, Reliab. Eng. Syst. Saf. 52, 1):

    first-order  S_i = Var E[y | x_i] / Var y    share that goes, on average, when x_i is fixed
    total        T_i = E Var[y | x_~i] / Var y   share that remains when all others are fixed

Builds are uniform over the allowed rows. Where all rows are allowed, variables are independent: the
S_i sum to 1 at most, and T_i >= S_i. Where not, they are dependent; both definitions hold
(Kucherenko, Tarantola and Annoni 2012, Comput. Phys. Commun. 183, 937), but the sums need not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from layers.arrays import BoolArray, FloatArray, IntArray
from layers.errors import InputError

# Rows drawn for each one wanted before a space counts as empty.
_TRIES = 10_000

# Points at which the normal distribution of a sampling error enters an interval.
_QUANTILES = ndtri((np.arange(200) + 0.5) / 200)


@dataclass(frozen=True)
class Grid:
    """All combinations of values, and which of them are allowed.

    Attributes
    ----------
    sizes : (d,) array of int
        Number of values of each variable.
    allowed : callable
        Returns which of (n, d) rows are builds, (n,).
    """

    sizes: IntArray
    allowed: Callable[[IntArray], BoolArray]


@dataclass(frozen=True)
class Design:
    """Builds at which figures are evaluated.

    Attributes
    ----------
    rows : (1 + parts, n, d) array of int
        n random builds; then, for each part of the variables, the same with that part redrawn,
        given all others.
    parts : tuple of tuple of int
        Sets of variables.
    share : float
        Share of all combinations that is allowed.
    """

    rows: IntArray
    parts: tuple[tuple[int, ...], ...]
    share: float


@dataclass(frozen=True)
class Index:
    """An index and the ends of its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Indices:
    """Indices of one figure: `first` of every variable, `total` of every part of the design."""

    first: tuple[Index, ...]
    total: tuple[Index, ...]


def design(grid: Grid, parts: Sequence[tuple[int, ...]], count: int, seed: int) -> Design:
    """Draw the builds that indices are estimated from.

    Parameters
    ----------
    grid : Grid
        The space.
    parts : sequence of tuple of int
        Sets of variables to redraw.
    count : int
        Random builds.
    seed : int
        Seed of the random numbers.

    Raises
    ------
    InputError
        If hardly any combination is allowed.
    """
    rng = np.random.default_rng(seed)
    base, share = _draw(grid, count, rng)
    redrawn = [redraw(grid, base, part, rng) for part in parts]
    return Design(np.array([base, *redrawn]), tuple(parts), share)


def _draw(grid: Grid, count: int, rng: np.random.Generator) -> tuple[IntArray, float]:
    kept: list[IntArray] = []
    found = tried = 0
    while found < count:
        refuse_if_empty(found, tried, count)
        rows = rng.integers(grid.sizes, size=(count, len(grid.sizes)))
        kept.append(rows[grid.allowed(rows)])
        found, tried = found + len(kept[-1]), tried + count
    return np.concatenate(kept)[:count], found / tried


def refuse_if_empty(found: int, tried: int, count: int) -> None:
    """Refuse a space of which hardly any combination is allowed.

    Parameters
    ----------
    found, tried : int
        Allowed rows among those that were drawn.
    count : int
        Rows wanted.

    Raises
    ------
    InputError
        If thousands were drawn for each one wanted.
    """
    if tried >= _TRIES * count:
        raise InputError(f"hardly any build can be made: {found} of {tried} that were drawn.")


def redraw(
    grid: Grid, rows: IntArray, variables: Sequence[int], rng: np.random.Generator
) -> IntArray:
    """Redraw some variables of every row, uniform over what is allowed with the others.

    Parameters
    ----------
    grid : Grid
        The space.
    rows : (n, d) array of int
        Allowed rows.
    variables : sequence of int
        Those to redraw.
    rng : numpy.random.Generator
    """
    fresh, part = rows.copy(), np.array(variables)
    left = np.arange(len(rows))
    for _ in range(_TRIES):  # a row's own values are allowed, so hardly any is left at the end
        fresh[np.ix_(left, part)] = rng.integers(grid.sizes[part], size=(len(left), len(part)))
        left = left[~grid.allowed(fresh[left])]
        if not len(left):
            break
    fresh[left] = rows[left]
    return fresh


def indices(sample: Design, values: FloatArray, sizes: IntArray, error: float = 0.0) -> Indices:
    """Estimate the indices of one figure from functions drawn from its emulator.

    Intervals cover the emulator, since every function drawn gives its own indices, and the sample
    of builds, by the delta method for each function. This is the procedure of Le Gratiet, Cannamela
    and Iooss 2014 (SIAM/ASA J. Uncertain. Quantif. 2, 336), with the delta method in place of a
    bootstrap.

    The emulator's error looks like interactions: it lowers the first-order indices and raises the
    totals, by at most its share of the variance. The intervals are extended by that share.

    Parameters
    ----------
    sample : Design
        The builds.
    values : (draws, 1 + parts, n) array
        The figure at these builds, for each function drawn.
    sizes : (d,) array of int
        Number of values of each variable.
    error : float
        Mean square error of the emulator, as a share of the variance.
    """
    base = values[:, 0]
    first = [_first(base, sample.rows[0, :, i], int(size)) for i, size in enumerate(sizes)]
    total = [_total(base, values[:, 1 + j]) for j in range(len(sample.parts))]
    return Indices(
        tuple(_index(*f, above=error) for f in first),
        tuple(_index(*t, below=error) for t in total),
    )


def _first(y: FloatArray, steps: IntArray, size: int) -> tuple[FloatArray, FloatArray]:
    """Return the first index, 1 - E Var[y | x] / Var y, and its standard error; for each draw.

    Builds are grouped by the value of the variable, and the variance within groups is corrected for
    bias: the adjusted correlation ratio of an analysis of variance (Kelley 1935, Proc. Natl. Acad.
    Sci. 21, 554), which takes no builds of its own and scatters less than pick-and-freeze.
    """
    n = y.shape[1]
    held = np.eye(size)[steps]
    counts = held.sum(axis=0)
    means = (y @ held) / np.maximum(counts, 1.0)
    inside = (y - means[:, steps]) ** 2 * n / max(1, n - np.count_nonzero(counts))
    around = (y - y.mean(axis=1, keepdims=True)) ** 2 * n / (n - 1)
    variance = around.mean(axis=1, keepdims=True)
    rest = inside.mean(axis=1, keepdims=True) / variance
    influence = (inside - rest * around) / variance
    # The second term counts where the first vanishes: chance differences between group means.
    error = influence.var(axis=1) / n + 2.0 * (size - 1) * rest[:, 0] ** 2 / n**2
    return 1.0 - rest[:, 0], np.sqrt(error)


def _total(y: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the total index, E (y - y')^2 / (2 Var y), and its standard error; for each draw.

    y' has the variables redrawn (Jansen 1999, Comput. Phys. Commun. 117, 35). The variance is
    that of both samples (Janon et al. 2014, ESAIM Probab. Stat. 18, 342).
    """
    n = y.shape[1]
    middle = (y.mean(axis=1, keepdims=True) + other.mean(axis=1, keepdims=True)) / 2.0
    around = ((y - middle) ** 2 + (other - middle) ** 2) / 2.0
    variance = around.mean(axis=1, keepdims=True)
    apart = (y - other) ** 2 / 2.0
    total = apart.mean(axis=1, keepdims=True) / variance
    influence = (apart - total * around) / variance
    return total[:, 0], np.sqrt(influence.var(axis=1) / n)


def _index(
    estimates: FloatArray, errors: FloatArray, below: float = 0.0, above: float = 0.0
) -> Index:
    """Join draws and sampling errors; both indices lie from 0 to 1 by definition."""
    spread = estimates[:, None] + errors[:, None] * _QUANTILES
    low, high = np.quantile(spread, (0.025, 0.975)) + np.array([-below, above])
    value, low, high = np.clip([np.mean(estimates), low, high], 0.0, 1.0)
    return Index(float(value), float(low), float(high))
