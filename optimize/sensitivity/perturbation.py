"""The builds around one: one number of one layer moved at a time, the others held."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from layers.ball import THINNEST_LAYER_MM, Ball, Layer
from layers.errors import InputError
from layers.figures import QUANTITIES, canonical, parse_figure
from layers.graded.profile import STEEPEST
from layers.materials import numeric_fields

Kind = Literal[
    "outer_diameter_mm",
    "youngs_modulus_mpa",
    "surface_over_centre",
    "shape",
    "density_g_cm3",
    "friction",
]
# Measured by their logarithms.
_BY_RATIO = ("youngs_modulus_mpa", "surface_over_centre", "shape")
_OF_PROFILE = ("surface_over_centre", "shape")


@dataclass(frozen=True)
class Perturbation:
    """How one kind of design variable is moved and reported.

    Attributes
    ----------
    label : str
        Its name on screens.
    step : float
        Distance between the samples: mm, of the natural logarithm of the modulus, g/cm3, 1.
        Measured on three builds with ten figures: with half of it, discretisation noise spans
        several samples, and one error in four is too small.
    practical : float
        The change that a laboratory makes, in the same measure.
    practical_text : str
        The same as text.
    """

    label: str
    step: float
    practical: float
    practical_text: str


PERTURBATIONS: dict[Kind, Perturbation] = {
    "outer_diameter_mm": Perturbation("outer diameter", 0.1, 0.1, "+0.1 mm"),
    "youngs_modulus_mpa": Perturbation("modulus", 0.02, math.log(1.1), "+10 %"),
    "surface_over_centre": Perturbation("surface over centre", 0.04, math.log(1.1), "+10 %"),
    "shape": Perturbation("profile shape", 0.04, math.log(1.1), "+10 %"),
    "density_g_cm3": Perturbation("density", 0.01, 0.01, "+0.01 g/cm³"),
    "friction": Perturbation("friction", 0.02, 0.05, "+0.05"),
}

_RANGES: dict[Kind, tuple[float, float]] = {
    "surface_over_centre": (1.0 / STEEPEST, STEEPEST),
    "shape": (0.1, 20.0),
}
OFFSETS = (-3, -2, -1, 1, 2, 3)
# All the moves of a diameter take at most this share of the thinner layer beside it.
_MOST_OF_A_LAYER = 0.25
# A variable with less room than this share of its step to the end of its range is not moved.
_LEAST_STEP = 0.1


@dataclass(frozen=True)
class DesignVariable:
    """One number of the build that can be moved.

    Attributes
    ----------
    layer : int
        Index of its layer, 0 innermost.
    kind : str
        A key of `PERTURBATIONS`.
    step : float
        Distance between the samples, in the measure of `Perturbation.step`; 0 without room.
    """

    layer: int
    kind: Kind
    step: float


@dataclass(frozen=True)
class Study:
    """The builds to estimate for the slopes of one.

    Attributes
    ----------
    figures : tuple of str
        Figures whose slopes are wanted.
    variables : tuple of DesignVariable
        What is moved.
    requests : tuple of (Ball, tuple of str)
        The build itself and its six neighbours along each variable, with the figures wanted of
        each.
    """

    figures: tuple[str, ...]
    variables: tuple[DesignVariable, ...]
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
    names = tuple(canonical(figures))
    if not names:
        raise InputError("figures are empty, but at least one must be named.")
    strike_names = tuple(name for name in names if not of_body(name))
    names_by_kind = {kind: strike_names if kind == "friction" else names for kind in PERTURBATIONS}
    outermost = len(ball.layer) - 1
    variables = tuple(
        DesignVariable(layer, kind, _step(ball, layer, kind))
        for kind in PERTURBATIONS
        for layer in range(outermost + 1)
        if names_by_kind[kind]
        and (kind != "friction" or layer == outermost)
        and _has(ball.layer[layer], kind)
    )
    requests: list[tuple[Ball, tuple[str, ...]]] = [(ball, names)]
    for variable in variables:
        if variable.step > 0.0:
            requests += [
                (perturbed(ball, variable, offset * variable.step), names_by_kind[variable.kind])
                for offset in OFFSETS
            ]
    return Study(names, variables, tuple(requests))


def _has(layer: Layer, kind: Kind) -> bool:
    """Whether a layer has this number: an even one no profile, one of knots no shape."""
    profile = layer.profile
    return kind not in _OF_PROFILE or (
        profile is not None and (kind == "surface_over_centre" or not profile.relative_knots)
    )


def of_body(name: str) -> bool:
    """Whether a figure is the ball's own: no strike, so that friction cannot matter."""
    return QUANTITIES[parse_figure(name).quantity].of == "body"


def _number(ball: Ball, layer: int, kind: Kind) -> float:
    part = ball.layer[layer]
    if kind == "outer_diameter_mm":
        return part.outer_diameter_mm
    if kind in _OF_PROFILE and part.profile is not None:
        return part.profile.shape if kind == "shape" else part.profile.contrast
    return float(getattr(part.material, kind).value)


def _step(ball: Ball, layer: int, kind: Kind) -> float:
    """Distance between samples that keeps all of them in range; 0 if there is no room."""
    usual, now = PERTURBATIONS[kind].step, _number(ball, layer, kind)
    if kind == "outer_diameter_mm":
        bounds = [0.0] + [part.outer_diameter_mm for part in ball.layer]
        thin = float(np.diff(bounds)[layer : layer + 2].min()) / 2.0
        # A move of the diameter takes half of it off a thickness.
        room = 2.0 * min(_MOST_OF_A_LAYER * thin, thin - THINNEST_LAYER_MM)
        least, most = Layer.model_fields[kind].metadata
        room = min(room, now - least.ge, most.le - now)
    else:
        low, high = _RANGES[kind] if kind in _RANGES else numeric_fields()[kind]
        if kind in _BY_RATIO:
            room = min(math.log(now / low), math.log(high / now))
        else:
            room = min(now - low, high - now)
    # A hair less, so that rounding puts no sample out of range.
    step = min(usual, room / OFFSETS[-1] * (1.0 - 1e-9))
    return step if step >= _LEAST_STEP * usual else 0.0


def perturbed(ball: Ball, variable: DesignVariable, by: float) -> Ball:
    """Move one number of a build, the others held.

    Parameters
    ----------
    ball : Ball
        The build.
    variable : DesignVariable
        What to move. A diameter moves one interface: the layer outside gives way, or, at the
        outermost, the ball grows.
    by : float
        How far, in the measure of `Perturbation.step`; a modulus, and what a profile has, is
        multiplied by exp(by).
    """
    now = _number(ball, variable.layer, variable.kind)
    value = now * math.exp(by) if variable.kind in _BY_RATIO else now + by
    layers = [dict(part) for part in ball.layer]
    part = layers[variable.layer]
    if variable.kind == "outer_diameter_mm":
        part["outer_diameter_mm"] = value
    elif variable.kind == "surface_over_centre":
        part["profile"] = part["profile"].steepened(by)
    elif variable.kind == "shape":
        part["profile"] = part["profile"].model_copy(update={"shape": value})
    else:
        card = part["material"]
        part["material"] = card.with_values("moved for a slope", **{variable.kind: value})
    return Ball.model_validate({**dict(ball), "layer": layers})
