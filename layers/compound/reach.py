"""Recipe and cure settings that reach a wanted stiffness, from a response surface."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize

from layers.arrays import FloatArray
from layers.compound.response import Prediction, Surface, Unknown, check_settings, predict
from layers.compound.trials import RESPONSES
from layers.errors import InputError, SolverError

# Grid points along each free setting, by the number of free settings, from which descents start.
_GRID = {1: 41, 2: 15, 3: 9, 4: 7}


@dataclass(frozen=True)
class Reached:
    """Settings that reach a target.

    `within` has, for each free setting, the range over which the target is inside the prediction
    interval with the others fixed: the precision of the setting.
    """

    settings: dict[str, float]
    prediction: Prediction
    within: dict[str, tuple[float, float]]


def reach(
    surface: Surface | Unknown,
    target: float,
    start: Mapping[str, float],
    free: Sequence[str],
    level: float = 0.95,
) -> Reached | Unknown:
    """Find the settings nearest to a start that reach a target, within the trials' ranges.

    Parameters
    ----------
    surface : Surface or Unknown
        Of `layers.compound.response.fit_surface`.
    target : float
        In the unit of the trials' response.
    start : mapping
        One value for each of `layers.compound.trials.SETTINGS`; those not free are fixed.
    free : sequence of str
        Settings that may change; distances are in the trials' half ranges.
    level : float
        Of the intervals.

    Raises
    ------
    InputError
        If a free setting did not vary over the trials, or the target is out of reach; the message
        has the reachable range.
    SolverError
        If the search for the nearest settings fails.
    """
    if isinstance(surface, Unknown):
        return surface
    check_settings(start, level)
    if not free or not set(free) <= set(surface.varied):
        raise InputError(
            f"free settings are {', '.join(free) or 'none'}, but must be among those that varied "
            f"over the trials: {', '.join(surface.varied)}."
        )
    at = surface.coded(start)
    index = [surface.varied.index(name) for name in free]
    at[index] = _nearest(surface, target, at, index)
    settings = dict(start)
    for name, j in zip(free, index, strict=True):
        settings[name] = float(surface.middle[j] + surface.half[j] * at[j])
    prediction = predict(surface, settings, level)
    assert isinstance(prediction, Prediction)  # the surface is known
    within = {n: _within(surface, target, at, j, level) for n, j in zip(free, index, strict=True)}
    return Reached(settings, prediction, within)


def _nearest(surface: Surface, target: float, at: FloatArray, index: list[int]) -> FloatArray:
    """Coded free settings nearest to those of `at` whose mean is the target."""

    def mean(moved: FloatArray) -> FloatArray:
        points = np.repeat(at[None, :], len(moved), axis=0)
        points[:, index] = moved
        return surface.logarithm(points)

    def one(moved: FloatArray) -> float:
        return float(mean(moved[None, :]).item())

    def minus(moved: FloatArray) -> float:
        return -one(moved)

    grid = np.array(
        list(itertools.product(np.linspace(-1.0, 1.0, _GRID[len(index)]), repeat=len(index)))
    )
    values = mean(grid)
    bounds = [(-1.0, 1.0)] * len(index)
    low = float(minimize(one, grid[values.argmin()], bounds=bounds).fun)
    high = -float(minimize(minus, grid[values.argmax()], bounds=bounds).fun)
    if not (target > 0.0 and low - 1e-9 <= np.log(target) <= high + 1e-9):
        unit = RESPONSES[surface.trials.response].unit
        raise InputError(
            f"target {surface.trials.response} is {target:g}, but the free settings reach from "
            f"{np.exp(low):.4g} to {np.exp(high):.4g} {unit} within the trials' ranges."
        )
    wanted, here = float(np.log(target)), at[index]
    off = np.abs(values - wanted) / max(high - low, 1e-12)
    order = np.argsort(off + 0.05 * np.sum((grid - here) ** 2, axis=1))

    def distance(moved: FloatArray) -> float:
        return float(np.sum((moved - here) ** 2))

    def miss(moved: FloatArray) -> float:
        return one(moved) - wanted

    answers = [
        minimize(
            distance,
            grid[n],
            method="SLSQP",
            bounds=bounds,
            constraints=({"type": "eq", "fun": miss},),
            options={"ftol": 1e-12, "maxiter": 200},
        ).x
        for n in order[:4]
    ]
    good = [answer for answer in answers if abs(miss(answer)) < 1e-6]
    if not good:
        raise SolverError(f"no settings were found for {target:g}, though it is within reach.")
    return np.asarray(min(good, key=distance))


def _within(
    surface: Surface, target: float, found: FloatArray, j: int, level: float
) -> tuple[float, float]:
    """Range of setting j around `found` over which the interval contains the target."""

    def slack(x: float) -> float:
        at = found.copy()
        at[j] = x
        (mean,), (half,), _ = surface.interval(at[None, :], level)
        return float(half - abs(mean - np.log(target)))

    ends = []
    for last in (-1.0, 1.0):
        steps = np.linspace(found[j], last, 101)
        outside = next((n for n, x in enumerate(steps) if slack(x) < 0.0), None)
        end = last if outside is None else brentq(slack, steps[outside - 1], steps[outside])
        ends.append(float(surface.middle[j] + surface.half[j] * end))
    return ends[0], ends[1]
