"""Stiffness of cured cores against recipe and cure: a response surface of the lab's own trials.

The logarithm of the stiffness figure is a polynomial of the settings, fitted by least squares:
predictions are positive and their scatter is relative, as in replicates of a deflection (common
practice). Without enough trials the answer is `Unknown`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.stats import t as student

from layers.arrays import FloatArray
from layers.compound.least_squares import LeastSquares, least_squares
from layers.compound.terms import (
    FEWEST_DEGREES_OF_FREEDOM,
    Terms,
    confounded_with,
    dependent,
    design_of,
    grown,
    left_out_error,
)
from layers.compound.trials import RESPONSES, SETTINGS, Trials
from layers.errors import InputError

# A trial is called an outlier when so large a residual has this chance in a clean table.
OUTLIER_CHANCE = 0.01


@dataclass(frozen=True)
class Unknown:
    """The answer 'unknown', with its reason."""

    reason: str


@dataclass(frozen=True)
class Surface:
    """A fitted surface.

    Attributes
    ----------
    trials : Trials
        The data.
    varied : tuple of str
        Settings that varied over the trials, k of them.
    middle, half : (k,) arrays
        Their coding: x = (setting - middle) / half runs from -1 to 1 over the trials.
    terms : tuple
        Each term as the indices of the varied settings multiplied; () is the constant.
    fit : LeastSquares
        Of the logarithm.
    left_out_percent : float
        Leave-one-out error, percent: root mean square, with the terms chosen anew each time.
    inflation : float
        Factor on the intervals: leave-one-out error with terms chosen anew over that with fixed
        terms.
    outliers : tuple of str
        Trials with a significant studentized residual.
    confounded : tuple of str
        Second-order terms that are confounded with those chosen: with others of second order, or,
        in a plan of few trials, with a linear one, whose coefficient may then be theirs.
    """

    trials: Trials
    varied: tuple[str, ...]
    middle: FloatArray
    half: FloatArray
    terms: Terms
    fit: LeastSquares
    left_out_percent: float
    inflation: float
    outliers: tuple[str, ...]
    confounded: tuple[str, ...]

    def coded(self, settings: Mapping[str, float]) -> FloatArray:
        """Coded values of the varied settings, (k,)."""
        values = np.array([settings[name] for name in self.varied])
        return np.asarray((values - self.middle) / self.half)

    def logarithm(self, coded: FloatArray) -> FloatArray:
        """Mean logarithm of the figure at coded settings (m, k), (m,)."""
        return np.asarray(design_of(coded, self.terms) @ self.fit.coefficient)

    def interval(
        self, coded: FloatArray, level: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean, half width for one new observation, both of the logarithm, and leverage, (m,)."""
        leverage = self.fit.leverage_of(design_of(coded, self.terms))
        factor = float(student.ppf(0.5 + level / 2.0, self.fit.degrees_of_freedom))
        half = factor * self.inflation * self.fit.scatter * np.sqrt(1.0 + leverage)
        return self.logarithm(coded), half, leverage


@dataclass(frozen=True)
class Prediction:
    """A predicted stiffness figure of one new core.

    Attributes
    ----------
    value, low, high : float
        In the unit; one new core is between low and high with probability `level`.
    unit : str
        Of the trials' response.
    level : float
        Of the interval.
    leverage : float
        Of the settings, x (X^T X)^-1 x^T.
    flag : str
        Why the settings are beyond the trials; empty if they are not.
    """

    value: float
    low: float
    high: float
    unit: str
    level: float
    leverage: float
    flag: str


def fit_surface(trials: Trials | None) -> Surface | Unknown:
    """Fit a polynomial: all linear terms, and second-order ones that improve prediction.

    Products and squares are added one by one, each time the one that lowers the leave-one-out error
    most, while it lowers it by at least `LEAST_GAIN`. Choosing terms makes residuals too small
    (intervals of 95 % covered 87 to 92 % of new cores in invented labs); the leave-one-out error
    with the choice repeated measures this, and intervals are inflated by it.

    Parameters
    ----------
    trials : Trials or None
        None if the lab has none.

    Returns
    -------
    Surface or Unknown
        Unknown without trials, with too few, or if settings are confounded.
    """
    if trials is None:
        return Unknown("no recipe trials were given: the stiffness of this compound is not known")
    count = len(trials.name)
    columns = trials.settings
    spread = np.ptp(columns, axis=0)
    kept = np.flatnonzero(spread > 1e-9 * np.abs(columns).max(axis=0))
    if len(kept) == 0:
        return Unknown(f"all {count} trials have the same settings")
    needed = 1 + len(kept) + FEWEST_DEGREES_OF_FREEDOM
    if count < needed:
        return Unknown(
            f"{count} trials of {len(kept)} settings are too few: at least {needed} are needed"
        )
    middle = (columns.max(axis=0) + columns.min(axis=0))[kept] / 2.0
    half = spread[kept] / 2.0
    coded = (columns[:, kept] - middle) / half
    varied = tuple(np.array(list(SETTINGS))[kept].tolist())
    terms: Terms = ((), *((j,) for j in range(len(kept))))
    if dependent(design_of(coded, terms)):
        return Unknown(f"{', '.join(varied)} are confounded in these trials")
    observed = np.log(trials.value)
    linear, terms = terms, grown(terms, coded, observed)
    fit = least_squares(design_of(coded, terms), observed)
    left_out = left_out_error(linear, coded, observed)
    plain = float(np.sqrt(np.mean(fit.left_out**2)))
    return Surface(
        trials=trials,
        varied=varied,
        middle=middle,
        half=half,
        terms=terms,
        fit=fit,
        left_out_percent=100.0 * left_out,
        inflation=max(1.0, left_out / plain) if plain > 0.0 else 1.0,
        outliers=_outliers(trials, fit),
        confounded=confounded_with(terms, coded, varied),
    )


def _outliers(trials: Trials, fit: LeastSquares) -> tuple[str, ...]:
    """Name the trials whose studentized residual passes Bonferroni's bound."""
    if fit.degrees_of_freedom < 2:
        return ()
    count = len(trials.name)
    bound = student.ppf(1.0 - OUTLIER_CHANCE / (2.0 * count), fit.degrees_of_freedom - 1)
    far = np.abs(fit.studentized) > bound
    return tuple(name for name, out in zip(trials.name, far, strict=True) if out)


def predict(
    surface: Surface | Unknown, settings: Mapping[str, float], level: float = 0.95
) -> Prediction | Unknown:
    """Predict the stiffness figure of one new core.

    Parameters
    ----------
    surface : Surface or Unknown
        Of `fit_surface`.
    settings : mapping
        One value for each of `SETTINGS`, see `layers.compound.trials.settings_of`.
    level : float
        Of the interval, from Student's t on the fit's degrees of freedom.

    Returns
    -------
    Prediction or Unknown
        A prediction beyond the trials carries a flag.

    Raises
    ------
    InputError
        If a setting is missing, unknown or not finite, or the level not between 0 and 1.
    """
    if isinstance(surface, Unknown):
        return surface
    check_settings(settings, level)
    coded = surface.coded(settings)
    (mean,), (half,), (leverage,) = surface.interval(coded[None, :], level)
    return Prediction(
        value=float(np.exp(mean)),
        low=float(np.exp(mean - half)),
        high=float(np.exp(mean + half)),
        unit=RESPONSES[surface.trials.response].unit,
        level=level,
        leverage=float(leverage),
        flag=_beyond(surface, settings, coded, float(leverage)),
    )


def check_settings(settings: Mapping[str, float], level: float) -> None:
    """Refuse missing, unknown or infinite settings, and a level outside (0, 1)."""
    for name in SETTINGS:
        if name not in settings or not np.isfinite(settings[name]):
            raise InputError(f"setting {name} is missing or not a finite number.")
    for name in settings:
        if name not in SETTINGS:
            raise InputError(f"setting {name!r} is not known; known: {', '.join(SETTINGS)}.")
    if not 0.0 < level < 1.0:
        raise InputError(f"level is {level:g}, but must be between 0 and 1.")


def _beyond(
    surface: Surface, settings: Mapping[str, float], coded: FloatArray, leverage: float
) -> str:
    """Say why settings are beyond the trials: range, combination or leverage; else empty."""
    tried = dict(zip(SETTINGS, surface.trials.settings.T, strict=True))
    for name, column in tried.items():
        slack = 1e-9 * float(np.abs(column).max())
        if not column.min() - slack <= settings[name] <= column.max() + slack:
            unit = SETTINGS[name].unit
            return (
                f"extrapolated: {name} is {settings[name]:g}, the trials have {column.min():g} to "
                f"{column.max():g} {unit}"
            )
    points = _coded_trials(surface)
    if not _in_hull(points, coded):
        return "extrapolated: no trials surround this combination of settings"
    if leverage > 1.0000001 * float(surface.fit.leverage.max()):
        return "extrapolated: leverage above that of every trial"
    return ""


def _coded_trials(surface: Surface) -> FloatArray:
    kept = [list(SETTINGS).index(name) for name in surface.varied]
    coded: FloatArray = (surface.trials.settings[:, kept] - surface.middle) / surface.half
    return coded


def _in_hull(points: FloatArray, at: FloatArray) -> bool:
    """Whether `at` is a mean of the points with non-negative weights."""
    count = len(points)
    equal = np.vstack([points.T, np.ones(count)])
    found = linprog(np.zeros(count), A_eq=equal, b_eq=np.append(at, 1.0), bounds=(0.0, None))
    return bool(found.status == 0)
