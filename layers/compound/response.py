"""Stiffness of cured cores against recipe and cure: a response surface of the lab's own trials.

The logarithm of the stiffness figure is a polynomial of the settings, fitted by least squares: so a
prediction is positive and its scatter is a share of it, as repeats of a deflection show (common
practice). Nothing is known of it but what the trials say: without enough of them the answer is
`Unknown`.
"""

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.stats import t as student

from layers.arrays import FloatArray
from layers.compound.least_squares import LeastSquares, least_squares
from layers.compound.trials import RESPONSES, SETTINGS, Trials
from layers.errors import InputError

# Residual degrees of freedom below which an interval says nothing.
FEWEST_FREEDOM = 3

# A second-order term must lower the leave-one-out error by this share: smaller gains are chance.
LEAST_GAIN = 0.10

# A trial is called an outlier when so large a residual has this chance in a clean table.
OUTLIER_CHANCE = 0.01

Terms = tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Unknown:
    """The typed answer 'not known', with why."""

    reason: str


@dataclass(frozen=True)
class Surface:
    """A fitted surface.

    Attributes
    ----------
    trials : Trials
        What it rests on.
    varied : tuple of str
        Settings that varied over the trials, k of them.
    middle, half : (k,) arrays
        Their coding: x = (setting - middle) / half runs from -1 to 1 over the trials.
    terms : tuple
        Each term as the indices of the varied settings multiplied; () is the constant.
    fit : LeastSquares
        Of the logarithm.
    left_out_percent : float
        Root mean square error of predicting each trial from the others, which also choose the
        terms anew, percent.
    widening : float
        By how much choosing the terms makes that error larger than for terms given beforehand;
        intervals are widened by it.
    outliers : tuple of str
        Trials that the others contradict.
    confounded : tuple of str
        Second-order terms that the trials cannot tell from those chosen.
    """

    trials: Trials
    varied: tuple[str, ...]
    middle: FloatArray
    half: FloatArray
    terms: Terms
    fit: LeastSquares
    left_out_percent: float
    widening: float
    outliers: tuple[str, ...]
    confounded: tuple[str, ...]

    def coded(self, settings: Mapping[str, float]) -> FloatArray:
        """Coded values of the varied settings, (k,)."""
        values = np.array([settings[name] for name in self.varied])
        return np.asarray((values - self.middle) / self.half)

    def logarithm(self, coded: FloatArray) -> FloatArray:
        """Mean logarithm of the figure at coded settings (m, k), (m,)."""
        return np.asarray(_design(coded, self.terms) @ self.fit.coefficient)

    def interval(
        self, coded: FloatArray, level: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean, half width for one new observation, both of the logarithm, and leverage, (m,)."""
        leverage = self.fit.leverage_of(_design(coded, self.terms))
        factor = float(student.ppf(0.5 + level / 2.0, self.fit.freedom))
        half = factor * self.widening * self.fit.scatter * np.sqrt(1.0 + leverage)
        return self.logarithm(coded), half, leverage


@dataclass(frozen=True)
class Prediction:
    """A predicted stiffness figure of one new core.

    Attributes
    ----------
    value, low, high : float
        In the unit; a new core lies from low to high with probability `level`.
    unit : str
        Of the trials' response.
    level : float
        Of the interval.
    leverage : float
        How far the settings lie from the trials' middle, in the fit's own measure.
    flag : str
        Empty, or why the settings are beyond the trials.
    """

    value: float
    low: float
    high: float
    unit: str
    level: float
    leverage: float
    flag: str


def fit_surface(trials: Trials | None) -> Surface | Unknown:
    """Fit a polynomial: all linear terms, and the second-order ones that pay.

    Products and squares are taken in one by one, each time the one that lowers the leave-one-out
    error most, while it lowers it by `LEAST_GAIN` at least. Terms chosen so make the residuals look
    smaller than they are (intervals of 95 % held 87 to 92 % of new cores in invented labs); the
    leave-one-out error with the choice repeated tells by how much, and intervals are widened by it.

    Parameters
    ----------
    trials : Trials or None
        None when the lab has none.

    Returns
    -------
    Surface or Unknown
        Unknown without trials, with too few, or when two settings always moved together.
    """
    if trials is None:
        return Unknown("no recipe trials were given: the stiffness of this compound is not known")
    count = len(trials.name)
    columns = trials.settings
    spread = np.ptp(columns, axis=0)
    kept = np.flatnonzero(spread > 1e-9 * np.abs(columns).max(axis=0))
    if len(kept) == 0:
        return Unknown(f"all {count} trials have the same settings")
    needed = 1 + len(kept) + FEWEST_FREEDOM
    if count < needed:
        return Unknown(
            f"{count} trials of {len(kept)} settings are too few: at least {needed} are needed"
        )
    middle = (columns.max(axis=0) + columns.min(axis=0))[kept] / 2.0
    half = spread[kept] / 2.0
    coded = (columns[:, kept] - middle) / half
    varied = tuple(np.array(list(SETTINGS))[kept].tolist())
    terms: Terms = ((), *((j,) for j in range(len(kept))))
    if _dependent(_design(coded, terms)):
        return Unknown(f"the trials cannot tell {', '.join(varied)} apart: some moved together")
    observed = np.log(trials.value)
    linear, terms = terms, _grown(terms, coded, observed)
    fit = least_squares(_design(coded, terms), observed)
    left_out = _left_out(linear, coded, observed)
    plain = float(np.sqrt(np.mean(fit.left_out**2)))
    return Surface(
        trials=trials,
        varied=varied,
        middle=middle,
        half=half,
        terms=terms,
        fit=fit,
        left_out_percent=100.0 * left_out,
        widening=max(1.0, left_out / plain) if plain > 0.0 else 1.0,
        outliers=_outliers(trials, fit),
        confounded=_confounded(terms, coded, varied),
    )


def _grown(linear: Terms, coded: FloatArray, observed: FloatArray) -> Terms:
    """Add second-order terms to the linear ones while each lowers the leave-one-out error.

    A term's column enters by the part q of it, of unit length, that is orthogonal to the columns
    taken: the residual loses q (q . residual) and the leverage gains q^2.
    """
    terms = list(linear)
    candidates = _second_order(coded)
    columns = _design(coded, tuple(candidates)) if candidates else np.zeros((len(observed), 0))
    scale = np.linalg.norm(columns, axis=0)
    q, _ = np.linalg.qr(_design(coded, linear))
    residual = observed - q @ (q.T @ observed)
    leverage = np.sum(q**2, axis=1)
    while len(observed) - len(terms) > FEWEST_FREEDOM:
        columns = columns - q @ (q.T @ columns)
        length = np.linalg.norm(columns, axis=0)
        usable = np.flatnonzero(length > 1e-6 * scale)
        if len(usable) == 0:
            break
        unit = columns[:, usable] / length[usable]
        residuals = residual[:, None] - unit * (unit.T @ residual)
        leverages = leverage[:, None] + unit**2
        errors = np.linalg.norm(residuals / np.maximum(1.0 - leverages, 1e-12), axis=0)
        best = int(errors.argmin())
        if not errors[best] < (1.0 - LEAST_GAIN) * np.linalg.norm(residual / (1.0 - leverage)):
            break
        terms.append(candidates[usable[best]])
        q = np.column_stack([q, unit[:, best]])
        residual, leverage = residuals[:, best], leverages[:, best]
    return tuple(terms)


def _left_out(linear: Terms, coded: FloatArray, observed: FloatArray) -> float:
    """Root mean square error of each trial predicted by the others, which choose terms anew."""
    errors = []
    for out in range(len(observed)):
        kept = np.arange(len(observed)) != out
        if _dependent(_design(coded[kept], linear)):
            continue  # the only trial that moved a setting: the others say nothing of it
        terms = _grown(linear, coded[kept], observed[kept])
        fit = least_squares(_design(coded[kept], terms), observed[kept])
        predicted = _design(coded[out : out + 1], terms) @ fit.coefficient
        errors.append(float(observed[out] - predicted[0]))
    return float(np.sqrt(np.mean(np.square(errors)))) if errors else float("inf")


def _second_order(coded: FloatArray) -> list[tuple[int, ...]]:
    """Products of two settings and squares; a setting tried at two levels has no square."""
    k = coded.shape[1]
    squares = [(j, j) for j in range(k) if len(np.unique(coded[:, j].round(6))) > 2]
    return [*itertools.combinations(range(k), 2), *squares]


def _design(coded: FloatArray, terms: Terms) -> FloatArray:
    """Columns of the terms, (n, p), at coded settings (n, k)."""
    return np.column_stack([np.prod(coded[:, list(term)], axis=1) for term in terms])


def _dependent(design: FloatArray) -> bool:
    return bool(np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1])


def _confounded(terms: Terms, coded: FloatArray, varied: tuple[str, ...]) -> tuple[str, ...]:
    """Name the second-order terms whose columns follow from those chosen."""
    linear = tuple(term for term in terms if len(term) < 2)

    def follows(term: tuple[int, ...], others: Terms) -> bool:
        return _dependent(_design(coded, (*others, term)))

    return tuple(
        " x ".join(varied[j] for j in term)
        for term in _second_order(coded)
        if term not in terms and follows(term, terms) and not follows(term, linear)
    )


def _outliers(trials: Trials, fit: LeastSquares) -> tuple[str, ...]:
    """Name the trials whose studentized residual passes Bonferroni's bound."""
    if fit.freedom < 2:
        return ()
    count = len(trials.name)
    bound = student.ppf(1.0 - OUTLIER_CHANCE / (2.0 * count), fit.freedom - 1)
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
    mean, half, leverage = surface.interval(coded[None, :], level)
    return Prediction(
        value=float(np.exp(mean[0])),
        low=float(np.exp(mean[0] - half[0])),
        high=float(np.exp(mean[0] + half[0])),
        unit=RESPONSES[surface.trials.response].unit,
        level=level,
        leverage=float(leverage[0]),
        flag=_beyond(surface, settings, coded, float(leverage[0])),
    )


def check_settings(settings: Mapping[str, float], level: float) -> None:
    """Raise InputError unless every setting has a finite value and the level lies in (0, 1)."""
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
    """Say why settings lie beyond the trials: range, combination or leverage; else empty."""
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
    """Tell whether `at` is a mean of the points with weights that are not negative."""
    count = len(points)
    equal = np.vstack([points.T, np.ones(count)])
    found = linprog(np.zeros(count), A_eq=equal, b_eq=np.append(at, 1.0), bounds=(0.0, None))
    return bool(found.status == 0)
