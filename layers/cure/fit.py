"""The map from cure to hardness pulled onto cut cores: nonlinear least squares with priors."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layers.arrays import FloatArray
from layers.cure.cycle import Cycle
from layers.cure.hardening import PARAMETERS, Hardening, Noise, hardness, slopes
from layers.cure.stock import Stock
from layers.errors import InputError

# Iterations, and the change that ends them: in prior standard deviations, and of the factor.
_ITERATIONS, _CLOSE = 15, 0.02
# The prior of the noise has the weight of so many readings.
_PRIOR_DEGREES = 4.0
# Standardised residual beyond which a reading is named: one in ten thousand by chance.
_FAR = 3.9


@dataclass(frozen=True)
class CutCore:
    """Hardness readings of one cut core.

    Attributes
    ----------
    name : str
        The lab's.
    stock, cycle : Stock, Cycle
        What was cured, how.
    diameter_mm : float
        As moulded.
    position_mm, shore_c : (k,) array
        From the centre; the readings there. Replicates are further entries.
    """

    name: str
    stock: Stock
    cycle: Cycle
    diameter_mm: float
    position_mm: FloatArray
    shore_c: FloatArray


@dataclass(frozen=True)
class Residual:
    """A reading against the calibrated map, points; `standard` is over its deviation."""

    core: str
    position_mm: float
    measured: float
    predicted: float
    standard: float


@dataclass(frozen=True)
class Calibrated:
    """The calibrated map, its residuals and those among them that stand out."""

    hardening: Hardening
    residual: tuple[Residual, ...]

    @property
    def outliers(self) -> tuple[Residual, ...]:
        """Readings far from the map."""
        return tuple(r for r in self.residual if abs(r.standard) > _FAR)


def covariance_of(core: CutCore, noise: Noise) -> FloatArray:
    """Covariance of the readings of a core about the map, points squared."""
    share = core.position_mm / (0.5 * core.diameter_mm)
    return noise.between(share, share) + noise.reading**2 * np.eye(len(share))


def calibrate(cores: Sequence[CutCore], prior: Hardening | None = None) -> Calibrated:
    """Fit the map to cut cores.

    Normal priors of the parameters, readings that deviate by `Noise`; the mode by Gauss and Newton,
    the covariance by the slopes there (Laplace). All deviations share one factor, estimated from
    the residuals with the prior's weight of four readings; intervals are Student's t.

    Parameters
    ----------
    cores : sequence of CutCore
        At least one.
    prior : Hardening, optional
        The map before; the one from memory by default.

    Raises
    ------
    InputError
        If there is no core.
    SolverError
        If a cure cannot be followed.
    """
    if not cores:
        raise InputError("no cut core was given: at least one is needed to calibrate.")
    prior = prior or Hardening()
    measured = np.concatenate([core.shore_c for core in cores])
    noise = _block([covariance_of(core, prior.noise) for core in cores])
    theta, factor, covariance = prior.mean.copy(), 1.0, prior.covariance
    known = np.linalg.inv(prior.covariance)
    degrees = _PRIOR_DEGREES
    for _ in range(_ITERATIONS):
        miss = measured - _expected(theta, cores)
        jacobian = np.vstack([slopes(theta, *_cured(core)) for core in cores])
        weighed = np.linalg.solve(noise, jacobian)
        covariance = np.asarray(np.linalg.inv(known + jacobian.T @ weighed / factor), float)
        step = covariance @ (weighed.T @ miss / factor - known @ (theta - prior.mean))
        theta = theta + step
        # What the parameters take from the degrees of freedom of the readings.
        taken = float(np.trace(covariance @ (jacobian.T @ weighed))) / factor
        left = miss - jacobian @ step
        degrees = _PRIOR_DEGREES + len(measured) - taken
        before, factor = factor, _PRIOR_DEGREES + float(left @ np.linalg.solve(noise, left))
        factor /= degrees
        moved = np.abs(step / [p.deviation for p in PARAMETERS]).max()
        if moved < _CLOSE and abs(factor / before - 1.0) < _CLOSE:
            break
    grown = np.sqrt(factor)
    own = prior.noise
    found = Hardening(
        mean=theta,
        covariance=covariance,
        noise=replace(
            own, reading=grown * own.reading, core=grown * own.core, shape=grown * own.shape
        ),
        degrees=degrees,
        source=f"calibrated on {len(measured)} readings of {len(cores)} cut cores",
        calibrated=True,
    )
    deviation = np.sqrt(factor * np.diag(noise))
    return Calibrated(found, _residuals(cores, measured, _expected(theta, cores), deviation))


def _cured(core: CutCore) -> tuple[Stock, Cycle, float, FloatArray]:
    """Return what `hardness` and `slopes` take of a core."""
    return core.stock, core.cycle, core.diameter_mm, core.position_mm


def _expected(theta: FloatArray, cores: Sequence[CutCore]) -> FloatArray:
    """Return the readings that the map expects."""
    return np.concatenate([hardness(theta, *_cured(core)) for core in cores])


def _block(parts: Sequence[FloatArray]) -> FloatArray:
    size = sum(len(part) for part in parts)
    whole, at = np.zeros((size, size)), 0
    for part in parts:
        whole[at : at + len(part), at : at + len(part)] = part
        at += len(part)
    return whole


def _residuals(
    cores: Sequence[CutCore], measured: FloatArray, predicted: FloatArray, deviation: FloatArray
) -> tuple[Residual, ...]:
    places = [(core.name, float(r)) for core in cores for r in core.position_mm]
    return tuple(
        Residual(name, r, float(m), float(p), float((m - p) / d))
        for (name, r), m, p, d in zip(places, measured, predicted, deviation, strict=True)
    )
