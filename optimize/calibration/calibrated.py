"""Use of a calibration: calibrated cards and estimates; its file in TOML."""

import json
from collections.abc import Sequence
from dataclasses import asdict, fields, replace
from pathlib import Path

import numpy as np
from pydantic import TypeAdapter, ValidationError

from layers.arrays import FloatArray, Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.estimation import estimate
from layers.figures import parse_figure
from layers.files.explain import explain
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.files.toml import parse_toml, toml_value
from layers.materials import Grade
from layers.model_version import MODEL_VERSION
from optimize.calibration.domain import outside
from optimize.calibration.model import Mapper, Model, jacobian
from optimize.calibration.parameters import with_parameters
from optimize.calibration.result import WIDTH, Calibration, key_of


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
    found = estimate(apply(calibration, ball), figures, conditions, level)
    why = {name: outside(calibration, ball, name) for name in found.figures}
    inside = tuple(name for name, reason in why.items() if not reason and name in found.figures)
    inside = tuple(n for n in inside if parse_figure(n).quantity != "diameter_mm")
    done = {
        name: replace(figure, flag=figure.flag or why[name])
        for name, figure in found.figures.items()
    }
    if inside:
        model = Model(calibration.parameters, ((ball, inside),), conditions, mapper)
        slopes = jacobian(model, calibration.theta)
        for name, slope in zip(inside, slopes, strict=True):
            done[name] = _corrected(calibration, found.figures[name], slope)
    return Estimate(found.ball, done, found.failed)


def _corrected(calibration: Calibration, figure: Figure, slope: FloatArray) -> Figure:
    key = key_of(parse_figure(figure.name))
    k = [d.key for d in calibration.discrepancy].index(key)
    own = calibration.discrepancy[k]
    row = np.concatenate([slope, np.eye(len(calibration.discrepancy))[k]])
    sd = float(np.sqrt(row @ np.array(calibration.covariance) @ row + own.scatter**2))
    value = figure.value * float(np.exp(own.bias))
    return replace(
        figure,
        value=value,
        basis="calibrated",
        absolute_error=max(WIDTH * sd * value, figure.difference_error),
    )
