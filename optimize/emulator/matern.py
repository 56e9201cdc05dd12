"""The likeliest Matern 5/2 covariance of a figure that may have kinks.

scikit-learn finds the same maximum: its gradient, for any kernel, takes some thirty times as long.
"""

from typing import Any

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from layers.arrays import FloatArray

_SIZE, _LENGTH, _NOISE = (1e-2, 1e4), (0.1, 100.0), (1e-8, 1e-1)
_FIRST = (10.0, 2.0, 1e-3)  # size, length scales and noise that a fit starts from
_STEPS = 100
_JITTER = 1e-10


def likeliest_matern(x: FloatArray, z: FloatArray, earlier: Any = None) -> Any:
    """Return the kernel size * Matern 5/2 + noise of largest likelihood.

    Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, eq. 4.17 (covariance), 5.8
    and 5.9 (likelihood and its gradient).

    Parameters
    ----------
    x : (n, d) array
        Coordinates.
    z : (n,) array
        Standardised values.
    earlier : kernel, optional
        Of an earlier fit, to start from too.
    """
    d = x.shape[1]
    squares = (x[:, None, :] - x[None, :, :]) ** 2
    bounds = np.log([_SIZE, *[_LENGTH] * d, _NOISE])
    ends = [(float(low), float(high)) for low, high in bounds]
    starts = [np.log([_FIRST[0], *[_FIRST[1]] * d, _FIRST[2]])]
    if earlier is not None:
        starts.append(np.clip(earlier.theta, bounds[:, 0], bounds[:, 1]))
    fits = [
        minimize(
            minus_log_likelihood,
            start,
            args=(squares, z),
            jac=True,
            bounds=ends,
            method="L-BFGS-B",
            options={"maxiter": _STEPS},
        )
        for start in starts
    ]
    best = min(fits, key=lambda found: float(found.fun))
    size, *lengths, noise = np.exp(best.x)
    shape = Matern(np.array(lengths), _LENGTH, nu=2.5)
    return ConstantKernel(size, _SIZE) * shape + WhiteKernel(noise, _NOISE)


def minus_log_likelihood(
    theta: FloatArray, squares: FloatArray, z: FloatArray
) -> tuple[float, FloatArray]:
    """Return minus the log likelihood, but for a constant, and its gradient.

    Parameters
    ----------
    theta : (d + 2,) array
        Logarithms of size, length scales and noise.
    squares : (n, n, d) array
        Squared differences of the coordinates.
    z : (n,) array
        Standardised values.
    """
    size, noise, weights = np.exp(theta[0]), np.exp(theta[-1]), np.exp(-2.0 * theta[1:-1])
    r = np.sqrt(5.0 * (squares @ weights))
    decay = np.exp(-r)
    covariance = size * (1.0 + r + r * r / 3.0) * decay
    try:
        root = np.linalg.cholesky(covariance + (noise + _JITTER) * np.eye(len(z)))
    except np.linalg.LinAlgError:
        return 1e10, np.zeros_like(theta)
    inverse_root = solve_triangular(root, np.eye(len(z)), lower=True)
    inverse = inverse_root.T @ inverse_root
    alpha = inverse @ z
    value = 0.5 * z @ alpha + np.sum(np.log(np.diag(root)))
    by_covariance = 0.5 * (inverse - np.outer(alpha, alpha))
    by_square = by_covariance * (-size * 5.0 / 6.0 * (1.0 + r) * decay)
    gradient = np.empty_like(theta)
    gradient[0] = np.sum(by_covariance * covariance)
    gradient[1:-1] = -2.0 * weights * np.einsum("ij,ijk->k", by_square, squares)
    gradient[-1] = noise * np.trace(by_covariance)
    return float(value), gradient
