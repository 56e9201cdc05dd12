"""Levels: what is common to all pieces of a lot, and moves its yield as a whole.

A lot's mean differs from the nominal by the process's scatter from lot to lot. The model's level is
off by its absolute error: of a calibrated figure the posterior's, of another a judgement. Neither
averages out over pieces, so that a yield has an interval besides its value.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray
from optimize.tolerance.exact import is_exact
from optimize.tolerance.limits import Limit
from optimize.tolerance.pieces import Draws
from optimize.tolerance.study import Study, values_of

# Drawn lots, and pieces of each.
_LOTS, _PIECES = 400, 500
# Absolute errors are half widths of 95 %.
_WIDTH = 1.96


@dataclass(frozen=True)
class Levels:
    """Which pieces of each drawn lot meet each limit, (lots, pieces).

    `deviation` has the standard deviation of each limited figure's level, in its unit.
    """

    passed: Mapping[Limit, BoolArray]
    deviation: Mapping[str, float]

    def interval(self, limits: Sequence[Limit]) -> tuple[float, float]:
        """Return the 2.5 and 97.5 % quantiles over lots of the joint yield of some limits."""
        joint = np.all([self.passed[limit] for limit in limits], axis=0)
        low, high = np.quantile(joint.mean(axis=1), (0.025, 0.975))
        return float(low), float(high)


def model_error(found: Study, name: str) -> float:
    """Return the absolute error of a figure's level, in its unit; 0 of a closed form."""
    return 0.0 if is_exact(name) else found.nominal[name].absolute_error


def level_rates(found: Study, limits: Sequence[Limit], draws: Draws, seed: int) -> Levels:
    """Draw lots with the model's error, and screen pieces of each.

    Parameters
    ----------
    found : Study
        The build and its surrogate.
    limits : sequence of Limit
        None are needed.
    draws : Draws
        Pieces; the first of them are each lot's.
    seed : int
        The same seed draws the same lots.
    """
    rng = np.random.default_rng([seed, 4])
    lot = rng.standard_normal((_LOTS, len(found.sources))) * [s.lot for s in found.sources]
    names = list(dict.fromkeys(limit.figure for limit in limits))
    # Another seed for each figure: its error does not depend on the other limits.
    error = {
        name: np.random.default_rng([seed, 5, *name.encode()]).standard_normal(_LOTS)
        * np.hypot(model_error(found, name) / _WIDTH, found.check_error.get(name, 0.0))
        for name in names
    }
    some = Draws(draws.move[:_PIECES], draws.offset[:_PIECES])
    nominal = values_of(found, Draws(lot, np.zeros((_LOTS, *draws.offset.shape[1:]))), names)
    values = {name: np.empty((_LOTS, len(some.move))) for name in names}
    for i, moved in enumerate(lot):
        of_lot = values_of(found, Draws(some.move + moved, some.offset), names)
        for name in names:
            values[name][i] = of_lot[name] + error[name][i]
    return Levels(
        {limit: limit.passed(values[limit.figure]) for limit in limits},
        {name: _deviation(nominal[name] + error[name]) for name in names},
    )


def _deviation(levels: FloatArray) -> float:
    return float(levels.std(ddof=1))
