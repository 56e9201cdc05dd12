"""Gaussian processes told what is about to be computed, before it is."""

import copy

import numpy as np
from scipy.linalg import solve_triangular
from sklearn.gaussian_process import GaussianProcessRegressor

from layers.arrays import FloatArray


def believing(model: GaussianProcessRegressor, x: FloatArray) -> GaussianProcessRegressor:
    """Condition a process on its own prediction of one more build.

    The mean stays as it is, and so do the weights of the known builds; the new one's weight is
    zero. The variance falls as if the build were computed (kriging believer: Ginsbourger, Le Riche
    and Carraro 2010, Computational Intelligence in Expensive Optimization Problems, ch. 6).

    Parameters
    ----------
    model : GaussianProcessRegressor
        Its kernel is kept.
    x : (d,) array
        Coordinates of the build.
    """
    row = solve_triangular(model.L_, model.kernel_(model.X_train_, x[None]), lower=True)[:, 0]
    own = float(model.kernel_(x[None])[0, 0]) + float(model.alpha)
    n = len(row)
    root = np.zeros((n + 1, n + 1))
    root[:n, :n], root[n, :n] = model.L_, row
    root[n, n] = np.sqrt(max(own - float(row @ row), float(model.alpha)))
    told = copy.copy(model)
    told.X_train_ = np.vstack([model.X_train_, x])
    told.L_, told.alpha_ = root, np.append(model.alpha_, 0.0)
    return told
