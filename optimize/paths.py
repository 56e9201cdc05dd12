"""Whole functions drawn from what a Gaussian process believes, and what it says of builds left out.

A standard deviation at each build says nothing of a mean or a variance over many builds: their
errors hang together. Functions drawn from the process carry that.
"""

from collections.abc import Iterator

import numpy as np
from scipy.linalg import cho_solve
from scipy.spatial.distance import cdist
from sklearn.gaussian_process import GaussianProcessRegressor

from layers.ball import FloatArray

# Waves that a draw of the prior is made of: 512 keep the spread of draws within a tenth of the
# process's own standard deviation.
_WAVES = 512
_BLOCK = 4096


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
        Fitted; its kernel is size * RBF + white, as in `optimize.emulator`.
    x : (m, d) array
        Where.
    count : int
        How many deviations.
    rng : numpy.random.Generator
        What to draw with.

    Returns
    -------
    mean : (m,) array
    deviations : (count, m) array
        What stands in the square brackets; as likely with either sign.
    """
    smooth, white = model.kernel_.k1, model.kernel_.k2
    size, lengths = smooth.k1.constant_value, smooth.k2.length_scale
    known = np.asarray(model.X_train_)
    waves = rng.standard_normal((known.shape[1], _WAVES)) / np.reshape(lengths, (-1, 1))
    phases = rng.uniform(0.0, 2.0 * np.pi, _WAVES)
    weights = rng.standard_normal((_WAVES, count)) * np.sqrt(2.0 * size / _WAVES)
    noise = rng.standard_normal((len(known), count)) * np.sqrt(white.noise_level)
    drawn = np.cos(known @ waves + phases) @ weights + noise
    # One product with the kernel gives the mean, in the first column, and what is known of g.
    solved = cho_solve((model.L_, True), drawn)
    columns = np.column_stack([np.reshape(model.alpha_, (-1, 1)), -solved])
    mean, deviations = np.empty(len(x)), np.empty((count, len(x)))
    for block in _blocks(len(x)):
        kernel = size * np.exp(-0.5 * cdist(x[block] / lengths, known / lengths, "sqeuclidean"))
        both = kernel @ columns
        mean[block] = both[:, 0]
        deviations[:, block] = (np.cos(x[block] @ waves + phases) @ weights + both[:, 1:]).T
    return mean, deviations


def _blocks(count: int) -> Iterator[slice]:
    return (slice(start, start + _BLOCK) for start in range(0, count, _BLOCK))


def left_out(model: GaussianProcessRegressor) -> FloatArray:
    """Return what the process says of each build when fitted without it, (n,).

    y_i - [C^-1 y]_i / [C^-1]_ii (Rasmussen and Williams 2006, eq. 5.12); the sizes in C are kept.
    """
    inverse = cho_solve((model.L_, True), np.eye(len(model.L_)))
    data = np.asarray(model.y_train_).ravel()
    return np.asarray(data - np.asarray(model.alpha_).ravel() / np.diag(inverse))
