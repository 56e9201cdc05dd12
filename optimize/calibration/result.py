"""The result of a calibration: posterior of cards and model discrepancy."""

from dataclasses import dataclass

import numpy as np
from pydantic import ConfigDict

from layers.arrays import FloatArray
from layers.figures import FigureName, parse_figure
from optimize.calibration.parameters import (
    Parameter,
)
from optimize.lab.uncertainty import Property

_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)


# Half widths are of 95 %.
WIDTH = 1.96


# A parameter is identified when its standard deviation is below this share of the prior's.
_IDENTIFIED = 0.8


@dataclass(frozen=True)
class Calibrated:
    """A card's calibrated number: its logarithm shifted by `theta` +- `sd`, see `Parameter`."""

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
    def identified(self) -> bool:
        """Whether the measurements narrow it; if not, it is not identifiable from these data."""
        return self.sd < _IDENTIFIED * self.prior_sd


@dataclass(frozen=True)
class Discrepancy:
    """The model discrepancy in one figure, as logarithms.

    Attributes
    ----------
    key : str
        A quantity, or ``swing.quantity``.
    bias, sd, prior_sd : float
        log(measured / model) common to all builds; its standard deviation, posterior and prior.
    scatter : float
        Standard deviation of the same from build to build.
    noise : float
        Standard deviation of a single reading.
    readings, builds : int
        Numbers of them.
    condition_low, condition_high : tuple of float
        Range of the test conditions, SI; empty where there is none.
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
    """Range of a material's sizes in the bodies of which a figure was measured, mm."""

    __pydantic_config__ = _STRICT
    key: str
    material: str
    diameter_low: float
    diameter_high: float
    thickness_low: float
    thickness_high: float


@dataclass(frozen=True)
class Observation:
    """The mean of one figure's replicates, and the model's predictions.

    Attributes
    ----------
    build, figure, unit : str
        What was measured.
    measured : float
        Geometric mean of the replicates, in the unit.
    readings : int
        Number of replicates.
    noise : float
        Relative standard deviation of the mean.
    before, after : float
        Predicted with nominal cards; with calibrated cards and bias.
    left_out, left_out_sd : float
        Predicted from the other builds alone (from the priors if there is only one build), and the
        relative standard deviation of its difference from the measured mean.
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
    """The posterior of cards and model discrepancy.

    Attributes
    ----------
    source : tuple of str
        The files of measurements.
    model_version : str
        `layers.model_version.MODEL_VERSION` when it was made.
    parameter : tuple of Calibrated
        p numbers of cards.
    discrepancy : tuple of Discrepancy
        k figures.
    covariance : (p + k, p + k) nested tuples
        Of parameters and biases, in that order.
    domain : tuple of Domain
        Where it is valid.
    observation : tuple of Observation
        The data.
    note : tuple of str
        Warnings.
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

    def by_figure(self) -> dict[str, list[Observation]]:
        """Return the observations by the key of their discrepancy."""
        found: dict[str, list[Observation]] = {}
        for observation in self.observation:
            found.setdefault(key_of(parse_figure(observation.figure)), []).append(observation)
        return found

    @property
    def title(self) -> str:
        """The source that calibrated numbers are marked with."""
        readings = sum(d.readings for d in self.discrepancy)
        return f"calibrated on {readings} readings of {', '.join(self.source)}"


def key_of(figure: FigureName) -> str:
    """Return the key of a figure's discrepancy: its quantity, after its swing if it has one."""
    return f"{figure.swing}.{figure.quantity}" if figure.swing else figure.quantity
