"""Numbers of material cards that measurements can correct, and how figures answer to them."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import SolverError
from layers.estimation import estimate
from layers.figures import QUANTITIES, Estimate, parse_figure
from layers.materials import Grade, Material, numeric_fields
from optimize.lab.uncertainty import PROPERTIES, Property, lab_data

Mapper = Callable[..., Iterable[Any]]

# Central differences over this much either way, in the logarithm: wide enough that the solvers'
# noise (0.05 %) does not show, narrow enough that a figure's bend does not.
_STEP: dict[Property, float] = {
    "youngs_modulus_mpa": 0.04,
    "density_g_cm3": 0.02,
    "dynamic_modulus_ratio": 0.12,
    "relaxation_strength": 0.05,
}

_STRONGEST_RELAXATION = 5.0


@dataclass(frozen=True)
class Parameter:
    """One number of a card that is not known exactly.

    Cards of one name and one nominal number share it; another nominal number, say another recipe of
    the compound, is a parameter of its own.

    Attributes
    ----------
    material, number : str
        Name of the card and which of its numbers.
    nominal : float
        What the card says; for the relaxation, the sum of its strengths.
    prior_sd : float
        Standard deviation of the logarithm before measurements, by the card's grade; for dynamic
        stiffening of the logarithm of what it has above 1.
    """

    material: str
    number: Property
    nominal: float
    prior_sd: float

    def value(self, theta: float) -> float:
        """Return the number when its logarithm is moved by theta, within the card's range."""
        if self.number == "dynamic_modulus_ratio":
            moved = 1.0 + (self.nominal - 1.0) * float(np.exp(theta))
        else:
            moved = self.nominal * float(np.exp(theta))
        if self.number == "relaxation_strength":
            return moved
        low, high = numeric_fields()[self.number]
        return min(max(moved, low), high)

    def belongs_to(self, card: Material) -> bool:
        """Whether this is a number of the card."""
        return (
            card.name == self.material
            and abs(nominal(card, self.number) - self.nominal) <= 1e-9 * self.nominal
        )


def nominal(card: Material, number: Property) -> float:
    """Return what a card says of a property."""
    if number == "relaxation_strength":
        return sum(pair.strength for pair in card.relaxation)
    return float(getattr(card, number).value)


def _grade(card: Material, number: Property) -> Grade:
    if number == "relaxation_strength":
        return card.relaxation_grade
    grade: Grade = getattr(card, number).grade
    return grade


def parameters_of(balls: Sequence[Ball]) -> tuple[Parameter, ...]:
    """List the parameters of all cards of some builds, each once.

    A dynamic stiffening of exactly 1 and an empty relaxation mean 'none known' and stay as they
    are. Where cards of one number differ in grade, the lower grade counts.

    Parameters
    ----------
    balls : sequence of Ball
        The builds.
    """
    found: dict[tuple[str, Property, float], float] = {}
    for ball in balls:
        for card in (layer.material for layer in ball.layer):
            for name in PROPERTIES:
                value = nominal(card, name)
                if (name == "dynamic_modulus_ratio" and value <= 1.0) or value <= 0.0:
                    continue
                sd = lab_data().prior[name][_grade(card, name)] / 100.0
                key = (card.name, name, value)
                found[key] = max(sd, found.get(key, 0.0))
    return tuple(Parameter(*key, sd) for key, sd in found.items())


def with_parameters(
    ball: Ball,
    parameters: Sequence[Parameter],
    theta: FloatArray,
    source: str = "varied",
    grades: Sequence[Grade | None] | None = None,
) -> Ball:
    """Return a build whose cards have their parameters moved.

    Parameters
    ----------
    ball : Ball
        The build with its nominal cards.
    parameters : sequence of Parameter
        Those that do not belong to its cards are passed over.
    theta : (p,) array
        By how much, see `Parameter.value`.
    source : str
        Written beside each number that was moved.
    grades : sequence of Grade or None, optional
        The new grade of each number; None keeps the old one.
    """
    chosen = list(zip(parameters, theta, grades or [None] * len(parameters), strict=True))
    layers = []
    for layer in ball.layer:
        mine = [c for c in chosen if c[0].belongs_to(layer.material)]
        card = layer.material.model_dump()
        for parameter, moved, grade in mine:
            _move(card, parameter, float(moved), source, grade)
        changed = Material.model_validate(card) if mine else layer.material
        layers.append(layer.model_copy(update={"material": changed}))
    return ball.model_copy(update={"layer": tuple(layers)})


def _move(
    card: dict[str, Any], parameter: Parameter, theta: float, source: str, grade: Grade | None
) -> None:
    value = parameter.value(theta)
    if parameter.number == "relaxation_strength":
        factor = value / parameter.nominal
        for pair in card["relaxation"]:
            pair["strength"] = min(pair["strength"] * factor, _STRONGEST_RELAXATION)
        card["relaxation_source"] = source
        card["relaxation_grade"] = grade or card["relaxation_grade"]
    else:
        old = card[parameter.number]
        card[parameter.number] = {
            "value": value,
            "source": source,
            "grade": grade or old["grade"],
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
    compute = partial(estimate, conditions=model.conditions)
    balls = [ball for ball, _ in requests]
    names = [names for _, names in requests]
    return [_log(found) for found in model.mapper(compute, balls, names)]


def _log(found: Estimate) -> FloatArray:
    for name, why in found.failed.items():
        raise SolverError(f"{name} of {found.ball.name} was not computed: {why}")
    values = np.array([figure.value for figure in found.figures.values()])
    for name, figure in found.figures.items():
        if figure.value <= 0.0:
            raise SolverError(f"{name} of {found.ball.name} came out as {figure.value:g}.")
    return np.asarray(np.log(values))


def predict(model: Model, theta: FloatArray) -> FloatArray:
    """Return the logarithms of all figures, (m,), with the parameters moved by theta (p,).

    Raises
    ------
    SolverError
        If a figure cannot be computed.
    """
    moved = [(with_parameters(b, model.parameters, theta), names) for b, names in model.requests]
    return np.concatenate(_logs(model, moved))


def jacobian(model: Model, theta: FloatArray) -> FloatArray:
    """Return the derivatives of `predict`, (m, p), by central differences.

    A figure is computed only where it can depend on the parameter: on layers within its stage,
    closed forms on densities alone, compression on moduli alone.

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
                asked = tuple(names[i] for i in moved)
                for sign in (-1.0, 1.0):
                    at = theta.copy()
                    at[j] += sign * _STEP[parameter.number]
                    requests.append((with_parameters(ball, model.parameters, at), asked))
                    places.append((start + np.array(moved), j, sign))
    for logs, (rows, j, sign) in zip(_logs(model, requests), places, strict=True):
        result[rows, j] += sign * logs / (2.0 * _STEP[model.parameters[j].number])
    return result


def depends(ball: Ball, name: str, parameter: Parameter) -> bool:
    """Whether a figure of a build can depend on a parameter."""
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
