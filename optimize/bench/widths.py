"""How wide the emulator's intervals must be to hold, told by builds that it was not fitted to.

Residuals of training builds that are left out do not show it: the length scales are fitted to the
same builds, and an even design is nowhere as far from itself as a build drawn at random. A flight's
deviation is made of those of its launch as if they were independent, which they are not. So every
figure has a factor of its own, above or below one.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

Pair = tuple[float, float]
Errors = dict[str, float]

# Weights, in builds: of a factor of one against the errors at the check builds, and of these
# against the latest moves by hand, which are about one part of the sliders' ranges.
_ONE, _CHECKS, _MOVES = 5.0, 5.0, 40

# Larger standardised errors count as this one: an outlier alone must not set the width.
_LARGEST = 4.0


def standardised(pairs: Mapping[str, Pair], values: Mapping[str, float]) -> Errors:
    """Return the errors of predictions in their standard deviations.

    Parameters
    ----------
    pairs : mapping of str to (float, float)
        Mean and standard deviation, by figure.
    values : mapping of str to float
        By finite elements.
    """
    return {
        name: float(np.clip((values[name] - mean) / deviation, -_LARGEST, _LARGEST))
        for name, (mean, deviation) in pairs.items()
        if name in values and deviation > 0.0
    }


@dataclass
class Widths:
    """Standardised errors of one emulator, and the factors of its deviations that follow.

    Attributes
    ----------
    at_checks : dict of bytes to dict
        Errors at each check build, drawn over the sliders' ranges.
    at_moves : deque of dict
        Errors at the latest builds that were moved to by hand, before they were trained on.
    factors : dict of str to float
        Of the standard deviation, by figure.
    """

    at_checks: dict[bytes, Errors] = field(default_factory=dict)
    at_moves: deque[Errors] = field(default_factory=lambda: deque(maxlen=_MOVES))
    factors: dict[str, float] = field(default_factory=dict)

    def check(self, errors: Mapping[bytes, Errors]) -> None:
        """Take errors at check builds, in place of earlier ones at the same builds."""
        self.at_checks |= errors
        self._update()

    def move(self, errors: Errors) -> None:
        """Take the errors at a build that was moved to by hand."""
        self.at_moves.append(errors)
        self._update()

    def scaled(self, pairs: Mapping[str, Pair]) -> dict[str, Pair]:
        """Return means and the deviations that hold."""
        return {
            name: (mean, deviation * self.factors.get(name, 1.0))
            for name, (mean, deviation) in pairs.items()
        }

    def _update(self) -> None:
        names = {name for errors in (*self.at_checks.values(), *self.at_moves) for name in errors}
        for name in names:
            square = _mean_square(1.0, _ONE, list(self.at_checks.values()), name)
            square = _mean_square(square, _CHECKS, self.at_moves, name)
            self.factors[name] = float(np.sqrt(square))


def _mean_square(prior: float, weight: float, errors: Sequence[Errors], name: str) -> float:
    """Return the mean square error, to which a prior adds as so many errors would."""
    known = [found[name] for found in errors if name in found]
    return (weight * prior + sum(e * e for e in known)) / (weight + len(known))
