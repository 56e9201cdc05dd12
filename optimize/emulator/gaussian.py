"""Gaussian processes in place of finite elements: a guess at once, its error bar checked.

One process a figure, over coordinates in which builds are alike when their numbers are
(`optimize.emulator.encoding`). Positive figures are emulated by their logarithm: stiffness,
density and thickness act on them by ratios, and an error bar is then a percentage that cannot cross zero.
"""

import warnings
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import minimize
from scipy.special import ndtr
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from threadpoolctl import ThreadpoolController

from layers.arrays import FloatArray
from optimize.emulator.draws import left_out, mean_and_deviations
from optimize.emulator.intervals import SIGMAS_95

FEWEST = 5

# Length scales are fitted on no more builds than this, since a fit costs their cube a step; the
# prediction rests on all.
_MOST_TO_FIT = 300
_STEPS_COLD, _STEPS_WARM = 60, 12

# A miss of more standard deviations says no more than one of so many; of a figure that was always
# positive and no longer is, it would be infinite.
_FARTHEST = 10.0

# The share of the builds that count as lone.
_LONE = 0.3

# What is added to the covariance's diagonal, of a variance of 1, as far as it takes.
_ADDED = (1e-10, 1e-8, 1e-6, 1e-4, 1e-2)

# Length scales that a fit begins from, and by how much the builds grow until it does so again.
_FIRST_SCALES = (1.0, 0.2)
_LOOK_AGAIN = 1.4

# Positive figures within such a factor are emulated by their logarithm; one that comes nearer to
# zero, such as a difference, may as well cross it.
_LOG_RANGE = 100.0

# A figure that varies by less than this share of itself is taken as constant.
_CONSTANT = 1e-9


@dataclass(frozen=True)
class Prediction:
    """What is believed of one figure of m builds: a normal distribution, of its logarithm if `log`.

    Attributes
    ----------
    mean, sd : (m,) arrays
        Of the figure, in its unit, or of its natural logarithm.
    log : bool
        Which of the two.
    """

    mean: FloatArray
    sd: FloatArray
    log: bool

    @property
    def value(self) -> FloatArray:
        """The median, in the figure's unit, (m,)."""
        return np.exp(self.mean) if self.log else self.mean

    def at(self, sigmas: float) -> FloatArray:
        """Return the value so many standard deviations above the median, (m,)."""
        raised = self.mean + sigmas * self.sd
        return np.exp(raised) if self.log else raised

    def below(self, bound: FloatArray | float) -> FloatArray:
        """Return the probability that the figure is at most `bound`.

        Parameters
        ----------
        bound : float or array
            In the figure's unit; an array (k, 1) gives (k, m) probabilities.
        """
        return np.asarray(ndtr(self.sigmas_to(bound)))

    def sigmas_to(self, value: FloatArray | float) -> FloatArray:
        """Return how many standard deviations a value lies above the median."""
        value = np.asarray(value, dtype=np.float64)
        if self.log:
            with np.errstate(divide="ignore"):
                value = np.log(np.maximum(value, 0.0))  # no chance at all below zero
        return np.asarray((value - self.mean) / self.sd)


@dataclass(frozen=True)
class _Process:
    """One figure's Gaussian process, over its values standardised."""

    model: GaussianProcessRegressor | None  # None for a constant
    log: bool
    centre: float
    scale: float
    widening: float
    looked: int  # builds when more than one start was last tried

    def predict(self, x: FloatArray) -> Prediction:
        if self.model is None:
            return Prediction(np.full(len(x), self.centre), np.full(len(x), self.scale), self.log)
        mean, sd = self.model.predict(x, return_std=True)
        sd = np.maximum(sd, 1e-9) * self.scale * self.widening
        return Prediction(self.centre + self.scale * mean, sd, self.log)

    def draws(self, x: FloatArray, pairs: int, rng: np.random.Generator) -> FloatArray:
        if self.model is None:
            return self._in_units(np.zeros((2 * pairs, len(x))))
        mean, deviations = mean_and_deviations(self.model, x, pairs, rng)
        wide = self.widening * deviations
        return self._in_units(np.concatenate([mean + wide, mean - wide]))

    def left_out(self, builds: int) -> FloatArray:
        return self._in_units(np.zeros(builds) if self.model is None else left_out(self.model))

    def _in_units(self, standardised: FloatArray) -> FloatArray:
        z = self.centre + self.scale * standardised
        return np.exp(z) if self.log else z


@cache
def _threads() -> ThreadpoolController:
    return ThreadpoolController()  # looks the loaded libraries up, which takes a while


def _one_thread() -> AbstractContextManager[Any]:
    return _threads().limit(limits=1, user_api="blas")  # type: ignore[no-any-return]


@dataclass(frozen=True)
class Emulator:
    """Gaussian processes of several figures over the same builds.

    Attributes
    ----------
    builds : int
        How many it was fitted to.
    """

    builds: int
    _processes: Mapping[str, _Process]

    def sigmas_missed(
        self, x: FloatArray, values: Mapping[str, FloatArray]
    ) -> dict[str, FloatArray]:
        """Return by how many standard deviations, not widened, each figure is missed.

        Parameters
        ----------
        x : (m, d) array
            Coordinates.
        values : mapping of str to (m,) array
            What the figures turned out to be.
        """
        missed = {}
        for name, prediction in self.predict(x).items():
            sigmas = prediction.sigmas_to(values[name]) * self._processes[name].widening
            missed[name] = np.clip(sigmas, -_FARTHEST, _FARTHEST)
        return missed

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures that it emulates."""
        return tuple(self._processes)

    def predict(self, x: FloatArray) -> dict[str, Prediction]:
        """Predict every figure of m builds.

        Parameters
        ----------
        x : (m, d) array
            Coordinates, as it was fitted to.
        """
        with _one_thread():
            return {name: process.predict(x) for name, process in self._processes.items()}

    def draws(self, figure: str, x: FloatArray, pairs: int, seed: int) -> FloatArray:
        """Draw whole functions that one figure may be, by what was computed of it.

        Parameters
        ----------
        figure : str
            Its name.
        x : (m, d) array
            Coordinates, as it was fitted to.
        pairs : int
            Half of their number: two lie as far from the median, on either side.
        seed : int
            Equal seeds give equal draws.

        Returns
        -------
        (2 pairs, m) array
            Values, in the figure's unit, without what the mesh adds.
        """
        with _one_thread():
            return self._processes[figure].draws(x, pairs, np.random.default_rng(seed))

    def left_out(self) -> dict[str, FloatArray]:
        """Say what is made of each build by the others: medians in the figure's unit, (builds,)."""
        with _one_thread():
            return {name: p.left_out(self.builds) for name, p in self._processes.items()}


def fit(
    x: FloatArray,
    values: Mapping[str, FloatArray],
    start: Emulator | None = None,
    missed: Mapping[str, FloatArray] | None = None,
) -> Emulator:
    """Fit Gaussian processes to computed builds.

    The covariance is a squared exponential with a length scale a coordinate, a second one of short
    scale for ripples, such as those that the mesh adds, and a white part for what is rougher still;
    their sizes make the data likeliest (Rasmussen and Williams 2006, Gaussian Processes for Machine
    Learning, ch. 5). Standard deviations are then widened, never narrowed, until they tell the
    leave-one-out residuals (ibid., eq. 5.12), and the misses of earlier guesses if they are given:
    in the mean square, and so that 95 % of these lie within 1.96 of them.

    The same input gives the same emulator to the last bit, whatever the number of threads.

    Parameters
    ----------
    x : (n, d) array
        Coordinates of the builds, each of a range about 1.
    values : mapping of str to (n,) array
        Figures, all finite.
    start : Emulator, optional
        An earlier fit to fewer of the same builds: its length scales are gone on from.
    missed : mapping of str to (k,) array, optional
        By how many standard deviations, not widened, the last guesses missed each figure. A search
        looks where its emulator errs on the good side; leave-one-out alone does not tell of that.

    Raises
    ------
    ValueError
        If there are fewer than 5 builds.
    """
    if len(x) < FEWEST:
        raise ValueError(f"{len(x)} builds are too few to emulate; it takes at least {FEWEST}")
    known, missed = start._processes if start else {}, missed or {}
    with _one_thread():  # sums of several threads differ in the last bit
        return Emulator(
            len(x),
            {name: _fitted(x, y, known.get(name), missed.get(name)) for name, y in values.items()},
        )


def _fitted(
    x: FloatArray, y: FloatArray, start: _Process | None, missed: FloatArray | None
) -> _Process:
    log = bool(np.min(y) > 0.0 and np.max(y) < _LOG_RANGE * np.min(y))
    z = np.log(y) if log else np.asarray(y, dtype=np.float64)
    centre, scale = float(np.mean(z)), float(np.std(z))
    size = 1.0 if log else max(abs(centre), 1.0)
    if scale <= _CONSTANT * size or x.shape[1] == 0:
        return _Process(None, log, centre, max(scale, _CONSTANT * size), 1.0, 0)
    z = (z - centre) / scale
    kernel, looked = _likeliest(x, z, start)
    model = _conditioned(kernel, x, z)
    widening = max(1.0, _misfit(model), 0.0 if missed is None else _needed(missed))
    return _Process(model, log, centre, scale, widening, looked)


def _conditioned(kernel: Any, x: FloatArray, z: FloatArray) -> GaussianProcessRegressor:
    """Fit with these sizes; many builds of a very smooth figure need a little more on the diagonal.

    Their covariance is singular but for rounding.
    """
    for added in _ADDED[:-1]:
        try:
            return GaussianProcessRegressor(kernel, alpha=added, optimizer=None).fit(x, z)
        except np.linalg.LinAlgError:
            continue
    return GaussianProcessRegressor(kernel, alpha=_ADDED[-1], optimizer=None).fit(x, z)


def _likeliest(x: FloatArray, z: FloatArray, start: _Process | None) -> tuple[Any, int]:
    """Return the covariance that makes the data likeliest, and how many builds chose its valley.

    The likelihood has several hills: smooth with much noise, or winding with none. More than one is
    climbed whenever the builds have grown enough to tell them apart; in between the last goes on.
    """
    part = np.unique(np.linspace(0, len(x) - 1, _MOST_TO_FIT).round().astype(int))
    begin, looked = [(_kernel(x.shape[1], scale), _STEPS_COLD) for scale in _FIRST_SCALES], len(x)
    if start is not None and start.model is not None:
        warm = (start.model.kernel_, _STEPS_WARM)
        begin = [warm, *begin]
        if len(x) < _LOOK_AGAIN * start.looked:
            begin, looked = [warm], start.looked
    climbed = []
    for kernel, steps in begin:
        with warnings.catch_warnings():
            # A coordinate that a figure does not depend on has the longest scale: expected.
            warnings.simplefilter("ignore", ConvergenceWarning)
            regressor = GaussianProcessRegressor(kernel, optimizer=_ascend(steps))
            climbed.append(regressor.fit(x[part], z[part]))
    return max(climbed, key=lambda m: m.log_marginal_likelihood_value_).kernel_, looked


def _kernel(d: int, scale: float) -> Any:
    # Without the local part ripples count as noise, and one spot is looked at again and again.
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


def _misfit(model: GaussianProcessRegressor) -> float:
    """Return by how much the standard deviations must grow to tell the leave-one-out residuals.

    With C the covariance of the data y, build i left out is missed by [C^-1 y]_i / [C^-1]_ii, with
    variance 1 / [C^-1]_ii. Those of which the others say least are also asked alone: a search
    crowds some corners, and the many neighbours there would outvote them. The sizes in C were
    fitted to the same builds: as many of these count less, as in any regression.
    """
    inverse_root = solve_triangular(model.L_, np.eye(len(model.L_)), lower=True)
    precision = np.sum(inverse_root**2, axis=0)
    residuals = np.abs(np.asarray(model.alpha_).ravel()) / np.sqrt(precision)
    lone = residuals[precision <= np.quantile(precision, _LONE)]
    n, fitted = len(residuals), len(model.kernel_.theta)
    freedom = np.sqrt(n / max(1, n - fitted))
    return float(freedom * max(_needed(residuals), _needed(lone)))


def _needed(sigmas: FloatArray) -> float:
    """Return the widening that turns these misses into those of a normal variable."""
    if not len(sigmas):
        return 0.0
    mean_square = np.sqrt(np.mean(sigmas**2))
    return float(max(mean_square, np.quantile(np.abs(sigmas), 0.95) / SIGMAS_95))
