"""The acquisition function: expected hypervolume improvement with constraints, for batches.

Each build counts by the hypervolume that it is expected to add to the front, times its probability
to meet the constraints; a batch is chosen so that its members do not add the same volume twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.numerics.threads import one_thread
from optimize.emulator.gaussian import Prediction
from optimize.scenario.goals import Bound, Goal
from optimize.search.shortlist import non_dominated

# The reference box reaches so far beyond the ends of the front, as a share of its range.
_BEYOND = 0.1

# The box is cut into at most so many cells: 256 a goal with two, 40 with three.
_MOST_CELLS, _MOST_LINES = 65536, 256


@dataclass(frozen=True)
class Predictions:
    """Predictions of m builds, with what is wanted of them.

    Attributes
    ----------
    goals, bounds : tuples
        Goals and constraints; only on figures that are predicted.
    predictions : mapping of str to Prediction
        Of each of these figures, (m,).
    """

    goals: tuple[Goal, ...]
    bounds: tuple[Bound, ...]
    predictions: Mapping[str, Prediction]

    @property
    def losses(self) -> FloatArray:
        """Losses of the medians, (m, goals)."""
        return np.column_stack(
            [loss_of(goal, self.predictions[goal.figure].value) for goal in self.goals]
        )

    @property
    def feasibility(self) -> FloatArray:
        """Probability to meet all constraints, (m,); figures count as independent."""
        return self._meeting({b.figure for b in self.bounds})

    def worth(self, cells: "Cells") -> FloatArray:
        """Return the expected hypervolume improvement: open volume that a build dominates, (m,)."""
        with one_thread():
            covered = [self._covered(j, lines) for j, lines in enumerate(cells.lines)]
            volume = covered[0] @ cells.open.reshape(len(cells.open), -1)
            for one in covered[1:]:
                volume = np.einsum("mk,mkr->mr", one, volume.reshape(*one.shape, -1))
        return np.asarray(self._meeting(self._bounded_only()) * volume[:, 0])

    def at(self, indices: np.typing.NDArray[np.intp]) -> "Predictions":
        """Return the predictions of some of the builds."""
        some = {
            name: Prediction(p.mean[indices], p.sd[indices], p.log)
            for name, p in self.predictions.items()
        }
        return Predictions(self.goals, self.bounds, some)

    def _bounded_only(self) -> set[str]:
        return {b.figure for b in self.bounds} - {g.figure for g in self.goals}

    def _meeting(self, names: set[str]) -> FloatArray:
        """Return the probability that these figures meet their constraints, (m,)."""
        product = np.ones(len(next(iter(self.predictions.values())).mean))
        for name in sorted(names):
            low, high = self._range(name)
            prediction = self.predictions[name]
            product = product * np.maximum(0.0, prediction.below(high) - prediction.below(low))
        return product

    def _range(self, name: str) -> tuple[float, float]:
        """Return the values of a figure that meet its constraints."""
        mine = [b for b in self.bounds if b.figure == name]
        low = [b.value + b.margin for b in mine if b.side == "at least"]
        high = [b.value - b.margin for b in mine if b.side != "at least"]
        return max(low, default=-np.inf), min(high, default=np.inf)

    def _covered(self, j: int, lines: FloatArray) -> FloatArray:
        """Integrate the probability that goal j is at least as good as a loss, and allowed.

        Returns
        -------
        (m, k - 1) array
            Over the losses between each line and the next.
        """
        goal = self.goals[j]
        prediction, allowed = self.predictions[goal.figure], self._range(goal.figure)
        if goal.target is not None:
            # A loss is never negative. It is at most z where the figure is within band + z.
            z = goal.band + np.maximum(lines, 0.0)
            upper = _area_below(prediction, goal.target + z, allowed)
            lower = _area_below(prediction, goal.target - z, allowed)
            return np.asarray(np.diff(upper) + np.diff(lower))
        if goal.aim == "minimize":
            below_low = prediction.below(allowed[0])[:, None] * np.diff(lines)
            return np.asarray(np.diff(_area_below(prediction, lines, allowed)) - below_low)
        below_high = prediction.below(allowed[1])[:, None] * np.diff(lines)
        return np.asarray(below_high + np.diff(_area_below(prediction, -lines, allowed)))


def _area_below(prediction: Prediction, x: FloatArray, allowed: tuple[float, float]) -> FloatArray:
    """Integrate P(figure <= x), x kept in the allowed range, up to each x, but for a constant.

    Returns
    -------
    (m, k) array
    """
    low, high = allowed
    area = prediction.area_below(np.clip(x, low, high))
    area = area + prediction.below(low)[:, None] * np.minimum(x - low, 0.0)
    return np.asarray(area + prediction.below(high)[:, None] * np.maximum(x - high, 0.0))


@dataclass(frozen=True)
class Cells:
    """The reference box, cut by lines through the losses of the front.

    Attributes
    ----------
    lines : tuple of (k,) arrays
        Of each goal, from the lowest loss of the box to the highest.
    open : array
        1 for each cell that is not dominated yet, 0 for the others, (k1 - 1, k2 - 1, ...).
    """

    lines: tuple[FloatArray, ...]
    open: FloatArray


def cells_between(front: FloatArray, box: tuple[FloatArray, FloatArray]) -> Cells:
    """Cut the box by lines through the losses of the front.

    Parameters
    ----------
    front : (n, goals) array
        Losses of feasible builds; n may be 0.
    box : (goals,), (goals,) arrays
        Lowest and highest losses of the reference box.
    """
    goals = front.shape[1]
    most = min(_MOST_LINES, int(_MOST_CELLS ** (1.0 / goals) + 1e-9))
    lines = tuple(_lines(front[:, j], box[0][j], box[1][j], most) for j in range(goals))
    middles = [0.5 * (one[1:] + one[:-1]) for one in lines]
    still_open = np.ones([len(one) for one in middles])
    for row in front:
        still_open[np.ix_(*(m >= x for m, x in zip(middles, row, strict=True)))] = 0.0
    return Cells(lines, still_open)


def _lines(through: FloatArray, low: float, high: float, most: int) -> FloatArray:
    """Return at most `most` + 1 lines: the given ones inside, and equal parts between them."""
    inside = np.unique(through[(through > low) & (through < high)])
    if len(inside) > most - 1:
        inside = inside[np.linspace(0, len(inside) - 1, most - 1).round().astype(int)]
    ends = np.concatenate([[low], inside, [high]])
    parts = max(1, most // (len(ends) - 1))
    places = np.arange(parts * (len(ends) - 1) + 1) / parts
    return np.asarray(np.interp(places, np.arange(len(ends)), ends))


def loss_of(goal: Goal, values: FloatArray) -> FloatArray:
    """Return `Goal.loss` of many values."""
    return np.array([goal.loss(float(value)) for value in values])


def box_around(losses: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the reference box: that of the non-dominated `losses`, and some way beyond.

    Parameters
    ----------
    losses : (n, goals) array
        Of computed and of predicted builds.

    Returns
    -------
    (goals,), (goals,) arrays
        Lowest and highest losses in it.
    """
    front = losses[non_dominated(losses)]
    low, high = front.min(axis=0), front.max(axis=0)
    # Where all of them are equal, the dominated ones give the box its size.
    high = np.where(high > low, high, losses.max(axis=0))
    width = np.maximum(high - low, 1e-12)
    return low - _BEYOND * width, high + _BEYOND * width
