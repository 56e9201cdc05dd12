"""The factor by which an emulator's intervals must grow to cover its errors."""

import numpy as np
from scipy.linalg import solve_triangular
from sklearn.gaussian_process import GaussianProcessRegressor

from layers.arrays import FloatArray
from optimize.emulator.intervals import SIGMAS_95

# The share of the builds that counts as isolated.
_ISOLATED = 0.3


def leave_one_out_inflation(model: GaussianProcessRegressor) -> float:
    """Return the inflation of the standard deviations that the leave-one-out residuals need.

    With C the covariance of the data y, the residual of build i is [C^-1 y]_i / [C^-1]_ii, with
    variance 1 / [C^-1]_ii. Isolated builds, of the largest variances, are also judged alone: a
    search clusters, and the many residuals in clusters would hide theirs. The kernel was fitted to
    the same builds, hence the correction for its degrees of freedom.
    """
    inverse_root = solve_triangular(model.L_, np.eye(len(model.L_)), lower=True)
    precision = np.sum(inverse_root**2, axis=0)
    residuals = np.asarray(model.alpha_).ravel() / np.sqrt(precision)
    isolated = residuals[precision <= np.quantile(precision, _ISOLATED)]
    n, fitted = len(residuals), len(model.kernel_.theta)
    correction = np.sqrt(n / max(1, n - fitted))
    return float(correction * max(inflation_of(residuals), inflation_of(isolated)))


def inflation_of(errors: FloatArray) -> float:
    """Return the factor by which standard deviations must grow for these errors to be normal.

    Parameters
    ----------
    errors : (n,) array
        In standard deviations.
    """
    if not len(errors):
        return 0.0
    mean_square = np.sqrt(np.mean(errors**2))
    return float(max(mean_square, np.quantile(np.abs(errors), 0.95) / SIGMAS_95))
