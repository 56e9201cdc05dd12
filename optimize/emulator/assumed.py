"""Gaussian processes that take an answer as given before it is computed."""

import copy

import numpy as np
from scipy.linalg import solve_triangular
from sklearn.gaussian_process import GaussianProcessRegressor

from layers.arrays import FloatArray


def assuming(model: GaussianProcessRegressor, x: FloatArray, z: float) -> GaussianProcessRegressor:
    """Condition a process on one more value, its kernel kept: one more row of the Cholesky factor.

    Parameters
    ----------
    model : GaussianProcessRegressor
        Fitted.
    x : (d,) array
        Coordinates of the build.
    z : float
        Its value.
    """
    column = model.kernel_(model.X_train_, x[None])[:, 0]
    row = solve_triangular(model.L_, column, lower=True)
    weights = solve_triangular(model.L_, row, lower=True, trans="T")
    own = float(model.kernel_(x[None])[0, 0]) + float(model.alpha)
    left = max(own - float(row @ row), float(model.alpha))  # rounding may leave less
    n = len(row)
    root = np.zeros((n + 1, n + 1))
    root[:n, :n], root[n, :n], root[n, n] = model.L_, row, np.sqrt(left)
    surprise = (z - float(column @ model.alpha_)) / left
    told = copy.copy(model)
    told.X_train_ = np.vstack([model.X_train_, x])
    told.L_, told.alpha_ = root, np.append(model.alpha_ - surprise * weights, surprise)
    return told
