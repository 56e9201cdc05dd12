"""Ordinary least squares with what a prediction needs: leverage, scatter, leave-one-out."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError


@dataclass(frozen=True)
class LeastSquares:
    """A fit of n observations by p coefficients.

    Attributes
    ----------
    coefficient : (p,) array
        Of the design's columns.
    scatter : float
        Residual standard deviation on n - p degrees of freedom.
    degrees_of_freedom : int
        n - p.
    leverage : (n,) array
        Diagonal of the hat matrix.
    left_out : (n,) array
        Error of predicting each observation from the others: residual / (1 - leverage).
    studentized : (n,) array
        Residual over its own standard deviation with the observation left out.
    root : (p, p) array
        Upper triangle R of the design's QR factors.
    """

    coefficient: FloatArray
    scatter: float
    degrees_of_freedom: int
    leverage: FloatArray
    left_out: FloatArray
    studentized: FloatArray
    root: FloatArray

    def leverage_of(self, design: FloatArray) -> FloatArray:
        """Leverage x (X^T X)^-1 x^T of new rows (m, p), (m,); 1 + it scales the scatter squared."""
        solved = np.linalg.solve(self.root.T, design.T)
        return np.asarray(np.sum(solved**2, axis=0))


def least_squares(design: FloatArray, observed: FloatArray) -> LeastSquares:
    """Fit observed = design @ coefficient + normal scatter.

    Parameters
    ----------
    design : (n, p) array
        Of full column rank, n > p.
    observed : (n,) array
        The observations.

    Raises
    ------
    InputError
        If there are no more observations than coefficients, or the columns are dependent.

    References
    ----------
    Montgomery, Peck and Vining, Introduction to Linear Regression Analysis, chapters 3 and 4.
    """
    n, p = design.shape
    if n <= p:
        raise InputError(f"{n} observations cannot give {p} coefficients and a scatter.")
    # Scaled columns, so that the test of rank does not depend on units.
    scale = np.linalg.norm(design, axis=0)
    if not scale.all():
        raise InputError("a column of the design is all zero.")
    q, r = np.linalg.qr(design / scale)
    if np.abs(np.diag(r)).min() < 1e-10:
        raise InputError("the design's columns are linearly dependent.")
    coefficient = np.linalg.solve(r, q.T @ observed) / scale
    residual = observed - design @ coefficient
    leverage = np.sum(q**2, axis=1)
    rest = np.maximum(1.0 - leverage, np.finfo(float).eps)
    square = float(residual @ residual)
    without = np.maximum((square - residual**2 / rest) / max(n - p - 1, 1), 1e-300)
    return LeastSquares(
        coefficient=coefficient,
        scatter=float(np.sqrt(square / (n - p))),
        degrees_of_freedom=n - p,
        leverage=leverage,
        left_out=residual / rest,
        studentized=residual / np.sqrt(without * rest),
        root=r * scale,
    )
