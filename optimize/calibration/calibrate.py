"""Calibration: the lab's measurements correct the cards of materials and the model's own error."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import MODEL_VERSION
from layers.figures import QUANTITIES, parse_figure
from optimize.calibration.calibrated import (
    WIDTH,
    Calibrated,
    Calibration,
    Discrepancy,
    Domain,
    Observation,
    key_of,
)
from optimize.calibration.inference import Posterior, Predict, Problem, fit, leave_out
from optimize.calibration.parameters import Mapper, Model, jacobian, parameters_of, predict
from optimize.lab.readings import Group, Measurements, as_made, outliers, pooled_noise
from optimize.lab.uncertainty import Measurable, lab_data

# A mean further from the model than this many standard deviations of everything that is not known
# beforehand is taken for an error of the pen or the unit.
_BEYOND_BELIEF = 6.0

# A mean that stands so many deviations from what the other builds predict is pointed out.
_ODD = 3.5


@dataclass(frozen=True)
class Case:
    """Measurements set against the model.

    Attributes
    ----------
    balls : tuple of Ball
        The builds that were measured, with the diameters they were made to.
    groups : tuple of Group
        m means, ordered by build.
    model : Model
        Gives the m figures.
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
    """Set measurements against the model of the builds; see `calibrate`.

    Diameters are not fitted: a build is computed with the diameters it was measured to have.

    Raises
    ------
    InputError
        If nothing but diameters was measured, or a build that was measured is not given.
    """
    unknown = {r.build for r in measurements.reading} - {ball.name for ball in balls}
    if unknown:
        raise InputError(f"build {min(unknown)!r} was measured, but is not among those given.")
    every = [g for g in measurements.groups() if parse_figure(g.figure).quantity != "diameter_mm"]
    if not every:
        raise InputError("only diameters were measured; a calibration needs another figure.")
    made = tuple(
        as_made(ball, measurements) for ball in balls if any(g.build == ball.name for g in every)
    )
    groups = tuple(g for ball in made for g in every if g.build == ball.name)
    requests = tuple(
        (ball, tuple(g.figure for g in groups if g.build == ball.name)) for ball in made
    )
    keys = tuple(dict.fromkeys(key_of(parse_figure(g.figure)) for g in groups))
    noise = pooled_noise(groups)
    model = Model(parameters_of(made), requests, conditions, mapper)
    measured = [_measurable(key) for key in keys]
    problem = Problem(
        observed=np.array([np.log(g.values).mean() for g in groups]),
        noise_variance=np.array([_noise_variance(g, noise) for g in groups]),
        key=np.array([keys.index(key_of(parse_figure(g.figure))) for g in groups]),
        parameter_sd=np.array([p.prior_sd for p in model.parameters]),
        bias_sd=np.array([m.bias_percent / 100.0 for m in measured]),
        scatter_sd=np.array([m.scatter_percent / 100.0 for m in measured]),
    )
    return Case(made, groups, model, problem, keys, noise)


def _measurable(key: str) -> Measurable:
    return lab_data().figure[key.rpartition(".")[2]]


def _noise_variance(group: Group, noise: dict[str, float]) -> float:
    """Variance of the logarithm of a mean: repeats average, the instrument's floor does not."""
    quantity = parse_figure(group.figure).quantity
    floor = lab_data().figure[quantity].floor_percent / 100.0
    return noise[quantity] ** 2 / len(group.reading) + floor**2


def calibrate(
    balls: Sequence[Ball],
    measurements: Measurements,
    conditions: Conditions | None = None,
    mapper: Mapper = map,
) -> Calibration:
    """Update cards and model by measurements.

    Parameters
    ----------
    balls : sequence of Ball
        The builds as drawn, with their nominal cards.
    measurements : Measurements
        Of those builds. Outliers are pointed out but kept; see `optimize.lab.readings.outliers`.
    conditions : Conditions, optional
        Of launch and flight figures.
    mapper : callable
        ``map`` or an executor's ``map``.

    Raises
    ------
    InputError
        If the measurements do not fit the builds, or one is beyond belief.
    SolverError
        If the model breaks down.
    """
    case = case_of(balls, measurements, conditions, mapper)
    return concluded(
        case, measurements, lambda x: predict(case.model, x), lambda x: jacobian(case.model, x)
    )


def concluded(
    case: Case, measurements: Measurements, predicted: Predict, slopes: Predict
) -> Calibration:
    """Find the posterior of a case and write it down.

    Parameters
    ----------
    case : Case
        From `case_of`.
    measurements : Measurements
        Those of the case.
    predicted, slopes : callable
        The model and its derivatives over the parameters; see `optimize.calibration.inference.fit`.
    """
    start = np.zeros(len(case.model.parameters))
    before, first = predicted(start), slopes(start)
    _check_belief(case, before, first)

    def slopes_once(theta: FloatArray) -> FloatArray:
        return slopes(theta) if theta.any() else first

    found = fit(case.problem, predicted, slopes_once)
    observations, odd = _observations(case, found, before)
    flagged = tuple(f"outlier? {o.sentence}" for o in outliers(measurements))
    alone = "one build was measured: what is left out is predicted by the cards alone"
    sd = np.sqrt(np.diag(found.covariance))
    return Calibration(
        source=measurements.source,
        model_version=MODEL_VERSION,
        parameter=tuple(
            Calibrated(p.material, p.number, p.nominal, p.prior_sd, float(t), float(s))
            for p, t, s in zip(case.model.parameters, found.theta, sd, strict=False)
        ),
        discrepancy=tuple(
            _discrepancy(case, found, k, float(sd[len(start) + k])) for k in range(len(case.keys))
        ),
        covariance=tuple(tuple(float(v) for v in row) for row in found.covariance),
        domain=_domains(case),
        observation=observations,
        note=(*measurements.note, *flagged, *odd, *((alone,) if len(case.balls) == 1 else ())),
    )


def _check_belief(case: Case, before: FloatArray, slopes: FloatArray) -> None:
    problem = case.problem
    variance = np.sum((slopes * problem.parameter_sd) ** 2, axis=1) + problem.noise_variance
    variance += (problem.bias_sd**2 + problem.scatter_sd**2)[problem.key]
    away = problem.observed - before
    for group, off, sd in zip(case.groups, away, np.sqrt(variance), strict=True):
        if abs(off) > _BEYOND_BELIEF * sd:
            raise InputError(
                f"{group.reading[0].place}: {group.figure} of {group.build} is "
                f"{np.exp(np.log(group.values).mean()):.4g}, but the model gives "
                f"{np.exp(np.log(group.values).mean() - off):.4g} give or take "
                f"{100.0 * WIDTH * sd:.0f} %: check reading and unit, or the build's card. Nothing "
                "was calibrated."
            )


def _discrepancy(case: Case, found: Posterior, k: int, sd: float) -> Discrepancy:
    key = case.keys[k]
    mine = [g for g, own in zip(case.groups, case.problem.key, strict=True) if own == k]
    at = np.array([parse_figure(g.figure).condition for g in mine])
    return Discrepancy(
        key=key,
        bias=float(found.bias[k]),
        sd=sd,
        prior_sd=float(case.problem.bias_sd[k]),
        scatter=float(found.scatter[k]),
        noise=case.noise[key.rpartition(".")[2]],
        readings=sum(len(g.reading) for g in mine),
        builds=len({g.build for g in mine}),
        condition_low=tuple(float(v) for v in at.min(axis=0)),
        condition_high=tuple(float(v) for v in at.max(axis=0)),
    )


def _domains(case: Case) -> tuple[Domain, ...]:
    """Collect the sizes in which each material lay in bodies of which a figure was measured."""
    sizes: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for group in case.groups:
        ball = next(b for b in case.balls if b.name == group.build)
        parsed = parse_figure(group.figure)
        inner = 0.0
        for layer in ball.layer[: parsed.stage or len(ball.layer)]:
            outer = layer.outer_diameter_mm
            held = sizes.setdefault((key_of(parsed), layer.material.name), [])
            held.append((outer, (outer - inner) / 2.0))
            inner = outer
    return tuple(
        Domain(*key, min(d), max(d), min(t), max(t))
        for key, held in sizes.items()
        for d, t in [tuple(zip(*held, strict=True))]
    )


def _observations(
    case: Case, found: Posterior, before: FloatArray
) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Set each mean beside the model before, after, and without its own build."""
    build = np.array([g.build for g in case.groups])
    left_out, sd = np.zeros(len(build)), np.zeros(len(build))
    for name in dict.fromkeys(build):
        rows = build == name
        left_out[rows], sd[rows] = leave_out(case.problem, found, rows)
    after = found.predicted + found.bias[case.problem.key]
    observations, odd = [], []
    for i, group in enumerate(case.groups):
        logs = (case.problem.observed[i], before[i], after[i], left_out[i])
        measured, *predictions = (float(np.exp(log)) for log in logs)
        observations.append(
            Observation(
                build=group.build,
                figure=group.figure,
                unit=QUANTITIES[parse_figure(group.figure).quantity].unit,
                measured=measured,
                readings=len(group.reading),
                noise=float(np.sqrt(case.problem.noise_variance[i])),
                before=predictions[0],
                after=predictions[1],
                left_out=predictions[2],
                left_out_sd=float(sd[i]),
            )
        )
        away = (case.problem.observed[i] - left_out[i]) / sd[i]
        if abs(away) > _ODD:
            odd.append(
                f"odd: {group.figure} of {group.build} ({group.reading[0].place}) is "
                f"{measured:.4g}, but the other builds lead to {predictions[2]:.4g}: "
                f"{abs(away):.1f} deviations away"
            )
    return tuple(observations), tuple(odd)
