"""Bayesian update of a nearly linear model: Gaussian in its parameters, biases and scatter.

Observations y (logarithms of group means) are taken as

    y_i = f_i(theta) + b_k(i) + r_i + e_i

with parameters theta ~ N(0, prior), one bias b_k for each key (the model's error in a figure common
to all builds), scatter r_i ~ N(0, s_k^2) from build to build, and noise e_i of the mean of
replicates. Gauss-Newton steps find the posterior's mode in theta and b; the posterior is taken as
the Gaussian of the curvature there (Laplace). log s_k is at the mode of its normal prior times the
marginal likelihood of the linearised model, and s_k^2 is its mean over the curvature there: with
few builds the mode alone would make intervals too narrow.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from layers.arrays import FloatArray

# Prior standard deviation of the logarithm of a scatter.
_SCATTER_PRIOR = 0.7

# Steps end when no parameter moves by more than this many posterior standard deviations.
_STILL = 0.02
_MOST_STEPS, _MOST_ROUNDS = 8, 3
# No step is longer than this many prior standard deviations: the model is linear only so far.
_LONGEST = 1.5

Predict = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class Problem:
    """Observations and priors; m observations, p parameters, k keys.

    Attributes
    ----------
    observed, noise_variance : (m,) array
        Logarithms of group means, and the variance of their noise.
    key : (m,) int array
        Index of each observation's bias and scatter.
    parameter_sd : (p,) array
        Prior standard deviations, about 0.
    bias_sd, scatter_sd : (k,) array
        Prior standard deviation of each bias; prior median of each scatter.
    """

    observed: FloatArray
    noise_variance: FloatArray
    key: np.typing.NDArray[np.intp]
    parameter_sd: FloatArray
    bias_sd: FloatArray
    scatter_sd: FloatArray

    def of(self, rows: np.typing.NDArray[np.bool_]) -> "Problem":
        """Return the problem with some of the observations."""
        return Problem(
            self.observed[rows],
            self.noise_variance[rows],
            self.key[rows],
            self.parameter_sd,
            self.bias_sd,
            self.scatter_sd,
        )

    @property
    def prior_sd(self) -> FloatArray:
        """Prior standard deviations of parameters and biases, (p + k,)."""
        return np.concatenate([self.parameter_sd, self.bias_sd])


@dataclass(frozen=True)
class Posterior:
    """The posterior.

    Attributes
    ----------
    theta : (p,) array
        Parameters at the mode.
    bias, scatter : (k,) array
        Biases at the mode; scatter.
    covariance : (p + k, p + k) array
        Of parameters and biases together.
    predicted : (m,) array
        f(theta), without biases.
    jacobian : (m, p) array
        Of f near the mode.
    """

    theta: FloatArray
    bias: FloatArray
    scatter: FloatArray
    covariance: FloatArray
    predicted: FloatArray
    jacobian: FloatArray


def design(jacobian: FloatArray, key: np.typing.NDArray[np.intp], keys: int) -> FloatArray:
    """Join the Jacobian and the indicators of each observation's bias, (m, p + k).

    Parameters
    ----------
    jacobian : (m, p) array
        Of the figures over the parameters.
    key : (m,) int array
        Index of each observation's bias.
    keys : int
        Number of biases, k.
    """
    return np.hstack([jacobian, np.eye(keys)[key]])


def update(
    prior_sd: FloatArray, rows: FloatArray, data: FloatArray, variance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Update a Gaussian prior about 0 by data = rows @ x + noise.

    Parameters
    ----------
    prior_sd : (n,) array
        Of independent components of x.
    rows : (m, n) array
        The linear model.
    data, variance : (m,) array
        Observations and the variances of their independent noise.

    Returns
    -------
    mean : (n,) array
        Of x afterwards.
    covariance : (n, n) array
        Of x afterwards: (prior^-1 + rows^T diag(variance)^-1 rows)^-1.
    """
    scaled = rows * prior_sd / np.sqrt(variance)[:, None]
    factor = cho_factor(np.eye(len(prior_sd)) + scaled.T @ scaled)
    mean = prior_sd * cho_solve(factor, scaled.T @ (data / np.sqrt(variance)))
    covariance = prior_sd[:, None] * cho_solve(factor, np.eye(len(prior_sd))) * prior_sd
    return mean, (covariance + covariance.T) / 2.0


def scatter_of(problem: Problem, rows: FloatArray, data: FloatArray) -> FloatArray:
    """Estimate each key's scatter, (k,): root of its mean square, by Laplace in its logarithm.

    With K the covariance of the data and D_k = s_k^2 on the diagonal entries of key k, the expected
    curvature of the marginal likelihood is 2 tr(K^-1 D_k K^-1 D_l); v_k, the diagonal of the
    inverse of it and the prior's, gives the mean square s_k^2 exp(2 v_k).

    Parameters
    ----------
    problem : Problem
        Its `noise_variance`, `key` and priors are used.
    rows : (m, p + k) array
        The linear model, see `design`.
    data : (m,) array
        Observations less the model's constant.
    """
    if not len(data):
        return problem.scatter_sd
    count = len(problem.scatter_sd)
    fixed = (rows * problem.prior_sd**2) @ rows.T + np.diag(problem.noise_variance)

    def cost(log_ratio: FloatArray) -> tuple[float, FloatArray]:
        return scatter_cost(problem, fixed, data, log_ratio)

    found = minimize(cost, np.zeros(count), jac=True, method="L-BFGS-B", bounds=[(-3, 3)] * count)
    square = (problem.scatter_sd * np.exp(found.x)) ** 2
    inverse = np.linalg.inv(fixed + np.diag(square[problem.key]))
    of_key = np.eye(count)[problem.key] * square[problem.key][:, None]
    curvature = 2.0 * of_key.T @ inverse**2 @ of_key + np.eye(count) / _SCATTER_PRIOR**2
    return np.asarray(np.sqrt(square) * np.exp(np.diag(np.linalg.inv(curvature))))


def scatter_cost(
    problem: Problem, fixed: FloatArray, data: FloatArray, log_ratio: FloatArray
) -> tuple[float, FloatArray]:
    """Negative log posterior of the scatters and its gradient, (k,).

    With K = fixed + diag(s^2): data^T K^-1 data / 2 + log det(K) / 2 + |log_ratio|^2 / (2 tau^2),
    tau the prior deviation of log s; constants are left out.

    Parameters
    ----------
    problem : Problem
        Its `key` and `scatter_sd` are used.
    fixed : (m, m) array
        Covariance of the data without scatter.
    data : (m,) array
        Observations less the model's constant.
    log_ratio : (k,) array
        log(s_k / scatter_sd_k).
    """
    square = (problem.scatter_sd * np.exp(log_ratio)) ** 2
    factor = cho_factor(fixed + np.diag(square[problem.key]))
    inverse = cho_solve(factor, np.eye(len(data)))
    solved = inverse @ data
    value = 0.5 * data @ solved + np.sum(np.log(np.diag(factor[0])))
    value += 0.5 * np.sum((log_ratio / _SCATTER_PRIOR) ** 2)
    # d/d log s of the first two terms, on the diagonal entries that have the key's scatter.
    entries = (np.diag(inverse) - solved**2) * square[problem.key]
    slopes = np.bincount(problem.key, weights=entries, minlength=len(square))
    return float(value), slopes + log_ratio / _SCATTER_PRIOR**2


def condition(
    problem: Problem, theta: FloatArray, predicted: FloatArray, jacobian: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Update by the model linearised at theta.

    Parameters
    ----------
    problem : Problem
        Observations and priors.
    theta : (p,) array
        Where the model is linearised.
    predicted : (m,) array
        f(theta).
    jacobian : (m, p) array
        Derivatives of f there.

    Returns
    -------
    mean, covariance : (p + k,), (p + k, p + k) arrays
        Of parameters and biases.
    scatter : (k,) array
        By key.
    """
    rows = design(jacobian, problem.key, len(problem.bias_sd))
    data = problem.observed - predicted + jacobian @ theta
    scatter = scatter_of(problem, rows, data)
    variance = problem.noise_variance + scatter[problem.key] ** 2
    return *update(problem.prior_sd, rows, data, variance), scatter


def fit(problem: Problem, predict: Predict, jacobian: Predict) -> Posterior:
    """Find the posterior.

    Parameters
    ----------
    problem : Problem
        Observations and priors.
    predict, jacobian : callable
        f(theta), (m,), and its derivatives, (m, p). The derivatives are taken at the start and at
        the mode, and kept constant over the steps between.
    """
    theta = np.zeros(len(problem.parameter_sd))
    predicted = predict(theta)
    for _ in range(_MOST_ROUNDS):
        start, slopes = theta, jacobian(theta)
        for _ in range(_MOST_STEPS):
            mean, covariance, _ = condition(problem, theta, predicted, slopes)
            step = mean[: len(theta)] - theta
            step *= min(
                1.0, _LONGEST / max(float(np.max(np.abs(step) / problem.parameter_sd)), 1e-9)
            )
            theta = theta + step
            predicted = predict(theta)
            sd = np.sqrt(np.diag(covariance))[: len(theta)]
            if np.max(np.abs(step) / sd) < _STILL:
                break
        if np.max(np.abs(theta - start) / sd) < 10.0 * _STILL:
            break
    mean, covariance, scatter = condition(problem, theta, predicted, slopes)
    return Posterior(
        theta=theta,
        bias=mean[len(theta) :],
        scatter=scatter,
        covariance=covariance,
        predicted=predicted,
        jacobian=slopes,
    )


def leave_out(
    problem: Problem, posterior: Posterior, rows: np.typing.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Predict some observations from the others, by the model linearised at the mode.

    Parameters
    ----------
    problem, posterior
        The problem with all observations, and its posterior.
    rows : (m,) bool array
        The observations that are left out and predicted.

    Returns
    -------
    mean, sd : (left out,) array
        Logarithms; the standard deviation includes the noise of a future mean.
    """
    mean, covariance, scatter = condition(
        problem.of(~rows), posterior.theta, posterior.predicted[~rows], posterior.jacobian[~rows]
    )
    ahead = design(posterior.jacobian[rows], problem.key[rows], len(problem.bias_sd))
    moved = mean.copy()
    moved[: len(posterior.theta)] -= posterior.theta
    variance = np.sum((ahead @ covariance) * ahead, axis=1)
    variance += scatter[problem.key[rows]] ** 2 + problem.noise_variance[rows]
    return posterior.predicted[rows] + ahead @ moved, np.sqrt(variance)
