"""What drives what: how every figure of a build answers to each layer's size and material.

Each freedom is moved by one, two and three steps either way, the others held, and a cubic is fitted
to the seven points: it bends with the curve and averages the solvers' noise. What the cubics leave,
over all layers alike, is that noise and any higher bend, and gives each slope its error.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
from scipy.special import stdtrit

from layers.arrays import FloatArray, Level
from layers.ball import THINNEST_LAYER_MM, Ball, Layer
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import QUANTITIES, Estimate, parse_figure
from layers.materials import numeric_fields

Kind = Literal["outer_diameter_mm", "youngs_modulus_mpa", "density_g_cm3", "friction"]


@dataclass(frozen=True)
class Way:
    """How a kind of freedom is moved and reported.

    Attributes
    ----------
    label : str
        What it is called.
    step : float
        Distance between the samples: mm, of the natural logarithm of the modulus, g/cm3, 1.
        Measured on three builds with ten figures: half of it, and the ripple of the solvers spans
        several samples, so that the error is told too small in every fourth case.
    practical : float
        The change that a laboratory makes, in the same measure.
    practical_words : str
        The same in words.
    """

    label: str
    step: float
    practical: float
    practical_words: str


WAYS: dict[Kind, Way] = {
    "outer_diameter_mm": Way("outer diameter", 0.1, 0.1, "+0.1 mm"),
    "youngs_modulus_mpa": Way("modulus", 0.02, math.log(1.1), "+10 %"),
    "density_g_cm3": Way("density", 0.01, 0.01, "+0.01 g/cm³"),
    "friction": Way("friction", 0.02, 0.05, "+0.05"),
}

_OFFSETS = (-3, -2, -1, 1, 2, 3)
_MOST = _OFFSETS[-1]
# All the moves of a diameter take at most this share of the thinner layer beside it.
_MOST_OF_A_LAYER = 0.25
# A freedom with less room than this share of its step to the end of its range is not moved.
_LEAST_STEP = 0.1
# Errors are two-sided at this level, by Student's distribution.
_CONFIDENCE = 0.95

# A cubic's coefficients from the seven points, by least squares.
_POWERS = np.arange(-_MOST, _MOST + 1)[:, None] ** np.arange(4.0)
_FIT = np.linalg.pinv(_POWERS)


@dataclass(frozen=True)
class Freedom:
    """One number of the build that can be moved.

    Attributes
    ----------
    layer : int
        Index of its layer, 0 innermost.
    kind : str
        A key of `WAYS`.
    step : float
        Distance between the samples, in the measure of `Way.step`.
    """

    layer: int
    kind: Kind
    step: float


@dataclass(frozen=True)
class Driver:
    """How one figure answers to one freedom.

    Attributes
    ----------
    slope, slope_error : float
        Derivative in the figure's unit per mm, per unit of ln(modulus), per g/cm3 or per unit of
        friction, and the half width of what bend and noise leave open.
    change, change_error : float
        The same for the step that a laboratory makes (`Way.practical`), in the figure's unit.
    """

    slope: float
    slope_error: float
    change: float
    change_error: float

    @property
    def resolved(self) -> bool:
        """Whether the slope is larger than its own error, so that its sign is known."""
        return abs(self.slope) > self.slope_error


@dataclass(frozen=True)
class Drivers:
    """All slopes of one build.

    Attributes
    ----------
    estimate : Estimate
        The figures of the build itself.
    freedoms : tuple of Freedom
        What was moved.
    drivers : dict of (str, Freedom) to Driver
        By figure and freedom.
    failed : dict of (str, Freedom) to str
        Why a slope is not known. A freedom that a figure cannot depend on stands in neither.
    """

    estimate: Estimate
    freedoms: tuple[Freedom, ...]
    drivers: Mapping[tuple[str, Freedom], Driver]
    failed: Mapping[tuple[str, Freedom], str]


@dataclass(frozen=True)
class Study:
    """The builds that have to be estimated for the slopes of one.

    Attributes
    ----------
    figures : tuple of str
        Whose slopes are wanted.
    freedoms : tuple of Freedom
        What is moved.
    requests : tuple of (Ball, tuple of str)
        The build itself and its six neighbours along each freedom, with the figures wanted of
        each.
    """

    figures: tuple[str, ...]
    freedoms: tuple[Freedom, ...]
    requests: tuple[tuple[Ball, tuple[str, ...]], ...]


def plan(ball: Ball, figures: Sequence[str]) -> Study:
    """Lay out the neighbours of a build.

    Parameters
    ----------
    ball : Ball
        The build.
    figures : sequence of str
        Names of the figures whose slopes are wanted.

    Raises
    ------
    InputError
        If a figure's name is unknown.
    """
    names = tuple(dict.fromkeys(figures))
    if not names:
        raise InputError("figures are empty, but at least one must be named.")
    struck = tuple(n for n in names if QUANTITIES[parse_figure(n).quantity].of != "body")
    asked = {kind: struck if kind == "friction" else names for kind in WAYS}
    outermost = len(ball.layer) - 1
    freedoms = tuple(
        Freedom(layer, kind, _step(ball, layer, kind))
        for kind in WAYS
        for layer in range(outermost + 1)
        if asked[kind] and (kind != "friction" or layer == outermost)
    )
    requests: list[tuple[Ball, tuple[str, ...]]] = [(ball, names)]
    for freedom in freedoms:
        if freedom.step > 0.0:
            requests += [
                (moved(ball, freedom, offset * freedom.step), asked[freedom.kind])
                for offset in _OFFSETS
            ]
    return Study(names, freedoms, tuple(requests))


def _number(ball: Ball, layer: int, kind: Kind) -> float:
    part = ball.layer[layer]
    if kind == "outer_diameter_mm":
        return part.outer_diameter_mm
    return float(getattr(part.material, kind).value)


def _step(ball: Ball, layer: int, kind: Kind) -> float:
    """Distance between samples that keeps all of them in range; 0 if there is no room."""
    usual, now = WAYS[kind].step, _number(ball, layer, kind)
    if kind == "outer_diameter_mm":
        bounds = [0.0] + [part.outer_diameter_mm for part in ball.layer]
        thin = float(np.diff(bounds)[layer : layer + 2].min()) / 2.0
        # A move of the diameter takes half of it off a thickness.
        room = 2.0 * min(_MOST_OF_A_LAYER * thin, thin - THINNEST_LAYER_MM)
        least, most = Layer.model_fields[kind].metadata
        room = min(room, now - least.ge, most.le - now)
    else:
        low, high = numeric_fields()[kind]
        if kind == "youngs_modulus_mpa":
            room = min(math.log(now / low), math.log(high / now))
        else:
            room = min(now - low, high - now)
    # A hair less, so that rounding puts no sample out of range.
    step = min(usual, room / _MOST * (1.0 - 1e-9))
    return step if step >= _LEAST_STEP * usual else 0.0


def moved(ball: Ball, freedom: Freedom, by: float) -> Ball:
    """Move one number of a build, the others held.

    Parameters
    ----------
    ball : Ball
        The build.
    freedom : Freedom
        What to move. A diameter moves one interface: the layer outside gives way, or, at the
        outermost, the ball grows.
    by : float
        How far, in the measure of `Way.step`; a modulus is multiplied by exp(by).
    """
    now = _number(ball, freedom.layer, freedom.kind)
    value = now * math.exp(by) if freedom.kind == "youngs_modulus_mpa" else now + by
    layers = [dict(part) for part in ball.layer]
    part = layers[freedom.layer]
    if freedom.kind == "outer_diameter_mm":
        part["outer_diameter_mm"] = value
    else:
        card = part["material"]
        part["material"] = card.with_values("moved for a slope", **{freedom.kind: value})
    return Ball.model_validate({**dict(ball), "layer": layers})


def read_off(study: Study, estimates: Sequence[Estimate]) -> Drivers:
    """Read the slopes off the estimates of a study's requests.

    Parameters
    ----------
    study : Study
        From `plan`.
    estimates : sequence of Estimate
        Of its requests, in their order.
    """
    base, *others = estimates
    around = iter(others)
    sampled = {
        freedom: [next(around) for _ in _OFFSETS] if freedom.step > 0.0 else []
        for freedom in study.freedoms
    }
    drivers: dict[tuple[str, Freedom], Driver] = {}
    failed: dict[tuple[str, Freedom], str] = {}
    for name in study.figures:
        points: dict[Freedom, FloatArray] = {}
        for freedom, near in sampled.items():
            if freedom.kind == "friction" and QUANTITIES[parse_figure(name).quantity].of == "body":
                continue
            why = _trouble(name, freedom, base, near)
            if why:
                failed[name, freedom] = why
            else:
                seven = [*near[:_MOST], base, *near[_MOST:]]
                points[freedom] = np.array([e.figures[name].value for e in seven])
        for kind in WAYS:
            alike = [freedom for freedom in points if freedom.kind == kind]
            slopes, errors = slopes_of(
                np.array([points[f] for f in alike]).reshape(-1, len(_POWERS)),
                np.array([f.step for f in alike]),
            )
            for freedom, slope, error in zip(alike, slopes, errors, strict=True):
                change = WAYS[kind].practical
                drivers[name, freedom] = Driver(
                    float(slope), float(error), float(slope * change), float(error * change)
                )
    return Drivers(base, study.freedoms, drivers, failed)


def _trouble(name: str, freedom: Freedom, base: Estimate, near: Sequence[Estimate]) -> str:
    if not near:
        return "the number stands at the end of its range, or the layer is too thin to move it"
    return next((e.failed[name] for e in (base, *near) if name in e.failed), "")


def slopes_of(values: FloatArray, step: FloatArray) -> tuple[FloatArray, FloatArray]:
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
    >>> slope, error = slopes_of(np.array([[27.0, 8.0, 1.0, 0.0, 1.0, 8.0, 27.0]]), np.array([0.1]))
    >>> abs(float(slope[0])) < float(error[0])
    True
    """
    away = values - values[:, _MOST : _MOST + 1]
    moves = np.any(away != 0.0, axis=1)
    coefficients = away @ _FIT.T
    left = (away - coefficients @ _POWERS.T)[moves]
    freedom = (len(_POWERS) - _POWERS.shape[1]) * len(left)
    if not freedom:
        return np.zeros(len(values)), np.zeros(len(values))
    deviation = math.sqrt(float(np.sum(left**2)) / freedom)
    factor = float(stdtrit(freedom, 0.5 + 0.5 * _CONFIDENCE))
    error = factor * deviation * float(np.linalg.norm(_FIT[1])) / step
    return np.where(moves, coefficients[:, 1] / step, 0.0), np.where(moves, error, 0.0)


def sensitivities(
    ball: Ball,
    figures: Sequence[str],
    conditions: Conditions | None = None,
    level: Level = "default",
    mapper: Callable[..., Iterable[Any]] = map,
) -> Drivers:
    """Take slopes along each layer's diameter, modulus and density, and the cover's friction.

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
    compute = partial(estimate, conditions=conditions, level=level)
    return read_off(study, list(mapper(compute, balls, names)))
