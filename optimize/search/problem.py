"""What an emulator's search works on."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from layers.arrays import FloatArray
from optimize.emulator.gaussian import Emulator
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.space import Row, Space
from optimize.search.acquisition import Predictions


@dataclass(frozen=True)
class Problem:
    """The builds to choose from, and what is wanted.

    Attributes
    ----------
    space : Space
        The builds, or any grid of choices like one.
    encode : callable
        Rows to coordinates, (n, d).
    admissible : callable
        Whether a row meets the constraints that closed forms decide.
    goals, bounds : tuples
        What is wanted, and the constraints that need a computation.
    """

    space: Space
    encode: Callable[[Sequence[Row]], FloatArray]
    admissible: Callable[[Row], bool]
    goals: tuple[Goal, ...]
    bounds: tuple[Bound, ...]

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures that are emulated."""
        names = [g.figure for g in self.goals] + [b.figure for b in self.bounds]
        return tuple(dict.fromkeys(names))

    def predict(self, emulator: Emulator, rows: Sequence[Row]) -> Predictions:
        """Predict the figures of builds.

        Parameters
        ----------
        emulator : Emulator
            Of all figures.
        rows : sequence of tuple of int
            The builds.
        """
        return Predictions(self.goals, self.bounds, emulator.predict(self.encode(rows)))
