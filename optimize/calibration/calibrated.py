"""A calibration: what the lab's measurements made of cards and model, kept as TOML, and its use."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

import numpy as np
from pydantic import ConfigDict, TypeAdapter, ValidationError

from layers.arrays import FloatArray, Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError, explain
from layers.estimation import MODEL_VERSION, estimate
from layers.figures import Estimate, Figure, FigureName, parse_figure
from layers.files.text import read_text
from layers.files.toml import parse_toml, toml_value
from layers.materials import Grade
from optimize.calibration.parameters import (
    Mapper,
    Model,
    Parameter,
    depends,
    jacobian,
    parameters_of,
    with_parameters,
)
from optimize.lab.uncertainty import Property

_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)

# Half widths are of 95 %.
WIDTH = 1.96

# A parameter whose deviation measurements brought below this share of the prior's is 'measured'.
_TOLD = 0.8

# How far beyond the sizes that were measured a layer still counts as measured, mm. A judgement: the
# finite elements carry a size over, the calibration only their error and the materials.
_BEYOND_DIAMETER, _BEYOND_THICKNESS = 1.0, 0.3
# The same for a test speed or load, as a share of it.
_BEYOND_CONDITION = 0.1


@dataclass(frozen=True)
class Calibrated:
    """A card's number afterwards: its logarithm moved by `theta` +- `sd`, see `Parameter`."""

    __pydantic_config__ = _STRICT
    material: str
    number: Property
    nominal: float
    prior_sd: float
    theta: float
    sd: float

    @property
    def parameter(self) -> Parameter:
        """The parameter itself."""
        return Parameter(self.material, self.number, self.nominal, self.prior_sd)

    @property
    def told(self) -> bool:
        """Whether the measurements told more of it than the card did."""
        return self.sd < _TOLD * self.prior_sd


@dataclass(frozen=True)
class Discrepancy:
    """What the model does wrong in one figure, as logarithms.

    Attributes
    ----------
    key : str
        A quantity, or ``swing.quantity``.
    bias, sd, prior_sd : float
        log(measured / model) common to all builds, its standard deviation now and beforehand.
    scatter : float
        Standard deviation of the same from build to build.
    noise : float
        Standard deviation of a single reading.
    readings, builds : int
        How many there were.
    condition_low, condition_high : tuple of float
        Least and greatest test condition, in SI; empty where there is none.
    """

    __pydantic_config__ = _STRICT
    key: str
    bias: float
    sd: float
    prior_sd: float
    scatter: float
    noise: float
    readings: int
    builds: int
    condition_low: tuple[float, ...]
    condition_high: tuple[float, ...]


@dataclass(frozen=True)
class Domain:
    """Sizes in which a material lay in bodies of which a figure was measured, mm."""

    __pydantic_config__ = _STRICT
    key: str
    material: str
    diameter_low: float
    diameter_high: float
    thickness_low: float
    thickness_high: float


@dataclass(frozen=True)
class Observation:
    """The mean of one figure's repeats beside the model.

    Attributes
    ----------
    build, figure, unit : str
        What was measured.
    measured : float
        Geometric mean of the repeats, in the unit.
    readings : int
        How many.
    noise : float
        Relative standard deviation of the mean.
    before, after : float
        By the model with nominal cards; with calibrated ones and the bias.
    left_out, left_out_sd : float
        Predicted from the other builds alone, and the relative standard deviation of the difference
        to the measured mean; NaN is not used: with a single build it is the prior's prediction.
    """

    __pydantic_config__ = _STRICT
    build: str
    figure: str
    unit: str
    measured: float
    readings: int
    noise: float
    before: float
    after: float
    left_out: float
    left_out_sd: float


@dataclass(frozen=True)
class Calibration:
    """The posterior of cards and model.

    Attributes
    ----------
    source : tuple of str
        The files of measurements.
    model_version : str
        `layers.estimation.MODEL_VERSION` when it was made.
    parameter : tuple of Calibrated
        p numbers of cards.
    discrepancy : tuple of Discrepancy
        k figures.
    covariance : (p + k, p + k) nested tuples
        Of parameters and biases, in that order.
    domain : tuple of Domain
        Where it holds.
    observation : tuple of Observation
        What it rests on.
    note : tuple of str
        What whoever relies on it should know.
    """

    __pydantic_config__ = _STRICT
    source: tuple[str, ...]
    model_version: str
    parameter: tuple[Calibrated, ...]
    discrepancy: tuple[Discrepancy, ...]
    covariance: tuple[tuple[float, ...], ...]
    domain: tuple[Domain, ...]
    observation: tuple[Observation, ...]
    note: tuple[str, ...]

    @property
    def theta(self) -> FloatArray:
        """Parameters at the posterior's mode, (p,)."""
        return np.array([p.theta for p in self.parameter])

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The parameters themselves."""
        return tuple(p.parameter for p in self.parameter)

    @property
    def title(self) -> str:
        """What stands as the source of calibrated numbers."""
        readings = sum(d.readings for d in self.discrepancy)
        return f"calibrated on {readings} readings of {', '.join(self.source)}"


def key_of(figure: FigureName) -> str:
    """Return which discrepancy a figure has: one for each quantity, and each swing of it."""
    return f"{figure.swing}.{figure.quantity}" if figure.swing else figure.quantity


def calibration_toml(calibration: Calibration) -> str:
    """Write a calibration as TOML; `calibration_from_toml` reads it back to the last bit."""
    lines = ["# A calibration by orbwright; measure again rather than edit it.", ""]
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
        If it is no calibration, or one of another version of the model.
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


def read_calibration(path: Path) -> Calibration:
    """Read a calibration from a file; see `calibration_from_toml`."""
    text = read_text(path)
    return calibration_from_toml(text, path.name)


def apply(calibration: Calibration, ball: Ball) -> Ball:
    """Return a build with calibrated cards.

    Parameters
    ----------
    calibration : Calibration
        Numbers are told by a card's name and its nominal number: a card of another number stays as
        it is.
    ball : Ball
        The build as drawn, with its nominal cards.
    """
    grades: list[Grade | None] = ["measured" if p.told else None for p in calibration.parameter]
    return with_parameters(
        ball, calibration.parameters, calibration.theta, calibration.title, grades
    )


def outside(calibration: Calibration, ball: Ball, name: str) -> str:
    """Say why a figure of a build lies outside what was measured; empty if it does not.

    Parameters
    ----------
    calibration : Calibration
        What was measured.
    ball : Ball
        The build as drawn.
    name : str
        The figure.
    """
    parsed = parse_figure(name)
    if parsed.quantity == "diameter_mm":
        return ""
    key = key_of(parsed)
    found = next((d for d in calibration.discrepancy if d.key == key), None)
    if found is None:
        return f"not calibrated: {key} was not measured"
    for value, low, high in zip(
        parsed.condition, found.condition_low, found.condition_high, strict=True
    ):
        if not low * (1 - _BEYOND_CONDITION) <= value <= high * (1 + _BEYOND_CONDITION):
            return (
                f"outside the calibration: {parsed.quantity} was measured at {low:g} to {high:g}, "
                f"not at {value:g}"
            )
    known = calibration.parameters
    for parameter in parameters_of([ball]):
        same = (parameter.material, parameter.number, parameter.nominal)
        if depends(ball, name, parameter) and not any(
            same == (p.material, p.number, p.nominal) for p in known
        ):
            return (
                f"outside the calibration: {parameter.number} {parameter.nominal:g} of "
                f"{parameter.material} was not measured"
            )
    inner = 0.0
    for layer in ball.layer[: parsed.stage or len(ball.layer)]:
        why = _beyond(calibration, key, layer.material.name, layer.outer_diameter_mm, inner)
        if why:
            return f"outside the calibration: {why}"
        inner = layer.outer_diameter_mm
    return ""


def _beyond(
    calibration: Calibration, key: str, material: str, diameter: float, inner: float
) -> str:
    domain = [d for d in calibration.domain if d.key == key and d.material == material]
    if not domain:
        return f"{key} was not measured of a body with {material}"
    [d] = domain
    sizes = [("diameter", diameter, d.diameter_low, d.diameter_high, _BEYOND_DIAMETER)]
    if inner:  # a core's thickness says no more than its diameter
        wall = (diameter - inner) / 2.0
        sizes.append(("thickness", wall, d.thickness_low, d.thickness_high, _BEYOND_THICKNESS))
    for what, value, low, high, more in sizes:
        if not low - more <= value <= high + more:
            return (
                f"{material} was measured in a {what} of {low:.2f} to {high:.2f} mm, not "
                f"{value:.2f} mm"
            )
    return ""


def calibrated_estimate(
    calibration: Calibration,
    ball: Ball,
    figures: Sequence[str],
    conditions: Conditions | None = None,
    level: Level = "default",
    mapper: Mapper = map,
) -> Estimate:
    """Estimate a build with calibrated cards and the model's own error taken off.

    A figure inside the calibration has the basis 'calibrated', its value corrected by the bias, and
    an absolute error of 95 % from the posterior: parameters and bias together, and the scatter that
    a new build has. A figure outside keeps basis and width of an uncalibrated one, and its flag
    says why.

    Parameters
    ----------
    calibration : Calibration
        From `optimize.calibration.calibrate.calibrate`.
    ball : Ball
        The build as drawn, with its nominal cards.
    figures, conditions, level
        As for `layers.estimation.estimate`.
    mapper : callable
        ``map`` or an executor's ``map``, for the neighbours that slopes need.
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
