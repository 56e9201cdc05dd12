"""Candidate builds linearised over cards and biases: the covariance that measuring them leaves."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.figures import parse_figure
from optimize.calibration.model import Mapper, Model, jacobian
from optimize.calibration.parameters import Parameter, parameters_of
from optimize.calibration.result import WIDTH, Calibration, key_of
from optimize.lab.uncertainty import lab_data

About = Literal["figures", "materials", "both"]


@dataclass(frozen=True)
class Linearised:
    """Candidates linearised: n = p + k unknowns, c candidates, q goals.

    Attributes
    ----------
    balls, goals, parameters : tuple
        c candidates, q figures, p parameters.
    theta : (p,) array
        Parameters now.
    covariance : (n, n) array
        Of parameters and biases now.
    rows : tuple of (m, n) arrays
        Derivatives of the figures that would be measured of each candidate.
    noise : tuple of (m,) arrays
        Variances of those measurements.
    goal_rows : (c, q, n) array
        Derivatives of the goals.
    about : {"both", "figures", "materials"}
        The criterion.
    """

    balls: tuple[Ball, ...]
    goals: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    theta: FloatArray
    covariance: FloatArray
    rows: tuple[FloatArray, ...]
    noise: tuple[FloatArray, ...]
    goal_rows: FloatArray
    about: About


def linearised(
    candidates: Sequence[Ball],
    goals: Sequence[str],
    calibration: Calibration | None,
    about: About,
    pieces: int,
    plan: tuple[Sequence[str], Sequence[str]],
    conditions: Conditions | None,
    mapper: Mapper,
) -> Linearised:
    """Linearise the candidates; parameters as for `optimize.calibration.next_round.next_round`.

    Parameters
    ----------
    candidates, goals, calibration, about, pieces, conditions, mapper
        See there.
    plan : (sequence of str, sequence of str)
        Figures to measure of every stage, and of the ball.

    Raises
    ------
    InputError
        If there is no goal, or a figure cannot be measured.
    """
    goals = tuple(dict.fromkeys(goals))
    if not goals:
        raise InputError("goals are empty, but must be at least one figure.")
    plans = [planned(ball, *plan) for ball in candidates]
    names = [(*measured, *goals) for measured in plans]
    for name in dict.fromkeys(n for each in names for n in each):
        if parse_figure(name).quantity not in lab_data().figure:
            raise InputError(f"figure {name!r} is derived from others and cannot be measured.")
    keys = list(dict.fromkeys(key_of(parse_figure(n)) for each in names for n in each))
    parameters, theta, covariance = _prior(candidates, keys, calibration)
    requests = tuple(
        (ball, tuple(dict.fromkeys(each))) for ball, each in zip(candidates, names, strict=True)
    )
    slopes = jacobian(Model(parameters, requests, conditions, mapper), theta)
    ends = np.cumsum([len(each) for _, each in requests])[:-1]
    rows, goal_rows = [], []
    for (_, each), measured, own in zip(requests, plans, np.split(slopes, ends), strict=True):
        biases = [[float(k == key_of(parse_figure(n))) for k in keys] for n in each]
        whole = np.hstack([own, np.array(biases)])
        rows.append(whole[[each.index(n) for n in measured]])
        goal_rows.append(whole[[each.index(n) for n in goals]])
    return Linearised(
        balls=tuple(candidates),
        goals=goals,
        parameters=parameters,
        theta=theta,
        covariance=covariance,
        rows=tuple(rows),
        noise=tuple(
            np.array([_variance(n, pieces, calibration) for n in measured]) for measured in plans
        ),
        goal_rows=np.array(goal_rows),
        about=about,
    )


def planned(ball: Ball, stage_plan: Sequence[str], ball_plan: Sequence[str]) -> tuple[str, ...]:
    """List the figures to measure of a build.

    Parameters
    ----------
    ball : Ball
        The build.
    stage_plan, ball_plan : sequence of str
        Figures of every stage; of the finished ball only.
    """
    count = len(ball.layer)
    staged = [f"stage{n}.{name}" for n in range(1, count) for name in stage_plan]
    return tuple(dict.fromkeys((*staged, *stage_plan, *ball_plan)))


def _prior(
    candidates: Sequence[Ball], keys: Sequence[str], calibration: Calibration | None
) -> tuple[tuple[Parameter, ...], FloatArray, FloatArray]:
    """Return parameters, their means, and the covariance of parameters and biases now."""
    parameters = parameters_of(candidates)
    sd = [p.prior_sd for p in parameters]
    sd += [lab_data().figure[k.rpartition(".")[2]].bias_percent / 100.0 for k in keys]
    covariance, theta = np.diag(np.square(sd)), np.zeros(len(parameters))
    if calibration is None:
        return parameters, theta, covariance
    labels: list[tuple[str, str, float] | str] = [_label(p) for p in parameters]
    labels += keys
    known: list[tuple[str, str, float] | str] = [_label(p) for p in calibration.parameters]
    known += [d.key for d in calibration.discrepancy]
    here = [i for i, label in enumerate(labels) if label in known]
    there = [known.index(labels[i]) for i in here]
    covariance[np.ix_(here, here)] = np.array(calibration.covariance)[np.ix_(there, there)]
    for i, j in zip(here, there, strict=True):
        if i < len(theta):
            theta[i] = calibration.theta[j]
    return parameters, theta, covariance


def _label(parameter: Parameter) -> tuple[str, str, float]:
    return parameter.material, parameter.number, parameter.nominal


def _variance(name: str, pieces: int, calibration: Calibration | None) -> float:
    """Variance of a future mean about the model's mean over builds."""
    parsed = parse_figure(name)
    measured = lab_data().figure[parsed.quantity]
    noise, scatter = measured.noise_percent / 100.0, measured.scatter_percent / 100.0
    for d in calibration.discrepancy if calibration else ():
        if d.key == key_of(parsed):
            noise, scatter = d.noise, d.scatter
    return noise**2 / pieces + (measured.floor_percent / 100.0) ** 2 + scatter**2


def covariance_after(state: Linearised, chosen: Sequence[int]) -> FloatArray:
    """Covariance after some builds are measured, (n, n)."""
    if not chosen:
        return state.covariance
    rows = np.vstack([state.rows[i] for i in chosen])
    noise = np.concatenate([state.noise[i] for i in chosen])
    gain = state.covariance @ rows.T
    left = state.covariance - gain @ np.linalg.solve(rows @ gain + np.diag(noise), gain.T)
    return np.asarray((left + left.T) / 2.0)


def goal_variance(state: Linearised, covariance: FloatArray) -> FloatArray:
    """Variance of each goal, mean over the candidates, (q,)."""
    rows = state.goal_rows
    return np.asarray(np.einsum("cqn,nm,cqm->cq", rows, covariance, rows).mean(axis=0))


def widths_of(
    state: Linearised, before: FloatArray, after: FloatArray
) -> dict[str, tuple[float, float]]:
    """Half widths of 95 %, percent, of each goal, mean over the candidates.

    Parameters
    ----------
    state : Linearised
        The candidates.
    before, after : (n, n) array
        Two covariances of parameters and biases.
    """
    ends = [100.0 * WIDTH * np.sqrt(goal_variance(state, c)) for c in (before, after)]
    return {goal: (float(a), float(b)) for goal, a, b in zip(state.goals, *ends, strict=True)}
