"""Kernels of Gaussian processes, fitted to computed builds by maximum likelihood."""

import warnings
from typing import Any

import numpy as np
from scipy.optimize import minimize
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from layers.arrays import FloatArray

# Length scales are fitted to at most so many builds, since each step costs their cube; the
# prediction uses all.
_MOST_TO_FIT = 300

# Optimiser steps of a new start, and of an earlier fit continued.
_STEPS_COLD, _STEPS_WARM = 60, 12

# Added to the covariance's diagonal, of a variance of 1, until it can be factored.
_ADDED = (1e-10, 1e-8, 1e-6, 1e-4, 1e-2)

# Length scales that a fit starts from, and the growth of the builds after which it restarts.
_FIRST_SCALES = (1.0, 0.2)
RESTART_GROWTH = 1.4


def conditioned(kernel: Any, x: FloatArray, z: FloatArray) -> GaussianProcessRegressor:
    """Condition on the data with this kernel.

    The covariance of many builds of a very smooth figure is singular but for rounding; it then
    needs a little more on the diagonal.

    Parameters
    ----------
    kernel : kernel
        Its sizes are kept.
    x : (n, d) array
        Coordinates.
    z : (n,) array
        Standardised values.
    """
    for added in _ADDED[:-1]:
        try:
            return GaussianProcessRegressor(kernel, alpha=added, optimizer=None).fit(x, z)
        except np.linalg.LinAlgError:
            continue
    return GaussianProcessRegressor(kernel, alpha=_ADDED[-1], optimizer=None).fit(x, z)


def likeliest(x: FloatArray, z: FloatArray, earlier: Any, restarted_at: int) -> tuple[Any, int]:
    """Return the kernel of largest likelihood, and the number of builds at the last restart.

    The likelihood has several maxima: smooth with much noise, or winding with none. Several starts
    are tried whenever the builds have grown enough; in between, the last fit is continued.

    Parameters
    ----------
    x : (n, d) array
        Coordinates.
    z : (n,) array
        Standardised values.
    earlier : kernel or None
        Of an earlier fit to fewer of the same builds.
    restarted_at : int
        Number of builds when several starts were last tried.
    """
    part = np.unique(np.linspace(0, len(x) - 1, _MOST_TO_FIT).round().astype(int))
    starts = [(_kernel(x.shape[1], scale), _STEPS_COLD) for scale in _FIRST_SCALES]
    if earlier is not None and len(x) < RESTART_GROWTH * restarted_at:
        starts = [(earlier, _STEPS_WARM)]
    else:
        restarted_at = len(x)
        starts = [*([(earlier, _STEPS_WARM)] if earlier is not None else []), *starts]
    fits = []
    for kernel, steps in starts:
        with warnings.catch_warnings():
            # A coordinate that a figure does not depend on has the longest scale: expected.
            warnings.simplefilter("ignore", ConvergenceWarning)
            regressor = GaussianProcessRegressor(kernel, optimizer=_ascend(steps))
            fits.append(regressor.fit(x[part], z[part]))
    best = max(fits, key=lambda m: m.log_marginal_likelihood_value_)
    return best.kernel_, restarted_at


def _kernel(d: int, scale: float) -> Any:
    # Without the local part ripples count as noise, and one spot is computed again and again.
    smooth = ConstantKernel(10.0, (1e-2, 1e5)) * RBF(np.full(d, scale), (0.05, 100.0))
    local = ConstantKernel(1e-3, (1e-8, 1.0)) * RBF(0.1, (0.03, 0.5))
    return smooth + local + WhiteKernel(1e-5, (1e-8, 1e-2))


def _ascend(steps: int) -> Any:
    def optimizer(objective: Any, theta: FloatArray, bounds: Any) -> tuple[FloatArray, float]:
        found = minimize(
            objective, theta, jac=True, bounds=bounds, method="L-BFGS-B", options={"maxiter": steps}
        )
        return found.x, float(found.fun)

    return optimizer
