"""Gaussian processes in place of finite elements: predictions with checked intervals.

One process for each figure, over the coordinates of `optimize.emulator.encoding`. Positive figures
are emulated by their logarithm: stiffness, density and thickness act on them by ratios, and an
interval is then a percentage that cannot cross zero.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr, ndtr
from sklearn.gaussian_process import GaussianProcessRegressor

from layers.arrays import FloatArray
from layers.numerics.threads import one_thread
from optimize.emulator.assumed import assuming
from optimize.emulator.draws import left_out, mean_and_deviations
from optimize.emulator.inflation import inflation_of, leave_one_out_inflation
from optimize.emulator.likelihood import RESTART_GROWTH, conditioned, likeliest
from optimize.emulator.matern import likeliest_matern

FEWEST = 5

# Larger standardised errors count as this: that of a figure that was always positive and no longer
# is would be infinite.
_LARGEST_ERROR = 10.0

# Positive figures within such a factor are emulated by their logarithm; one that comes nearer to
# zero, such as a difference, may also cross it.
_LOG_RANGE = 100.0

# Within so small a factor a figure and its logarithm are nearly proportional; beyond it the
# likelier of the two is emulated.
_SURELY_LOG = 3.0

# A figure that varies by less than this share of itself is taken as constant.
_CONSTANT = 1e-9


@dataclass(frozen=True)
class Prediction:
    """One figure of m builds: a normal distribution, of its logarithm if `log`.

    Attributes
    ----------
    mean, sd : (m,) arrays
        Of the figure, in its unit, or of its natural logarithm.
    log : bool
        Whether it is the logarithm.
    """

    mean: FloatArray
    sd: FloatArray
    log: bool

    @property
    def value(self) -> FloatArray:
        """The median, in the figure's unit, (m,)."""
        return np.exp(self.mean) if self.log else self.mean

    def at(self, sigmas: FloatArray | float) -> FloatArray:
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

    def area_below(self, bounds: FloatArray) -> FloatArray:
        """Integrate the probability that the figure is at most x, from far below up to bounds.

        Parameters
        ----------
        bounds : (k,) array
            In the figure's unit.

        Returns
        -------
        (m, k) array
        """
        mean, sd = self.mean[:, None], self.sd[:, None]
        u = (self._scaled(bounds) - mean) / sd
        if self.log:
            exponent = mean + 0.5 * sd * sd + log_ndtr(u - sd)
            return np.asarray(np.maximum(bounds, 0.0) * ndtr(u) - np.exp(exponent))
        return np.asarray(sd * (u * ndtr(u) + np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)))

    def sigmas_to(self, value: FloatArray | float) -> FloatArray:
        """Return how many standard deviations a value lies above the median."""
        return np.asarray((self._scaled(value) - self.mean) / self.sd)

    def _scaled(self, value: FloatArray | float) -> FloatArray:
        value = np.asarray(value, dtype=np.float64)
        if not self.log:
            return value
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(np.maximum(value, 0.0)))  # probability 0 below zero


@dataclass(frozen=True)
class _Process:
    """One figure's Gaussian process, over its values standardised."""

    model: GaussianProcessRegressor | None  # None for a constant
    log: bool
    centre: float
    scale: float
    inflation: float
    restarted_at: int  # number of builds when several starts were last tried

    def predict(self, x: FloatArray) -> Prediction:
        if self.model is None:
            return Prediction(np.full(len(x), self.centre), np.full(len(x), self.scale), self.log)
        mean, sd = self.model.predict(x, return_std=True)
        sd = np.maximum(sd, 1e-9) * self.scale * self.inflation
        return Prediction(self.centre + self.scale * mean, sd, self.log)

    def assuming(self, x: FloatArray, value: float) -> "_Process":
        if self.model is None:
            return self
        z = ((math.log(value) if self.log else value) - self.centre) / self.scale
        return replace(self, model=assuming(self.model, x, z))

    def draws(self, x: FloatArray, pairs: int, rng: np.random.Generator) -> FloatArray:
        if self.model is None:
            return self._in_units(np.zeros((2 * pairs, len(x))))
        mean, deviations = mean_and_deviations(self.model, x, pairs, rng)
        wide = self.inflation * deviations
        return self._in_units(np.concatenate([mean + wide, mean - wide]))

    def left_out(self, builds: int) -> FloatArray:
        return self._in_units(np.zeros(builds) if self.model is None else left_out(self.model))

    def _in_units(self, standardised: FloatArray) -> FloatArray:
        z = self.centre + self.scale * standardised
        return np.exp(z) if self.log else z


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

    def standardised_errors(
        self, x: FloatArray, values: Mapping[str, FloatArray]
    ) -> dict[str, FloatArray]:
        """Return the prediction errors of each figure, in standard deviations before inflation.

        Parameters
        ----------
        x : (m, d) array
            Coordinates.
        values : mapping of str to (m,) array
            The computed figures.
        """
        recent_errors = {}
        for name, prediction in self.predict(x).items():
            sigmas = prediction.sigmas_to(values[name]) * self._processes[name].inflation
            recent_errors[name] = np.clip(sigmas, -_LARGEST_ERROR, _LARGEST_ERROR)
        return recent_errors

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the emulated figures."""
        return tuple(self._processes)

    def predict(self, x: FloatArray) -> dict[str, Prediction]:
        """Predict every figure of m builds.

        Parameters
        ----------
        x : (m, d) array
            Coordinates.
        """
        with one_thread():
            return {name: process.predict(x) for name, process in self._processes.items()}

    def assuming(self, x: FloatArray, values: Mapping[str, float]) -> "Emulator":
        """Return this emulator with one more build taken as computed.

        Parameters
        ----------
        x : (d,) array
            Coordinates of the build.
        values : mapping of str to float
            All its figures; above zero where they are emulated by their logarithm.
        """
        with one_thread():
            told = {name: p.assuming(x, values[name]) for name, p in self._processes.items()}
        return Emulator(self.builds, told)

    def draws(self, figure: str, x: FloatArray, pairs: int, seed: int) -> FloatArray:
        """Draw functions from the posterior of one figure.

        Parameters
        ----------
        figure : str
            Its name.
        x : (m, d) array
            Coordinates.
        pairs : int
            Half of their number: they come in pairs, mirrored at the median.
        seed : int
            Equal seeds give equal draws.

        Returns
        -------
        (2 pairs, m) array
            Values, in the figure's unit, without discretisation noise.
        """
        with one_thread():
            return self._processes[figure].draws(x, pairs, np.random.default_rng(seed))

    def left_out(self) -> dict[str, FloatArray]:
        """Predict each build from the others: medians in the figure's unit, (builds,)."""
        with one_thread():
            return {name: p.left_out(self.builds) for name, p in self._processes.items()}


def fit(
    x: FloatArray,
    values: Mapping[str, FloatArray],
    start: Emulator | None = None,
    recent_errors: Mapping[str, FloatArray] | None = None,
    rough: bool = False,
) -> Emulator:
    """Fit Gaussian processes to computed builds.

    The covariance is a squared exponential with one length scale for each coordinate, a second one
    of short scale for discretisation noise, and white noise; their sizes maximise the likelihood
    (Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, ch. 5). Standard
    deviations are then inflated, never reduced, until they cover the leave-one-out residuals
    (ibid., eq. 5.12), and the errors of earlier predictions if given: in the mean square, and so
    that 95 % of them lie within 1.96 standard deviations.

    The same input gives the same emulator to the last bit, whatever the number of threads.

    Parameters
    ----------
    x : (n, d) array
        Coordinates of the builds, each with a range of about 1.
    values : mapping of str to (n,) array
        Figures; NaN where one is not known of a build.
    start : Emulator, optional
        An earlier fit to fewer of the same builds: this one starts from its length scales.
    recent_errors : mapping of str to (k,) array, optional
        Standardised errors of the latest predictions (`Emulator.standardised_errors`). A search
        selects builds whose predictions err on the good side; leave-one-out does not show that.
    rough : bool
        The covariance is a Matern 5/2 one (ibid., eq. 4.17) in place of the squared exponentials. A
        ball that starts to slide or to stick on the face puts kinks into the figures of a strike; a
        squared exponential, smooth without end, is too sure of them between the builds of an evenly
        spread design, where leave-one-out does not show it. `Emulator.draws` needs the smooth one.

    Raises
    ------
    ValueError
        If there are fewer than 5 builds.
    """
    if len(x) < FEWEST:
        raise ValueError(f"{len(x)} builds are too few to emulate; at least {FEWEST} are needed")
    earlier, recent_errors = start._processes if start else {}, recent_errors or {}
    with one_thread():  # sums of several threads differ in the last bit
        return Emulator(
            len(x),
            {
                name: _fitted(x, y, earlier.get(name), recent_errors.get(name), rough)
                for name, y in values.items()
            },
        )


def _fitted(
    x: FloatArray,
    y: FloatArray,
    start: _Process | None,
    recent_errors: FloatArray | None,
    rough: bool,
) -> _Process:
    known = np.isfinite(y)
    x, y = x[known], y[known]
    grown = start is None or len(x) >= RESTART_GROWTH * start.restarted_at
    scales = _scales(y) if grown else [start.log and bool(np.min(y) > 0.0)]  # type: ignore[union-attr]
    fits = [_fitted_on(x, y, log, start, rough) for log in scales]
    process = max(fits, key=lambda one: _log_likelihood(one, y))
    if process.model is None:
        return process
    inflation = max(1.0, leave_one_out_inflation(process.model))
    if recent_errors is not None:
        inflation = max(inflation, inflation_of(recent_errors))
    return replace(process, inflation=inflation)


def _scales(y: FloatArray) -> list[bool]:
    """Return whether to emulate the logarithm: True, False, or both to be tried."""
    least, most = float(np.min(y)), float(np.max(y))
    if least <= 0.0 or most >= _LOG_RANGE * least:
        return [False]
    return [True] if most < _SURELY_LOG * least else [True, False]


def _fitted_on(
    x: FloatArray, y: FloatArray, log: bool, start: _Process | None, rough: bool
) -> _Process:
    """Fit to the values or their logarithms; intervals are not inflated yet."""
    z = np.log(y) if log else np.asarray(y, dtype=np.float64)
    centre, scale = float(np.mean(z)), float(np.std(z))
    size = 1.0 if log else max(abs(centre), 1.0)
    if scale <= _CONSTANT * size or x.shape[1] == 0:
        return _Process(None, log, centre, max(scale, _CONSTANT * size), 1.0, 0)
    z = (z - centre) / scale
    same = start is not None and start.model is not None and start.log == log
    earlier = start.model.kernel_ if same else None  # type: ignore[union-attr]
    if rough:
        kernel, restarted_at = likeliest_matern(x, z, earlier), len(x)
    else:
        kernel, restarted_at = likeliest(x, z, earlier, start.restarted_at if start else 0)
    return _Process(conditioned(kernel, x, z), log, centre, scale, 1.0, restarted_at)


def _log_likelihood(process: _Process, y: FloatArray) -> float:
    """Return the log likelihood of the figures themselves, whatever scale they are fitted on.

    A change of scale multiplies a density by its slope (Box and Cox 1964, J. R. Stat. Soc. B 26,
    211).
    """
    if process.model is None:
        return 0.0
    slopes = -len(y) * math.log(process.scale) - (np.sum(np.log(y)) if process.log else 0.0)
    return float(process.model.log_marginal_likelihood_value_ + slopes)
