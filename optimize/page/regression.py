"""Standardised regression coefficients over the builds of a run.

y = b_0 + sum_j b_j x_j by least squares over all computed builds, with every x_j and y scaled to
standard deviation 1, so that the b_j of variables of different units compare. A search does not
sample its space evenly: builds are dense where the goals are met, and collinear variables share
their effect. R2 is the fraction of a figure's variance that the linear fit explains.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from layers.arrays import FloatArray

_CONFIDENCE = 0.95
# Builds for each variable, below which a fit is not trusted.
_LEAST_BUILDS_EACH = 3


@dataclass(frozen=True)
class Regression:
    """Linear fits of figures on design variables.

    Attributes
    ----------
    coefficients, error : (figures, variables) array
        Standardised regression coefficient, and the half width of its 95 % interval; 1.
    r2 : (figures,) array
        Coefficient of determination of each fit; 1.
    """

    coefficients: FloatArray
    error: FloatArray
    r2: FloatArray


def standardised_regression(variables: FloatArray, figures: FloatArray) -> Regression | None:
    """Fit every figure linearly.

    Parameters
    ----------
    variables : (n, d) array
        Each column varies.
    figures : (n, m) array
        A figure that does not vary gets zeros.

    Returns
    -------
    Regression or None
        None where builds are too few.
    """
    count, wide = variables.shape
    if not wide or count < max(_LEAST_BUILDS_EACH * wide, wide + 8):
        return None
    x, y = _standardised(variables), _standardised(figures)
    # The pseudo-inverse shares the effect among collinear variables.
    inverse = np.linalg.pinv(x.T @ x, rcond=1e-9, hermitian=True)
    coefficients = (inverse @ x.T @ y).T
    left = y - x @ coefficients.T
    spare = count - wide - 1
    variance = np.sum(left**2, axis=0) / spare
    spread = np.sqrt(np.outer(variance, np.clip(np.diag(inverse), 0.0, None)))
    total = np.sum(y**2, axis=0)
    r2 = 1.0 - np.divide(np.sum(left**2, axis=0), total, out=np.ones_like(total), where=total > 0.0)
    return Regression(coefficients, float(stdtrit(spare, 0.5 + _CONFIDENCE / 2)) * spread, r2)


def _standardised(columns: FloatArray) -> FloatArray:
    centred = columns - columns.mean(axis=0)
    spread = centred.std(axis=0)
    return np.asarray(
        centred / np.where(spread > 1e-12 * np.abs(columns).max(axis=0), spread, np.inf)
    )


def varying(columns: Sequence[FloatArray]) -> list[int]:
    """Return the places of the columns that are not constant."""
    return [i for i, c in enumerate(columns) if np.ptp(c) > 1e-12 * max(1.0, np.abs(c).max())]
