"""The spring-type compression tester as a mechanism, calibrated from bodies of known score.

A lever moves the plate by a fixed travel against a spring in series with the body: the body's
deformation under the spring's force and the spring's own deflection share the travel. The score
counts the spring's deflection beyond an uncounted first part. Bodies smaller than a ball are
shimmed to a ball's diameter. Uncounted part, shimming and size of a point are from memory and
editable; the spring's rate and the travel are not known and come from reference bodies.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from layers.arrays import FloatArray
from layers.compression.curve import Compression
from layers.errors import InputError

INCH = 25.4e-3
_FEWEST_REFERENCES = 2
# References so alike that the spring's rate comes out worse than this are refused.
_WORST_RATE_ERROR = 0.25
_LEAST_SPAN = 5.0  # of the scores, over the largest score error
_WORST_MISFIT = 4.0  # over the score error


@dataclass(frozen=True)
class Reference:
    """A body of known score.

    Attributes
    ----------
    score : float
        Points read on the tester to be calibrated.
    curve : Compression
        Its force-deflection curve, computed or measured.
    diameter : float
        m.
    score_error : float
        Standard error of the reading, points.
    """

    score: float
    curve: Compression
    diameter: float = 42.67e-3
    score_error: float = 1.0


@dataclass(frozen=True)
class Calibration:
    """What the references say of a tester.

    Attributes
    ----------
    spring_rate : float
        N/m.
    travel : float
        Travel that body and spring share, m.
    covariance : (2, 2) array
        Of log(spring_rate) and travel / 1 m, from the references' score errors.
    residual : float
        Root mean square misfit of the references' scores, points; 0 for two references.
    """

    spring_rate: float
    travel: float
    covariance: FloatArray
    residual: float

    @property
    def spring_rate_error(self) -> float:
        """Standard error of the spring's rate, N/m."""
        return float(self.spring_rate * np.sqrt(self.covariance[0, 0]))

    @property
    def travel_error(self) -> float:
        """Standard error of the travel, m."""
        return float(np.sqrt(self.covariance[1, 1]))


@dataclass(frozen=True)
class SpringTester:
    """A tester; without a calibration it gives no score.

    Attributes
    ----------
    uncounted : float
        First part of the spring's deflection, m (0.05 in, from memory).
    point : float
        Deflection of the spring that makes one point, m (0.001 in, from memory).
    nominal_diameter : float
        Smaller bodies are shimmed to this, m (1.680 in, from memory).
    calibration : Calibration or None
    """

    uncounted: float = 0.05 * INCH
    point: float = 0.001 * INCH
    nominal_diameter: float = 1.680 * INCH
    calibration: Calibration | None = None


@dataclass(frozen=True)
class Score:
    """A score with its standard error from the calibration, and the force it was read at.

    A score below 0 means that the spring did not leave its uncounted part.
    """

    points: float
    error: float
    force: float


def score(tester: SpringTester, curve: Compression, diameter: float) -> Score:
    """Score of a body on a calibrated tester.

    Parameters
    ----------
    tester : SpringTester
    curve : Compression
        The body's force-deflection curve.
    diameter : float
        The body's, m.

    Returns
    -------
    Score

    Raises
    ------
    InputError
        If the tester has no calibration, or the curve ends before the tester's force.
    """
    known = tester.calibration
    if known is None:
        raise InputError(
            "calibration of the spring-type tester is missing, but must be given: its spring rate "
            "and travel are not known here; calibrate it with two bodies of known score."
        )
    parameters = np.array([np.log(known.spring_rate), known.travel])
    points, force = _points(tester, parameters, curve, diameter)
    slope = _slope(tester, parameters, curve, diameter)
    variance = float(slope @ known.covariance @ slope) + known.residual**2
    return Score(points, float(np.sqrt(variance)), force)


def calibrated(tester: SpringTester, references: tuple[Reference, ...]) -> SpringTester:
    """Find the spring's rate and the travel from bodies of known score.

    Least squares over the scores, weighted by their errors; two references are met exactly.

    Parameters
    ----------
    tester : SpringTester
    references : tuple of Reference
        Two or more, unlike in stiffness.

    Returns
    -------
    SpringTester
        With its calibration.

    Raises
    ------
    InputError
        With fewer than two references, with references too alike to tell the spring's rate, or
        with scores that no spring and travel can give.
    """
    _check_references(tester, references)
    rate, travel = _best_fit(tester, references)
    parameters = np.array([np.log(rate), travel])
    slope = np.array([_slope(tester, parameters, r.curve, r.diameter) for r in references])
    slope /= np.array([[r.score_error] for r in references])
    normal = slope.T @ slope
    spread = float(normal[0, 0] - normal[0, 1] ** 2 / normal[1, 1])
    rate_error = 1.0 / np.sqrt(spread) if spread > 0.0 else np.inf
    if not rate_error < _WORST_RATE_ERROR:
        raise InputError(
            f"references are too alike: the spring rate would be uncertain by {rate_error:.0%}, "
            f"but must be known within {_WORST_RATE_ERROR:.0%}; choose bodies of unlike stiffness."
        )
    misfit = np.array(
        [_points(tester, parameters, r.curve, r.diameter)[0] - r.score for r in references]
    )
    worst = float(np.max(np.abs(misfit) / [r.score_error for r in references]))
    if worst > _WORST_MISFIT:
        raise InputError(
            f"references contradict one another: one misses its score by {worst:.1f} times its "
            f"score_error, but must lie within {_WORST_MISFIT:g}; check scores and curves."
        )
    free = len(references) - _FEWEST_REFERENCES
    residual = float(np.sqrt((misfit**2).sum() / free)) if free else 0.0
    found = Calibration(rate, travel, np.linalg.inv(normal), residual)
    return replace(tester, calibration=found)


def _check_references(tester: SpringTester, references: tuple[Reference, ...]) -> None:
    """Refuse references that cannot tell a spring's rate and travel."""
    if len(references) < _FEWEST_REFERENCES:
        raise InputError(
            f"references are {len(references)}, but must be at least {_FEWEST_REFERENCES}: the "
            "tester's spring rate and travel are two unknowns."
        )
    for r in references:
        if not (r.score_error > 0.0 and tester.uncounted + r.score * tester.point > 0.0):
            raise InputError(
                f"reference has score {r.score:g} and score_error {r.score_error:g}, but both must "
                "be above 0 (the score so that the spring deflects)."
            )
    span = float(np.ptp([r.score for r in references]))
    least = _LEAST_SPAN * max(r.score_error for r in references)
    if span < least:
        raise InputError(
            f"references are too alike: their scores span {span:.1f} points, but must span at "
            f"least {least:.1f} to tell the spring rate; choose bodies of unlike stiffness."
        )


def _best_fit(tester: SpringTester, references: tuple[Reference, ...]) -> tuple[float, float]:
    """Spring rate (N/m) and travel (m) that meet the references' scores best.

    A score fixes the spring's deflection x, so that every spring rate k gives each reference its
    own travel d(k x) + x. The best k makes them agree, each weighted by its score's error.
    """
    x = np.array([tester.uncounted + r.score * tester.point for r in references])
    extra = np.array([max(r.diameter - tester.nominal_diameter, 0.0) for r in references])
    ends = np.array([r.curve.force[-1] for r in references])
    stiffest = float(np.min(ends / x))

    def travels(rate: float) -> FloatArray:
        bent = [r.curve.deflection_at(rate * xi) for r, xi in zip(references, x, strict=True)]
        travel: FloatArray = np.array(bent) + x - extra
        return travel

    def weights(rate: float) -> FloatArray:
        slopes = [
            _slope(tester, np.array([np.log(rate), t]), r.curve, r.diameter)[1] / r.score_error
            for r, t in zip(references, travels(rate), strict=True)
        ]
        weight: FloatArray = np.square(slopes)
        return weight

    def disagreement(log_rate: float) -> float:
        rate = float(np.exp(log_rate))
        t, w = travels(rate), weights(rate)
        return float(w @ (t - w @ t / w.sum()) ** 2)

    top = np.log(stiffest * (1.0 - 1e-9))
    grid = np.linspace(top - np.log(1e3), top, 60)
    best = int(np.argmin([disagreement(g) for g in grid]))
    if best in (0, len(grid) - 1):
        raise InputError(
            "references fit no spring within their force-deflection curves, which end at "
            f"{ends.min():g} N or above, but must reach the tester's force; check the scores, or "
            "compute the curves to a higher load."
        )
    found = minimize_scalar(
        disagreement,
        bounds=(grid[best - 1], grid[best + 1]),
        method="bounded",
        options={"xatol": 1e-10},
    )
    rate = float(np.exp(found.x))
    w = weights(rate)
    return rate, float(w @ travels(rate) / w.sum())


def _points(
    tester: SpringTester, parameters: FloatArray, curve: Compression, diameter: float
) -> tuple[float, float]:
    """Score and force for log(spring rate) and travel: body and spring share the travel."""
    rate = float(np.exp(parameters[0]))
    travel = float(parameters[1]) + max(diameter - tester.nominal_diameter, 0.0)
    last = float(curve.force[-1])
    if curve.deflection[-1] + last / rate < travel:
        raise InputError(
            f"force-deflection curve ends at {last:g} N, but must reach the tester's force, above "
            f"{last:g} N; compute it to a higher load."
        )
    force = float(brentq(lambda f: curve.deflection_at(f) + f / rate - travel, 0.0, last))
    return (force / rate - tester.uncounted) / tester.point, force


def _slope(
    tester: SpringTester, parameters: FloatArray, curve: Compression, diameter: float
) -> FloatArray:
    """Differentiate the score by log(spring rate) and travel.

    From d(F) + F/k = T: (d' + 1/k) dF = dT + (F/k) dlog k, and the score is F/k in points.
    """
    rate = float(np.exp(parameters[0]))
    _, force = _points(tester, parameters, curve, diameter)
    step = 1e-3 * force
    above = min(force + step, float(curve.force[-1]))
    softness = (curve.deflection_at(above) - curve.deflection_at(force - step)) / (
        above - force + step
    )
    share = 1.0 / (rate * softness + 1.0)
    return np.array([share * force / rate - force / rate, share]) / tester.point
