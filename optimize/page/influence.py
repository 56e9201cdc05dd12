"""What drives what over the builds of a run: a straight-line fit of each figure.

y = b_0 + sum_j b_j x_j by least squares over all computed builds, with every x_j and y scaled to
standard deviation 1, so that b_j compares freedoms of different units. The builds of a search are
no even sample of the space: they crowd where the goals are met, and freedoms that the search moved
together share their effect. R2 says how much of a figure the straight lines explain.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from layers.arrays import FloatArray

_CONFIDENCE = 0.95
# Fewer builds than this for each freedom, and a fit says more of chance than of layers.
_LEAST_BUILDS_EACH = 3


@dataclass(frozen=True)
class Influence:
    """How strongly figures answer to freedoms, over the builds of a run.

    Attributes
    ----------
    strength, error : (figures, freedoms) array
        Standardised slope, and the half width of its 95 % interval.
    explained : (figures,) array
        R2 of each figure's fit.
    """

    strength: FloatArray
    error: FloatArray
    explained: FloatArray


@dataclass(frozen=True)
class Sobol:
    """Shares of each figure's variance over the whole space, from a model of the figures.

    Attributes
    ----------
    figures, freedoms : tuple of str
        Names of the rows and of the columns, in words.
    first, total : (figures, freedoms) array
        Share that the freedom explains alone, and with all that it does together with others.
    low, high : (figures, freedoms) array
        Ends of the 95 % interval of `total`.
    source : str
        What the shares were computed from, in a sentence or two.
    sentences, notes : tuple of str
        The main shares in words, and what they mean and how far they can be trusted.
    """

    figures: tuple[str, ...]
    freedoms: tuple[str, ...]
    first: FloatArray
    total: FloatArray
    low: FloatArray
    high: FloatArray
    source: str
    sentences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def influence(freedoms: FloatArray, figures: FloatArray) -> Influence | None:
    """Fit every figure by straight lines.

    Parameters
    ----------
    freedoms : (n, d) array
        Each column varies.
    figures : (n, m) array
        A figure that does not vary gets zeros.

    Returns
    -------
    Influence or None
        None where there are too few builds to tell.
    """
    count, wide = freedoms.shape
    if not wide or count < max(_LEAST_BUILDS_EACH * wide, wide + 8):
        return None
    x, y = _standardised(freedoms), _standardised(figures)
    # The pseudo-inverse shares the effect between freedoms that always moved together.
    inverse = np.linalg.pinv(x.T @ x, rcond=1e-9, hermitian=True)
    strength = (inverse @ x.T @ y).T
    left = y - x @ strength.T
    spare = count - wide - 1
    variance = np.sum(left**2, axis=0) / spare
    spread = np.sqrt(np.outer(variance, np.clip(np.diag(inverse), 0.0, None)))
    total = np.sum(y**2, axis=0)
    explained = 1.0 - np.divide(
        np.sum(left**2, axis=0), total, out=np.ones_like(total), where=total > 0.0
    )
    return Influence(strength, float(stdtrit(spare, 0.5 + _CONFIDENCE / 2)) * spread, explained)


def _standardised(columns: FloatArray) -> FloatArray:
    centred = columns - columns.mean(axis=0)
    spread = centred.std(axis=0)
    return np.asarray(
        centred / np.where(spread > 1e-12 * np.abs(columns).max(axis=0), spread, np.inf)
    )


def sobol_record(sobol: Sobol) -> dict[str, object]:
    """Return plain data for the page."""
    return {
        "figures": list(sobol.figures),
        "freedoms": list(sobol.freedoms),
        "first": np.round(sobol.first, 4).tolist(),
        "total": np.round(sobol.total, 4).tolist(),
        "low": np.round(sobol.low, 4).tolist(),
        "high": np.round(sobol.high, 4).tolist(),
        "source": sobol.source,
        "sentences": list(sobol.sentences),
        "notes": list(sobol.notes),
    }


def varying(columns: Sequence[FloatArray]) -> list[int]:
    """Return the places of the columns that are not constant."""
    return [i for i, c in enumerate(columns) if np.ptp(c) > 1e-12 * max(1.0, np.abs(c).max())]
