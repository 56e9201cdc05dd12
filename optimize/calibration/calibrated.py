"""Use of a calibration: calibrated cards and estimates; its file in TOML."""

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, fields, replace
from pathlib import Path

import numpy as np
from pydantic import TypeAdapter, ValidationError

from layers.arrays import FloatArray, Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Difference, Estimate, Figure
from layers.estimation import estimate
from layers.figures import parse_figure
from layers.files.explain import explain
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.files.toml import parse_toml, toml_value
from layers.materials import Grade
from layers.model_version import MODEL_VERSION
from layers.resolution.difference import differences
from optimize.calibration.domain import outside
from optimize.calibration.model import Mapper, Model, jacobian
from optimize.calibration.parameters import with_parameters
from optimize.calibration.result import WIDTH, Calibration, Discrepancy, key_of


def calibration_toml(calibration: Calibration) -> str:
    """Write a calibration as TOML; `calibration_from_toml` reads it back to the last bit."""
    lines = ["# A calibration by orbwright. Do not edit; calibrate again instead.", ""]
    tables = []
    for name, value in asdict(calibration).items():
        if value and isinstance(value, tuple) and isinstance(value[0], dict):
            tables += [(name, row) for row in value]
        elif name == "covariance":
            rows = ",\n".join(f"    {json.dumps(list(row))}" for row in value)
            lines.append(f"covariance = [\n{rows},\n]")
        else:
            lines.append(f"{name} = {toml_value(value)}")
    for name, row in tables:
        lines += [
            "",
            f"[[{name}]]",
            *(f"{key} = {toml_value(value)}" for key, value in row.items()),
        ]
    return "\n".join(lines) + "\n"


def calibration_from_toml(text: str, what: str = "calibration") -> Calibration:
    """Read a calibration from TOML.

    Raises
    ------
    InputError
        If it is not a calibration, or of another version of the model.
    """
    known = tuple(f.name for f in fields(Calibration))
    try:
        table = parse_toml(text, what)
        found = TypeAdapter(Calibration).validate_python(table)
    except ValidationError as error:
        raise explain(error, what, known) from error
    size = len(found.parameter) + len(found.discrepancy)
    if {len(found.covariance), *(len(row) for row in found.covariance)} != {size}:
        raise InputError(f"{what}: covariance must be {size} rows of {size} numbers.")
    if found.model_version != MODEL_VERSION:
        raise InputError(
            f"{what} was made with version {found.model_version} of the model, but this is version "
            f"{MODEL_VERSION}: calibrate again on the same measurements."
        )
    return found


def read_calibration(path: StrPath) -> Calibration:
    """Read a calibration from a file; see `calibration_from_toml`."""
    path = Path(path)
    text = read_text(path)
    return calibration_from_toml(text, path.name)


def apply(calibration: Calibration, ball: Ball) -> Ball:
    """Return a build with calibrated cards.

    Parameters
    ----------
    calibration : Calibration
        Applies to cards of the same name and nominal number; others are left unchanged.
    ball : Ball
        The build as designed, with its nominal cards.
    """
    grades: list[Grade | None] = [
        "measured" if p.identified else None for p in calibration.parameter
    ]
    return with_parameters(
        ball, calibration.parameters, calibration.theta, calibration.title, grades
    )


def calibrated_build(calibration: Calibration, ball: Ball) -> Ball:
    """Return a build with calibrated cards whose loss and dynamic modulus ratio stay.

    Parameters
    ----------
    calibration : Calibration
        As for `apply`.
    ball : Ball
        The build as designed. Of its calibrated cards no number follows the modulus by family any
        more, so that a piece of another modulus keeps what was calibrated.
    """
    named = {p.material for p in calibration.parameter}
    layers = tuple(
        layer.model_copy(update={"material": layer.material.model_copy(update={"from_family": ()})})
        if layer.material.name in named
        else layer
        for layer in apply(calibration, ball).layer
    )
    return ball.model_copy(update={"layer": layers})


def calibrated_estimate(
    calibration: Calibration,
    ball: Ball,
    figures: Sequence[str],
    conditions: Conditions | None = None,
    level: Level = "default",
    mapper: Mapper = map,
) -> Estimate:
    """Estimate a build with calibrated cards and corrected for the model's bias.

    A figure inside the calibration's domain has the basis 'calibrated', its value corrected by the
    bias, and an absolute error of 95 % from the posterior: parameters, bias, and the scatter of a
    new build. A figure outside keeps basis and error of an uncalibrated one, and its flag says why.

    Parameters
    ----------
    calibration : Calibration
        From `optimize.calibration.calibrate.calibrate`.
    ball : Ball
        The build as designed, with its nominal cards.
    figures, conditions, level
        As for `layers.estimation.estimate`.
    mapper : callable
        ``map`` or an executor's ``map``, for the derivatives.
    """
    return _posterior(calibration, ball, figures, conditions, level, mapper)[0]


def calibrated_differences(
    calibration: Calibration,
    reference: Ball,
    other: Ball,
    figures: Sequence[str],
    conditions: Conditions | None = None,
    level: Level = "default",
    mapper: Mapper = map,
) -> tuple[Estimate, Estimate, dict[str, Difference]]:
    """Estimate two builds by a calibration, and their differences with what they share.

    Both follow the same posterior: with g the derivatives of a figure by parameters and biases, the
    variance of a difference is (g2 - g1)' C (g2 - g1), and the scatter of each new build beside it.
    Cards that both use so cancel as far as the builds answer alike to them. Mesh and contact law
    are as between any two builds.

    Parameters
    ----------
    calibration : Calibration
        From `optimize.calibration.calibrate.calibrate`.
    reference, other : Ball
        The builds as designed.
    figures, conditions, level, mapper
        As for `calibrated_estimate`.

    Returns
    -------
    estimates : Estimate, Estimate
        Of reference and other, as `calibrated_estimate` gives them.
    differences : dict of str to Difference
        By name. Parts ``calibration`` and ``new builds`` take the place of ``materials``,
        ``shared law`` and ``prediction`` where both builds are inside the calibration.
    """
    first, rows = _posterior(calibration, reference, figures, conditions, level, mapper)
    second, others = _posterior(calibration, other, figures, conditions, level, mapper)
    covariance = np.array(calibration.covariance)
    found = differences(first, second)
    for name in rows.keys() & others.keys():
        apart = second[name].value * others[name] - first[name].value * rows[name]
        scatter = _discrepancy(calibration, name).scatter
        kept = {k: v for k, v in found[name].parts.items() if k in ("mesh", "contact law")}
        kept["calibration"] = WIDTH * float(np.sqrt(apart @ covariance @ apart))
        kept["new builds"] = WIDTH * scatter * math.hypot(first[name].value, second[name].value)
        error = math.sqrt(sum(part**2 for part in kept.values()))
        found[name] = replace(found[name], error=error, parts=kept)
    return first, second, found


def _posterior(
    calibration: Calibration,
    ball: Ball,
    figures: Sequence[str],
    conditions: Conditions | None,
    level: Level,
    mapper: Mapper,
) -> tuple[Estimate, dict[str, FloatArray]]:
    """Return a calibrated estimate, and the derivatives of the logarithms of what is calibrated.

    By parameters and biases, in the order of the covariance.
    """
    found = estimate(apply(calibration, ball), figures, conditions, level)
    why = {name: outside(calibration, ball, name) for name in found.figures}
    inside = tuple(name for name, reason in why.items() if not reason and name in found.figures)
    inside = tuple(n for n in inside if parse_figure(n).quantity != "diameter_mm")
    done = {
        name: replace(figure, flag=figure.flag or why[name])
        for name, figure in found.figures.items()
    }
    rows: dict[str, FloatArray] = {}
    if inside:
        model = Model(calibration.parameters, ((ball, inside),), conditions, mapper)
        slopes = jacobian(model, calibration.theta)
        for name, slope in zip(inside, slopes, strict=True):
            k = calibration.discrepancy.index(_discrepancy(calibration, name))
            rows[name] = np.concatenate([slope, np.eye(len(calibration.discrepancy))[k]])
            done[name] = _corrected(calibration, found.figures[name], rows[name])
    return replace(found, figures=done), rows


def _discrepancy(calibration: Calibration, name: str) -> Discrepancy:
    key = key_of(parse_figure(name))
    return next(d for d in calibration.discrepancy if d.key == key)


def _corrected(calibration: Calibration, figure: Figure, row: FloatArray) -> Figure:
    own = _discrepancy(calibration, figure.name)
    sd = float(np.sqrt(row @ np.array(calibration.covariance) @ row + own.scatter**2))
    value = figure.value * float(np.exp(own.bias))
    return replace(
        figure,
        value=value,
        basis="calibrated",
        absolute_error=max(WIDTH * sd * value, figure.difference_error),
    )
