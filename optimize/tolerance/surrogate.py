"""Quadratics fitted to figures of pieces."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray


@dataclass(frozen=True)
class Surrogate:
    """Quadratics of figures about a build, without products of two sources.

    `constant` (f,), `linear` and `square` (sources, f) are of moves over steps; `names` has f.
    """

    names: tuple[str, ...]
    step: FloatArray
    constant: FloatArray
    linear: FloatArray
    square: FloatArray

    def __call__(self, move: FloatArray) -> FloatArray:
        """Figures of pieces, (s, f), from their moves, (s, sources)."""
        u = move / self.step
        return np.asarray(self.constant + u @ self.linear + u**2 @ self.square)

    def only(self, names: Sequence[str]) -> "Surrogate":
        """Return the surrogate of some of the figures."""
        place = [self.names.index(name) for name in names]
        return Surrogate(
            tuple(names),
            self.step,
            self.constant[place],
            self.linear[:, place],
            self.square[:, place],
        )


def fit(
    names: Sequence[str], step: FloatArray, design: FloatArray, values: FloatArray
) -> Surrogate:
    """Fit quadratics by least squares.

    Parameters
    ----------
    names : sequence of str
        f figures.
    step : (sources,) array
        Distance between fitted pieces, in each source's measure.
    design : (s, sources) array
        Moves of the fitted pieces.
    values : (s, f) array
        Their figures.
    """
    u = design / step
    matrix = np.hstack([np.ones((len(u), 1)), u, u**2])
    coefficients: FloatArray = np.linalg.pinv(matrix) @ values
    count = len(step)
    return Surrogate(
        tuple(names), step, coefficients[0], coefficients[1 : count + 1], coefficients[count + 1 :]
    )
