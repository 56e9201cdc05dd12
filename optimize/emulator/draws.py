"""Functions drawn from the posterior of a Gaussian process, and leave-one-out predictions.

Standard deviations at single builds do not give the error of a mean or a variance over many: their
errors are correlated. Functions drawn from the posterior carry the correlation.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve
from scipy.special import ndtri
from scipy.stats import qmc
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import Sum, WhiteKernel

from layers.arrays import FloatArray

# Number of cosines in a draw of each part of the prior: 512 keep the standard deviation of draws
# within a tenth of the process's own.
_WAVES = 512
_BLOCK = 4096


@dataclass(frozen=True)
class _Waves:
    """Functions from a prior of kernel size * RBF: sums of cosines, a column of weights each."""

    numbers: FloatArray
    phases: FloatArray
    weights: FloatArray

    def __call__(self, x: FloatArray) -> FloatArray:
        return np.asarray(np.cos(x @ self.numbers + self.phases) @ self.weights)

    def in_short(self, x: FloatArray) -> npt.NDArray[np.float32]:
        """Return the same to about 1e-5 of the figure's spread, five times faster."""
        short = np.float32
        angles = x.astype(short) @ self.numbers.astype(short) + self.phases.astype(short)
        return np.asarray(np.cos(angles, out=angles) @ self.weights.astype(short))


def mean_and_deviations(
    model: GaussianProcessRegressor, x: FloatArray, count: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draw functions from the posterior, by Matheron's rule.

    f(x) = m(x) +- [g(x) - k(x, X) C^-1 (g(X) + e)], where m is the posterior mean, g a draw from
    the prior, e one of the noise, and C the covariance of the data at X (Wilson et al. 2020, ICML,
    'Efficiently sampling functions from Gaussian process posteriors', eq. 12). The prior is drawn
    as a sum of cosines whose wave numbers have the kernel's spectral density (Rahimi and Recht
    2007, NIPS, 'Random features for large-scale kernel machines').

    Parameters
    ----------
    model : GaussianProcessRegressor
        Fitted; its kernel is a sum of size * RBF terms and a white one.
    x : (m, d) array
        Where.
    count : int
        Number of deviations.
    rng : numpy.random.Generator
        Source of the random numbers.

    Returns
    -------
    mean : (m,) array
    deviations : (count, m) array
        The square brackets; either sign is equally likely.
    """
    known = np.asarray(model.X_train_)
    terms = list(_terms(model.kernel_))
    prior = [_waves(term, known.shape[1], count, rng) for term in terms if not _is_white(term)]
    level = sum(term.noise_level for term in terms if _is_white(term))
    noise = rng.standard_normal((len(known), count)) * np.sqrt(level)
    drawn = sum((waves(known) for waves in prior), noise)
    # One product with the kernel gives the mean, in the first column, and the correction of g.
    solved = cho_solve((model.L_, True), drawn)
    columns = np.column_stack([model.alpha_, -solved])
    mean, deviations = np.empty(len(x)), np.empty((count, len(x)))
    for block in _blocks(len(x)):
        both = model.kernel_(x[block], known) @ columns
        mean[block] = both[:, 0]
        # Single precision is enough here; not at the data, where C^-1 amplifies rounding errors.
        deviations[:, block] = sum((waves.in_short(x[block]) for waves in prior), both[:, 1:]).T
    return mean, deviations


def _terms(kernel: Any) -> Iterator[Any]:
    if isinstance(kernel, Sum):
        yield from _terms(kernel.k1)
        yield from _terms(kernel.k2)
    else:
        yield kernel


def _is_white(term: Any) -> bool:
    return isinstance(term, WhiteKernel)


def _waves(term: Any, d: int, count: int, rng: np.random.Generator) -> _Waves:
    lengths = np.broadcast_to(term.k2.length_scale, d)
    weights = rng.standard_normal((_WAVES, count)) * np.sqrt(2.0 * term.k1.constant_value / _WAVES)
    # Evenly drawn wave numbers scatter less (Avron et al. 2016, J. Mach. Learn. Res. 17, 1).
    normal = ndtri(qmc.Sobol(d, rng=rng).random(_WAVES)).T
    numbers = normal / lengths[:, None]
    return _Waves(numbers, rng.uniform(0.0, 2.0 * np.pi, _WAVES), weights)


def _blocks(count: int) -> Iterator[slice]:
    return (slice(start, start + _BLOCK) for start in range(0, count, _BLOCK))


def left_out(model: GaussianProcessRegressor) -> FloatArray:
    """Return the prediction of each build from the others, (n,).

    y_i - [C^-1 y]_i / [C^-1]_ii (Rasmussen and Williams 2006, eq. 5.12); the kernel is kept.
    """
    inverse = cho_solve((model.L_, True), np.eye(len(model.L_)))
    data = np.asarray(model.y_train_).ravel()
    return np.asarray(data - np.asarray(model.alpha_).ravel() / np.diag(inverse))
