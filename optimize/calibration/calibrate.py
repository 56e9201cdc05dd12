"""Calibration: measurements correct the cards of materials and the model discrepancy."""

from collections.abc import Sequence

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.figures import QUANTITIES, parse_figure
from layers.model_version import MODEL_VERSION
from optimize.calibration.case import Case, case_of
from optimize.calibration.inference import Posterior, Predict, fit, leave_out
from optimize.calibration.model import Mapper, jacobian, predict
from optimize.calibration.result import (
    WIDTH,
    Calibrated,
    Calibration,
    Discrepancy,
    Domain,
    Observation,
    key_of,
)
from optimize.lab.outliers import outliers
from optimize.lab.readings import Measurements

# A mean further from the model than this many prior standard deviations is taken for a slip of
# digits or unit.
_IMPLAUSIBLE = 6.0

# A mean so many standard deviations from the prediction of the other builds is flagged.
_INCONSISTENT = 3.5


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
        The builds as designed, with their nominal cards.
    measurements : Measurements
        Of those builds. Outliers are flagged but used; see `optimize.lab.outliers.outliers`.
    conditions : Conditions, optional
        Of launch and flight figures.
    mapper : callable
        ``map`` or an executor's ``map``.

    Raises
    ------
    InputError
        If the measurements are not of these builds, or one is not plausible.
    SolverError
        If a figure cannot be computed.
    """
    case = case_of(balls, measurements, conditions, mapper)
    return concluded(
        case, measurements, lambda x: predict(case.model, x), lambda x: jacobian(case.model, x)
    )


def concluded(
    case: Case, measurements: Measurements, predicted: Predict, slopes: Predict
) -> Calibration:
    """Find the posterior of a case.

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
    _check_plausible(case, before, first)

    def slopes_once(theta: FloatArray) -> FloatArray:
        return slopes(theta) if theta.any() else first

    found = fit(case.problem, predicted, slopes_once)
    observations, inconsistent = _observations(case, found, before)
    flagged = tuple(f"outlier: {o.sentence}" for o in outliers(measurements))
    alone = "only one build was measured: its left-out predictions rest on the priors alone"
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
        note=(
            *measurements.note,
            *flagged,
            *inconsistent,
            *((alone,) if len(case.balls) == 1 else ()),
        ),
    )


def _check_plausible(case: Case, before: FloatArray, slopes: FloatArray) -> None:
    problem = case.problem
    variance = np.sum((slopes * problem.parameter_sd) ** 2, axis=1) + problem.noise_variance
    variance += (problem.bias_sd**2 + problem.scatter_sd**2)[problem.key]
    away = problem.observed - before
    for group, off, sd in zip(case.groups, away, np.sqrt(variance), strict=True):
        if abs(off) > _IMPLAUSIBLE * sd:
            raise InputError(
                f"{group.reading[0].place}: {group.figure} of {group.build} is "
                f"{np.exp(np.log(group.values).mean()):.4g}, but the model gives "
                f"{np.exp(np.log(group.values).mean() - off):.4g} within "
                f"{100.0 * WIDTH * sd:.0f} %: check reading, unit and the build's cards. Nothing "
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
    """Collect the sizes of each material in the bodies of which a figure was measured."""
    sizes: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for group in case.groups:
        ball = next(b for b in case.balls if b.name == group.build)
        parsed = parse_figure(group.figure)
        inner = 0.0
        for layer in ball.layer[: parsed.stage or len(ball.layer)]:
            outer = layer.outer_diameter_mm
            own = sizes.setdefault((key_of(parsed), layer.material.name), [])
            own.append((outer, (outer - inner) / 2.0))
            inner = outer
    return tuple(
        Domain(*key, min(d), max(d), min(t), max(t))
        for key, own in sizes.items()
        for d, t in [tuple(zip(*own, strict=True))]
    )


def _observations(
    case: Case, found: Posterior, before: FloatArray
) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Compare each mean with the model before, after, and without its own build."""
    build = np.array([g.build for g in case.groups])
    left_out, sd = np.zeros(len(build)), np.zeros(len(build))
    for name in dict.fromkeys(build):
        rows = build == name
        left_out[rows], sd[rows] = leave_out(case.problem, found, rows)
    after = found.predicted + found.bias[case.problem.key]
    observations, inconsistent = [], []
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
        if abs(away) > _INCONSISTENT:
            inconsistent.append(
                f"inconsistent: {group.figure} of {group.build} ({group.reading[0].place}) is "
                f"{measured:.4g}, but the other builds predict {predictions[2]:.4g}: "
                f"{abs(away):.1f} standard deviations"
            )
    return tuple(observations), tuple(inconsistent)
