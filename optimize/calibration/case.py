"""Measurements and the model of the same builds, as arrays."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.figures import parse_figure
from optimize.calibration.inference import Problem
from optimize.calibration.model import Mapper, Model
from optimize.calibration.parameters import parameters_of
from optimize.calibration.result import (
    key_of,
)
from optimize.lab.readings import Group, Measurements, as_made, pooled_noise
from optimize.lab.uncertainty import Measurable, lab_data


@dataclass(frozen=True)
class Case:
    """Measurements and the model of the same builds.

    Attributes
    ----------
    balls : tuple of Ball
        The builds that were measured, with their measured diameters.
    groups : tuple of Group
        m means, ordered by build.
    model : Model
        Predicts the m figures.
    problem : Problem
        The same as arrays.
    keys : tuple of str
        k discrepancies.
    noise : dict of str to float
        Relative deviation of a single reading, by quantity.
    """

    balls: tuple[Ball, ...]
    groups: tuple[Group, ...]
    model: Model
    problem: Problem
    keys: tuple[str, ...]
    noise: dict[str, float]


def case_of(
    balls: Sequence[Ball],
    measurements: Measurements,
    conditions: Conditions | None = None,
    mapper: Mapper = map,
) -> Case:
    """Match measurements with the model of their builds.

    Diameters are not fitted: a build is computed with its measured diameters.

    Parameters
    ----------
    balls, measurements, conditions, mapper
        As for `optimize.calibration.calibrate.calibrate`.

    Raises
    ------
    InputError
        If only diameters were measured, or a measured build is not given.
    """
    unknown = {r.build for r in measurements.reading} - {ball.name for ball in balls}
    if unknown:
        raise InputError(f"build {min(unknown)!r} was measured, but is not among those given.")
    by_build: dict[str, list[Group]] = {ball.name: [] for ball in balls}
    for group in measurements.groups():
        if parse_figure(group.figure).quantity != "diameter_mm":
            by_build[group.build].append(group)
    groups = tuple(group for own in by_build.values() for group in own)
    if not groups:
        raise InputError("only diameters were measured; a calibration needs another figure.")
    made = tuple(as_made(ball, measurements) for ball in balls if by_build[ball.name])
    requests = tuple((ball, tuple(g.figure for g in by_build[ball.name])) for ball in made)
    model = Model(parameters_of(made), requests, conditions, mapper)
    keys = tuple(dict.fromkeys(key_of(parse_figure(g.figure)) for g in groups))
    noise = pooled_noise(groups)
    return Case(made, groups, model, _problem(groups, model, keys, noise), keys, noise)


def _problem(
    groups: Sequence[Group], model: Model, keys: Sequence[str], noise: dict[str, float]
) -> Problem:
    measured = [_measurable(key) for key in keys]
    return Problem(
        observed=np.array([np.log(g.values).mean() for g in groups]),
        noise_variance=np.array([_noise_variance(g, noise) for g in groups]),
        key=np.array([keys.index(key_of(parse_figure(g.figure))) for g in groups]),
        parameter_sd=np.array([p.prior_sd for p in model.parameters]),
        bias_sd=np.array([m.bias_percent / 100.0 for m in measured]),
        scatter_sd=np.array([m.scatter_percent / 100.0 for m in measured]),
    )


def _measurable(key: str) -> Measurable:
    return lab_data().figure[key.rpartition(".")[2]]


def _noise_variance(group: Group, noise: dict[str, float]) -> float:
    """Variance of the logarithm of a mean: replicates average, the instrument's floor does not."""
    quantity = parse_figure(group.figure).quantity
    floor = lab_data().figure[quantity].floor_percent / 100.0
    return noise[quantity] ** 2 / len(group.reading) + floor**2
