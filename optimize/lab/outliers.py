"""Outliers among replicates, by a robust rule."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from optimize.lab.readings import PRIOR_DEGREES, Measurements, Reading
from optimize.lab.uncertainty import lab_data

# An outlier is further from the median of its replicates than this many robust standard deviations.
OUTLIER = 4.0


# Of normal readings: median absolute deviation over standard deviation, and its efficiency.
_MAD, _MAD_EFFICIENCY = 0.6745, 0.37


@dataclass(frozen=True)
class Outlier:
    """A reading far from its replicates, and by how many robust standard deviations."""

    reading: Reading
    deviations: float
    sentence: str


def outliers(found: Measurements) -> tuple[Outlier, ...]:
    """Find the readings far from their replicates.

    The rule is robust: the centre is the group's median; the scale is the median absolute deviation
    of all groups of the quantity, pooled with the prior scatter as in `pooled_noise`. No reading is
    excluded: that is the lab's decision (`Measurements.without`). Of two replicates both are named.

    Parameters
    ----------
    found : Measurements
        What was read.

    References
    ----------
    Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers, for the score with the median
    absolute deviation (from memory).
    """
    groups = [group for group in found.groups() if len(group.reading) > 1]
    away = [np.log(g.values) - np.median(np.log(g.values)) for g in groups]
    flagged = []
    for group, deviation in zip(groups, away, strict=True):
        quantity = group.quantity
        scale = _robust_scale(
            [d for g, d in zip(groups, away, strict=True) if g.quantity == quantity],
            lab_data().figure[quantity].noise_percent / 100.0,
        )
        for reading, z in zip(group.reading, np.abs(deviation) / scale, strict=True):
            if z > OUTLIER:
                middle = float(np.exp(np.median(np.log(group.values))))
                sentence = (
                    f"{reading.place}: {reading.value:g} is {z:.1f} standard deviations from the "
                    f"median {middle:.4g} of {len(group.reading)} replicates of {group.figure} of "
                    f"{group.build}"
                )
                flagged.append(Outlier(reading, float(z), sentence))
    return tuple(flagged)


def _robust_scale(away: Sequence[FloatArray], prior: float) -> float:
    """Estimate a reading's standard deviation from deviations about the medians of groups.

    Each median uses up one deviation of its group, so the smallest is left out; of a pair, the
    other is multiplied by sqrt(2). For normal groups of 2 to 8 the estimate is within 6 % of their
    standard deviation.
    """
    left = [np.sort(np.abs(d))[1:] * (np.sqrt(2.0) if len(d) == 2 else 1.0) for d in away]
    pooled = np.concatenate(left)
    square = (float(np.median(pooled)) / _MAD) ** 2
    degrees = _MAD_EFFICIENCY * len(pooled)
    return float(np.sqrt((PRIOR_DEGREES * prior**2 + degrees * square) / (PRIOR_DEGREES + degrees)))
