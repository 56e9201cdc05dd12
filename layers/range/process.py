"""Gaussian processes of one coefficient over Reynolds number and spin ratio.

A coefficient is a published law, plus a trend of a few terms, plus a process of Matern 5/2
covariance in 1/Re and sqrt S, plus the scatter of rows. Every part has a prior, so that
one row is enough for an answer; its standard deviation then says how little that is.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from layers.arrays import FloatArray

Basis = Callable[[FloatArray, FloatArray], FloatArray]
_STEPS = 60
_MOST_FITTED = 200  # rows that hyperparameters are found from; all rows make the surface

# Logarithms of size, lengths in 1e5/Re and in sqrt S, and scatter: median and standard deviation of
# the prior. A judgement: dimples move a coefficient by hundredths, over tens of per cent of speed.
_MEDIAN = np.log([0.03, 0.5, 0.25, 0.003])
_SPREAD = np.log([2.0, 2.0, 2.0, 2.5])


@dataclass(frozen=True)
class Form:
    """A family of surfaces.

    Attributes
    ----------
    name : str
        For reports.
    basis : function
        Of Reynolds number and spin ratio, (n,) each, to the trend's terms, (n, t).
    spread : (t,) array
        Standard deviation of each term's coefficient beforehand.
    published : function
        The law that the trend is added to, (n,).
    """

    name: str
    basis: Basis
    spread: FloatArray
    published: Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True)
class Process:
    """A form fitted to n rows of one coefficient.

    Attributes
    ----------
    size, length_reynolds, length_spin_ratio, scatter : float
        Hyperparameters of largest posterior density; `scatter` is of a row beyond its own error.
    inflation : float
        Factor on every standard deviation, 1 or what the leave-one-out residuals need.
    score : float
        Mean log density of each row predicted from the others.
    left_out_rms : float
        Root mean square of those predictions' errors.
    left_out_z : (n,) array
        Those errors in their standard deviations, before inflation.
    """

    form: Form
    reynolds: FloatArray
    spin_ratio: FloatArray
    noise: FloatArray
    residual: FloatArray
    size: float
    length_reynolds: float
    length_spin_ratio: float
    scatter: float
    inflation: float
    score: float
    left_out_rms: float
    left_out_z: FloatArray

    def covariance(
        self, re_a: FloatArray, s_a: FloatArray, re_b: FloatArray, s_b: FloatArray
    ) -> FloatArray:
        """Return the prior covariance between two sets of points, (a, b).

        Parameters
        ----------
        re_a, s_a : (a,) arrays
            Reynolds number and spin ratio of one set.
        re_b, s_b : (b,) arrays
            The other's.
        """
        trend = (self.form.basis(re_a, s_a) * self.form.spread**2) @ self.form.basis(re_b, s_b).T
        along = matern(
            np.subtract.outer(by_reynolds(re_a), by_reynolds(re_b)), self.length_reynolds
        )
        across = matern(np.subtract.outer(by_spin(s_a), by_spin(s_b)), self.length_spin_ratio)
        size = self.size**2 * np.outer(amplitude(re_a), amplitude(re_b))
        return np.asarray(trend + size * along * across)

    def to_rows(self, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
        """Return the prior covariance of points with the rows, (m, n)."""
        return self.covariance(reynolds, spin_ratio, self.reynolds, self.spin_ratio)

    def solve(self, right: FloatArray) -> FloatArray:
        """Return K^-1 right, K the rows' covariance with their noise."""
        matrix = self.to_rows(self.reynolds, self.spin_ratio) + np.diag(self.noise)
        return np.asarray(cho_solve(cho_factor(matrix, lower=True), right))

    def mean(self, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
        """Return the coefficient at m points, (m,)."""
        weights = self.solve(self.residual)
        return np.asarray(
            self.form.published(reynolds, spin_ratio) + self.to_rows(reynolds, spin_ratio) @ weights
        )

    def posterior(
        self, re_a: FloatArray, s_a: FloatArray, re_b: FloatArray, s_b: FloatArray
    ) -> FloatArray:
        """Return the covariance between two sets of points after the rows, (a, b).

        Parameters
        ----------
        re_a, s_a : (a,) arrays
            Reynolds number and spin ratio of one set.
        re_b, s_b : (b,) arrays
            The other's.
        """
        to_b = self.solve(self.to_rows(re_b, s_b).T)
        left = self.covariance(re_a, s_a, re_b, s_b) - self.to_rows(re_a, s_a) @ to_b
        return np.asarray(self.inflation**2 * left)

    def sd(self, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
        """Return the standard deviation of the coefficient at m points, (m,), without scatter."""
        to_rows = self.to_rows(reynolds, spin_ratio)
        explained = np.einsum("ij,ji->i", to_rows, self.solve(to_rows.T))
        basis = self.form.basis(reynolds, spin_ratio) * self.form.spread
        before = np.sum(basis**2, axis=1) + (self.size * amplitude(reynolds)) ** 2
        return np.asarray(self.inflation * np.sqrt(np.maximum(before - explained, 1e-12)))


def by_reynolds(reynolds: FloatArray) -> FloatArray:
    """Return the coordinate of Reynolds number: 1e5/Re, as coefficients change most at low Re."""
    return np.asarray(1e5 / reynolds)


def amplitude(reynolds: FloatArray) -> FloatArray:
    """Return the size of the process over that at high Re: five times below the critical one.

    Where the boundary layer changes, near 0.5e5 to 0.8e5 for dimpled balls (common practice), drag
    and lift move by tenths, elsewhere by hundredths.
    """
    return np.asarray(1.0 + 4.0 / (1.0 + np.exp((reynolds / 1e5 - 0.8) / 0.08)))


def by_spin(spin_ratio: FloatArray) -> FloatArray:
    """Return the coordinate of spin ratio: its root, as lift changes most at little spin."""
    return np.asarray(np.sqrt(spin_ratio))


def matern(difference: FloatArray, length: float) -> FloatArray:
    """Matern 5/2 correlation (Rasmussen and Williams 2006, eq. 4.17) of differences."""
    r = np.sqrt(5.0) * np.abs(difference) / length
    return np.asarray((1.0 + r + r * r / 3.0) * np.exp(-r))


def _matern_slope(difference: FloatArray, length: float) -> FloatArray:
    """Return the derivative of `matern` to the logarithm of its length."""
    r = np.sqrt(5.0) * np.abs(difference) / length
    return np.asarray(r * r / 3.0 * (1.0 + r) * np.exp(-r))


def fit_process(
    form: Form,
    reynolds: FloatArray,
    spin_ratio: FloatArray,
    values: FloatArray,
    errors: FloatArray,
) -> Process:
    """Fit a form to rows of one coefficient.

    Hyperparameters have the largest posterior density (Rasmussen and Williams 2006, Gaussian
    Processes for Machine Learning, eq. 5.8 and 5.9); each row is then predicted from the others in
    closed form (ibid., eq. 5.12).

    Parameters
    ----------
    form : Form
        Trend, priors, and whether there is a process.
    reynolds, spin_ratio, values, errors : (n,) arrays
        The rows; `errors` are standard deviations, 0 where none is known.
    """
    residual = values - form.published(reynolds, spin_ratio)
    basis = form.basis(reynolds, spin_ratio) * form.spread
    trend = basis @ basis.T
    parts = (
        np.subtract.outer(by_reynolds(reynolds), by_reynolds(reynolds)),
        np.subtract.outer(by_spin(spin_ratio), by_spin(spin_ratio)),
    )
    rise = np.outer(amplitude(reynolds), amplitude(reynolds))
    best = _likeliest(trend, rise, parts, residual, errors)
    size, length_re, length_s, scatter = (float(v) for v in np.exp(best))
    noise = errors**2 + scatter**2
    shape = size**2 * rise * matern(parts[0], length_re) * matern(parts[1], length_s)
    matrix = trend + shape + np.diag(noise)
    inverse = np.linalg.inv(matrix)
    variance = 1.0 / np.diag(inverse)
    error = inverse @ residual * variance
    z = error / np.sqrt(variance)
    inflation = max(1.0, float(np.sqrt(np.mean(z**2)))) if len(z) >= 5 else 1.0
    density = -0.5 * np.log(2.0 * np.pi * inflation**2 * variance) - 0.5 * (z / inflation) ** 2
    return Process(
        form,
        reynolds,
        spin_ratio,
        noise,
        residual,
        size,
        length_re,
        length_s,
        scatter,
        inflation,
        float(np.mean(density)),
        float(np.sqrt(np.mean(error**2))),
        z,
    )


def _likeliest(
    trend: FloatArray,
    rise: FloatArray,
    parts: tuple[FloatArray, FloatArray],
    residual: FloatArray,
    errors: FloatArray,
) -> FloatArray:
    """Return the logarithms of the likeliest hyperparameters, by at most `_MOST_FITTED` rows."""
    count = len(residual)
    rows = np.unique(np.linspace(0, count - 1, min(count, _MOST_FITTED)).astype(int))
    square = np.ix_(rows, rows)
    some = (
        trend[square],
        rise[square],
        (parts[0][square], parts[1][square]),
        residual[rows],
        errors[rows],
    )
    bounds = [(m - 4.0 * s, m + 4.0 * s) for m, s in zip(_MEDIAN, _SPREAD, strict=True)]
    found = [
        minimize(
            _minus_log_density,
            start,
            args=some,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": _STEPS},
        )
        for start in (_MEDIAN, _MEDIAN + np.log([2.0, 0.3, 0.7, 1.0]))
    ]
    return np.asarray(min(found, key=lambda f: float(f.fun)).x)


def _minus_log_density(
    theta: FloatArray,
    trend: FloatArray,
    rise: FloatArray,
    parts: tuple[FloatArray, FloatArray],
    residual: FloatArray,
    errors: FloatArray,
) -> tuple[float, FloatArray]:
    """Return minus the log posterior density of hyperparameters, but a constant, and its slope."""
    size, length_re, length_s, scatter = np.exp(theta)
    along, across = matern(parts[0], length_re), matern(parts[1], length_s)
    across = rise * across
    shape = size**2 * along * across
    matrix = trend + shape + np.diag(errors**2 + scatter**2)
    root = np.linalg.cholesky(matrix)
    inverse = cho_solve((root, True), np.eye(len(residual)))
    alpha = inverse @ residual
    deviation = (theta - _MEDIAN) / _SPREAD
    value = 0.5 * residual @ alpha + np.sum(np.log(np.diag(root))) + 0.5 * deviation @ deviation
    by_matrix = 0.5 * (inverse - np.outer(alpha, alpha))
    slope = deviation / _SPREAD
    slope[0] += 2.0 * np.sum(by_matrix * shape)
    slope[1] += size**2 * np.sum(by_matrix * _matern_slope(parts[0], length_re) * across)
    slope[2] += size**2 * np.sum(by_matrix * rise * along * _matern_slope(parts[1], length_s))
    slope[3] += 2.0 * scatter**2 * np.trace(by_matrix)
    return float(value), slope
