"""Terms of a response surface, chosen by leave-one-out error."""

import itertools

import numpy as np

from layers.arrays import FloatArray
from layers.compound.least_squares import least_squares

# Residual degrees of freedom below which an interval says nothing.
FEWEST_DEGREES_OF_FREEDOM = 3


# A second-order term must lower the leave-one-out error by this share: smaller gains are chance.
LEAST_GAIN = 0.10


Terms = tuple[tuple[int, ...], ...]


def grown(linear: Terms, coded: FloatArray, observed: FloatArray) -> Terms:
    """Add second-order terms to the linear ones while each lowers the leave-one-out error.

    With q the unit part of a term's column that is orthogonal to the present columns, the residual
    loses q (q . residual) and the leverage gains q^2.

    Parameters
    ----------
    linear : tuple
        Constant and linear terms.
    coded : (n, k) array
        Coded settings of the trials.
    observed : (n,) array
        Logarithms of the response.
    """
    terms = list(linear)
    candidates = _second_order(coded)
    columns = design_of(coded, tuple(candidates)) if candidates else np.zeros((len(observed), 0))
    scale = np.linalg.norm(columns, axis=0)
    q, _ = np.linalg.qr(design_of(coded, linear))
    residual = observed - q @ (q.T @ observed)
    leverage = np.sum(q**2, axis=1)
    while len(observed) - len(terms) > FEWEST_DEGREES_OF_FREEDOM:
        columns = columns - q @ (q.T @ columns)
        length = np.linalg.norm(columns, axis=0)
        usable = np.flatnonzero(length > 1e-6 * scale)
        if len(usable) == 0:
            break
        unit = columns[:, usable] / length[usable]
        residuals = residual[:, None] - unit * (unit.T @ residual)
        leverages = leverage[:, None] + unit**2
        errors = np.linalg.norm(residuals / np.maximum(1.0 - leverages, 1e-12), axis=0)
        best = int(errors.argmin())
        if not errors[best] < (1.0 - LEAST_GAIN) * np.linalg.norm(residual / (1.0 - leverage)):
            break
        terms.append(candidates[usable[best]])
        q = np.column_stack([q, unit[:, best]])
        residual, leverage = residuals[:, best], leverages[:, best]
    return tuple(terms)


def left_out_error(linear: Terms, coded: FloatArray, observed: FloatArray) -> float:
    """Root mean square error of predicting each trial from the others, terms chosen anew.

    Parameters
    ----------
    linear : tuple
        Constant and linear terms.
    coded : (n, k) array
        Coded settings of the trials.
    observed : (n,) array
        Logarithms of the response.
    """
    errors = []
    for out in range(len(observed)):
        kept = np.arange(len(observed)) != out
        if dependent(design_of(coded[kept], linear)):
            continue  # the only trial with another value of a setting cannot be predicted
        terms = grown(linear, coded[kept], observed[kept])
        fit = least_squares(design_of(coded[kept], terms), observed[kept])
        predicted = design_of(coded[out : out + 1], terms) @ fit.coefficient
        errors.append(float(observed[out] - predicted.item()))
    return float(np.sqrt(np.mean(np.square(errors)))) if errors else float("inf")


def _second_order(coded: FloatArray) -> list[tuple[int, ...]]:
    """List products of two settings, and squares of settings with more than two levels."""
    k = coded.shape[1]
    squares = [(j, j) for j in range(k) if len(np.unique(coded[:, j].round(6))) > 2]
    return [*itertools.combinations(range(k), 2), *squares]


def design_of(coded: FloatArray, terms: Terms) -> FloatArray:
    """Columns of the terms, (n, p), at coded settings (n, k)."""
    return np.column_stack([np.prod(coded[:, list(term)], axis=1) for term in terms])


def dependent(design: FloatArray) -> bool:
    """Whether the columns are linearly dependent."""
    return bool(np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1])


def confounded_with(terms: Terms, coded: FloatArray, varied: tuple[str, ...]) -> tuple[str, ...]:
    """Name the second-order terms that are confounded with those chosen, linear ones among them.

    Parameters
    ----------
    terms : tuple
        Those chosen.
    coded : (n, k) array
        Coded settings of the trials.
    varied : tuple of k str
        Names of the settings.
    """
    return tuple(
        " x ".join(varied[j] for j in term)
        for term in _second_order(coded)
        if term not in terms and dependent(design_of(coded, (*terms, term)))
    )
