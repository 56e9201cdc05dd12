"""The finite-element model as a function of the parameters, and its derivatives."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import SolverError
from layers.estimates import Estimate
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from optimize.calibration.parameters import Parameter, with_parameters
from optimize.lab.uncertainty import Property

Mapper = Callable[..., Iterable[Any]]


# Steps of the central differences, in the logarithm: above discretisation noise (0.05 %), below
# the curvature of the figures.
_STEP: dict[Property, float] = {
    "youngs_modulus_mpa": 0.04,
    "density_g_cm3": 0.02,
    "dynamic_modulus_ratio": 0.12,
    "relaxation_strength": 0.05,
}


@dataclass(frozen=True)
class Model:
    """The finite-element model of some builds as a function of the parameters.

    Attributes
    ----------
    parameters : tuple of Parameter
        p of them.
    requests : tuple of (Ball, tuple of str)
        Each build with its nominal cards and the names of its figures; m figures in all.
    conditions : Conditions, optional
        Of launch and flight figures.
    mapper : callable
        ``map`` or an executor's ``map``.
    """

    parameters: tuple[Parameter, ...]
    requests: tuple[tuple[Ball, tuple[str, ...]], ...]
    conditions: Conditions | None = None
    mapper: Mapper = map


def _logs(model: Model, requests: Sequence[tuple[Ball, tuple[str, ...]]]) -> list[FloatArray]:
    # Derivatives are differences of figures.
    exact = (model.conditions or Conditions()).in_double()
    compute = partial(estimate, conditions=exact)
    balls = [ball for ball, _ in requests]
    names = [names for _, names in requests]
    return [_log(found) for found in model.mapper(compute, balls, names)]


def _log(found: Estimate) -> FloatArray:
    for name, why in found.failed.items():
        raise SolverError(f"{name} of {found.ball.name} was not computed: {why}")
    values = np.array([figure.value for figure in found.figures.values()])
    for name, figure in found.figures.items():
        if figure.value <= 0.0:
            raise SolverError(
                f"{name} of {found.ball.name} is {figure.value:g}, but must be above 0."
            )
    return np.asarray(np.log(values))


def predict(model: Model, theta: FloatArray) -> FloatArray:
    """Return the logarithms of all figures, (m,), with the parameters shifted by theta (p,).

    Raises
    ------
    SolverError
        If a figure cannot be computed.
    """
    moved = [(with_parameters(b, model.parameters, theta), names) for b, names in model.requests]
    return np.concatenate(_logs(model, moved))


def jacobian(model: Model, theta: FloatArray) -> FloatArray:
    """Return the derivatives of `predict`, (m, p), by central differences.

    A figure is computed only where it can depend on the parameter: on layers within its stage;
    closed forms on densities only, compression on moduli only.

    Raises
    ------
    SolverError
        If a figure cannot be computed.
    """
    first = np.cumsum([0] + [len(names) for _, names in model.requests])
    result = np.zeros((first[-1], len(model.parameters)))
    requests, places = [], []
    for (ball, names), start in zip(model.requests, first[:-1], strict=True):
        for j, parameter in enumerate(model.parameters):
            moved = [i for i, name in enumerate(names) if depends(ball, name, parameter)]
            if moved:
                wanted = tuple(names[i] for i in moved)
                for sign in (-1.0, 1.0):
                    at = theta.copy()
                    at[j] += sign * _STEP[parameter.number]
                    requests.append((with_parameters(ball, model.parameters, at), wanted))
                    places.append((start + np.array(moved), j, sign))
    for logs, (rows, j, sign) in zip(_logs(model, requests), places, strict=True):
        result[rows, j] += sign * logs / (2.0 * _STEP[model.parameters[j].number])
    return result


def depends(ball: Ball, name: str, parameter: Parameter) -> bool:
    """Whether a figure of a build can depend on a parameter.

    Parameters
    ----------
    ball : Ball
        The build.
    name : str
        The figure.
    parameter : Parameter
        The number of a card.
    """
    parsed = parse_figure(name)
    inside = ball.layer[: parsed.stage or len(ball.layer)]
    if not any(parameter.belongs_to(layer.material) for layer in inside):
        return False
    if parsed.quantity == "diameter_mm":
        return False
    if QUANTITIES[parsed.quantity].basis == "closed form":
        return parameter.number == "density_g_cm3"
    if parsed.quantity == "deflection_mm":
        return parameter.number == "youngs_modulus_mpa"
    return True
