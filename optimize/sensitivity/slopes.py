"""Local sensitivities: slopes of every figure over each layer's size and material.

Each design variable is moved by one, two and three steps either way, the others held, and a cubic
is fitted to the seven points: it follows the curvature and averages discretisation noise. The
residuals of the cubics of all layers, noise and higher curvature, give each slope its error.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from scipy.special import stdtrit

from layers.arrays import FloatArray, Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.estimates import Estimate
from layers.estimation import estimate
from optimize.sensitivity.perturbation import (
    OFFSETS,
    PERTURBATIONS,
    DesignVariable,
    Study,
    of_body,
    plan,
)

_MOST = OFFSETS[-1]
# Errors are two-sided at this level, by Student's distribution.
_CONFIDENCE = 0.95

# A cubic's coefficients from the seven points, by least squares.
_POWERS = np.arange(-_MOST, _MOST + 1)[:, None] ** np.arange(4.0)
_FIT = np.linalg.pinv(_POWERS)


@dataclass(frozen=True)
class Slope:
    """The derivative of one figure by one design variable.

    Attributes
    ----------
    value, error : float
        Derivative in the figure's unit per mm, per unit of ln(modulus), per g/cm3 or per unit of
        friction, and the half width of its 95 % interval (curvature and noise).
    change, change_error : float
        The same for the step that a laboratory makes (`Perturbation.practical`), in the figure's
        unit.
    """

    value: float
    error: float
    change: float
    change_error: float

    @property
    def resolved(self) -> bool:
        """Whether the slope is larger than its own error, so that its sign is known."""
        return abs(self.value) > self.error


@dataclass(frozen=True)
class Slopes:
    """All slopes of one build.

    Attributes
    ----------
    estimate : Estimate
        The figures of the build itself.
    variables : tuple of DesignVariable
        What was moved.
    slopes : dict of (str, DesignVariable) to Slope
        By figure and variable.
    failed : dict of (str, DesignVariable) to str
        Why a slope is not known. A variable that a figure cannot depend on is in neither.
    """

    estimate: Estimate
    variables: tuple[DesignVariable, ...]
    slopes: Mapping[tuple[str, DesignVariable], Slope]
    failed: Mapping[tuple[str, DesignVariable], str]


def slopes_from(study: Study, estimates: Sequence[Estimate]) -> Slopes:
    """Compute the slopes from the estimates of a study's requests.

    Parameters
    ----------
    study : Study
        From `plan`.
    estimates : sequence of Estimate
        Of its requests, in their order.
    """
    base, *others = estimates
    remaining = iter(others)
    around = {
        variable: [next(remaining) for _ in OFFSETS] if variable.step > 0.0 else []
        for variable in study.variables
    }
    slopes: dict[tuple[str, DesignVariable], Slope] = {}
    failed: dict[tuple[str, DesignVariable], str] = {}
    for name in study.figures:
        points: dict[DesignVariable, FloatArray] = {}
        for variable, near in around.items():
            if variable.kind == "friction" and of_body(name):
                continue
            why = _trouble(name, base, near)
            if why:
                failed[name, variable] = why
            else:
                seven = [*near[:_MOST], base, *near[_MOST:]]
                points[variable] = np.array([e.figures[name].value for e in seven])
        slopes |= {(name, variable): slope for variable, slope in _fitted(points).items()}
    return Slopes(base, study.variables, slopes, failed)


def _trouble(name: str, base: Estimate, near: Sequence[Estimate]) -> str:
    if not near:
        return "the number is at the end of its range, or the layer is too thin to move it"
    return next((e.failed[name] for e in (base, *near) if name in e.failed), "")


def _fitted(points: Mapping[DesignVariable, FloatArray]) -> dict[DesignVariable, Slope]:
    """Fit the slopes of one figure; variables of one kind share their noise."""
    fitted = {}
    for kind, perturbation in PERTURBATIONS.items():
        alike = [variable for variable in points if variable.kind == kind]
        values, errors = fit_slopes(
            np.array([points[v] for v in alike]).reshape(-1, len(_POWERS)),
            np.array([v.step for v in alike]),
        )
        change = perturbation.practical
        for variable, value, error in zip(alike, values, errors, strict=True):
            fitted[variable] = Slope(
                float(value), float(error), float(value * change), float(error * change)
            )
    return fitted


def fit_slopes(values: FloatArray, step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit slopes at the middle of seven points, and their errors.

    Cubics by least squares (Savitzky and Golay 1964, Anal. Chem. 36, 1627): the slope is
    (22 (f-3 - f3) - 67 (f-2 - f2) - 58 (f-1 - f1)) / 252 h. Its error is Student's factor times the
    deviation of the points from their cubics, over all rows together, times 0.512 / h.

    Parameters
    ----------
    values : (n, 7) array
        Rows of values at -3 to 3 steps, expected to be equally noisy. A row whose values are all
        the same does not depend on what was moved: its slope is 0 and exact.
    step : (n,) array
        Distance between the points of each row.

    Returns
    -------
    slope, error : (n,) array
        Per unit of `step`.

    Examples
    --------
    >>> points = np.array([[27.0, 8.0, 1.0, 0.0, 1.0, 8.0, 27.0]])
    >>> slope, error = fit_slopes(points, np.array([0.1]))
    >>> abs(float(slope[0])) < float(error[0])
    True
    """
    away = values - values[:, _MOST : _MOST + 1]
    moves = np.any(away != 0.0, axis=1)
    coefficients = away @ _FIT.T
    residuals = (away - coefficients @ _POWERS.T)[moves]
    dof = (len(_POWERS) - _POWERS.shape[1]) * len(residuals)
    if not dof:
        return np.zeros(len(values)), np.zeros(len(values))
    deviation = math.sqrt(float(np.sum(residuals**2)) / dof)
    factor = float(stdtrit(dof, 0.5 + 0.5 * _CONFIDENCE))
    error = factor * deviation * float(np.linalg.norm(_FIT[1])) / step
    return np.where(moves, coefficients[:, 1] / step, 0.0), np.where(moves, error, 0.0)


def sensitivities(
    ball: Ball,
    figures: Sequence[str],
    conditions: Conditions | None = None,
    level: Level = "default",
    mapper: Callable[..., Iterable[Any]] = map,
) -> Slopes:
    """Compute slopes along each layer's diameter, modulus and density, and the cover's friction.

    Parameters
    ----------
    ball : Ball
        The build.
    figures : sequence of str
        Names of the figures, see `layers.figures`.
    conditions : Conditions, optional
        Swings, aerodynamics and air of launch and flight figures; the shipped ones otherwise.
    level : {"default", "fine"}
        Mesh.
    mapper : callable
        ``map`` or an executor's ``map``: the slopes do not depend on it, to the last bit.

    Raises
    ------
    InputError
        If a figure's name is unknown, or names a stage or swing that is not there.
    """
    study = plan(ball, figures)
    balls, names = zip(*study.requests, strict=True)
    exact = (conditions or Conditions()).in_double()
    compute = partial(estimate, conditions=exact, level=level)
    return slopes_from(study, list(mapper(compute, balls, names)))
