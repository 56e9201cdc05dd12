"""The acquisition function: expected hypervolume improvement with constraints, for batches.

Each build counts by the hypervolume that it is expected to add to the front, times its probability
to meet the constraints; a batch is chosen so that its members do not add the same volume twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from layers.arrays import BoolArray, FloatArray
from optimize.emulator.gaussian import Prediction
from optimize.scenario.goals import Bound, Goal
from optimize.search.shortlist import non_dominated

# The reference box reaches so far beyond the ends of the front, as a share of its range.
_BEYOND = 0.1

# Volume is integrated on a Sobol sequence of 2**16 points of the box; points that the front
# dominates, or that no build can reach, are left out, and at most so many of the others kept.
_BOX_POINTS_LOG2 = 16
_MOST_POINTS = 2048

# Only so many builds, the best on every eighth point, are ranked on all of them.
_MOST_RANKED = 400
_COARSE = 8

# A point beyond every prediction by more than this counts as out of reach.
_OPTIMISTIC_SIGMAS = 3.0


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

    def optimistic_losses(self) -> FloatArray:
        """Losses with each goal some standard deviations better, (m, goals)."""
        columns = []
        for goal in self.goals:
            prediction = self.predictions[goal.figure]
            ends = [
                loss_of(goal, prediction.at(s)) for s in (-_OPTIMISTIC_SIGMAS, _OPTIMISTIC_SIGMAS)
            ]
            best = np.minimum(*ends)
            if goal.target is not None:
                low, high = prediction.at(-_OPTIMISTIC_SIGMAS), prediction.at(_OPTIMISTIC_SIGMAS)
                best = np.where((low <= goal.target) & (goal.target <= high), 0.0, best)
            columns.append(best)
        return np.column_stack(columns)

    @property
    def feasibility(self) -> FloatArray:
        """Probability to meet all constraints, (m,); figures count as independent."""
        return np.asarray(self.probability(None)[0])

    def probability(self, points: FloatArray | None) -> FloatArray:
        """Return the probability to meet all constraints and be at least as good as a point.

        A figure that is goal and limit at once counts once, for both; different figures count as
        independent.

        Parameters
        ----------
        points : (k, goals) array or None
            Losses; None for the constraints alone, k = 1.

        Returns
        -------
        (k, m) array
        """
        rows = 1 if points is None else len(points)
        names = {g.figure for g in self.goals} | {b.figure for b in self.bounds}
        product: FloatArray | float = 1.0
        for name in sorted(names):
            low, high = np.full((rows, 1), -np.inf), np.full((rows, 1), np.inf)
            for bound in (b for b in self.bounds if b.figure == name):
                if bound.side == "at least":
                    low = np.maximum(low, bound.value + bound.margin)
                else:
                    high = np.minimum(high, bound.value - bound.margin)
            for j, goal in enumerate(self.goals):
                if goal.figure == name and points is not None:
                    least, most = _interval(goal, points[:, j, None])
                    low, high = np.maximum(low, least), np.minimum(high, most)
            prediction = self.predictions[name]
            product = product * np.maximum(0.0, prediction.below(high) - prediction.below(low))
        return np.asarray(product)


def loss_of(goal: Goal, values: FloatArray) -> FloatArray:
    """Return `Goal.loss` of many values."""
    return np.array([goal.loss(float(value)) for value in values])


def _interval(goal: Goal, loss: FloatArray) -> tuple[FloatArray | float, FloatArray | float]:
    """Return the interval of a figure in which its loss is at most `loss`."""
    if goal.target is not None:
        # A loss is never negative: below zero the interval is empty.
        width = np.where(loss < 0.0, -np.inf, goal.band + loss)
        return goal.target - width, goal.target + width
    return (-loss, np.inf) if goal.aim == "maximize" else (-np.inf, loss)


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
    if len(front) == 1:  # one is best in all goals: the others give the box its size
        high = losses.max(axis=0)
    width = np.maximum(high - low, 1e-12)
    return low - _BEYOND * width, high + _BEYOND * width


def choose_batch(
    predicted: Predictions,
    front: FloatArray,
    box: tuple[FloatArray, FloatArray],
    count: int,
    seed: int,
) -> list[int]:
    """Choose the builds of largest joint expected hypervolume improvement.

    A feasible build x dominates those points z of the box that it is at least as good as in every
    goal. The expected improvement is the integral of that probability over the z that the front
    does not dominate (Emmerich, Giannakoglou and Naujoks 2006, IEEE Trans. Evol. Comput. 10, 421),
    here a sum over a Sobol sequence, for any number of goals. Members are chosen one by one, each
    weighted by the probability that the earlier ones leave a point undominated.

    Parameters
    ----------
    predicted : Predictions
        Predictions of the m builds to choose from.
    front : (n, goals) array
        Losses of the computed feasible builds that are not dominated; n may be 0.
    box : (goals,), (goals,) arrays
        Lowest and highest losses of the reference box.
    count : int
        Builds wanted.
    seed : int
        Scrambles the sequence.

    Returns
    -------
    list of int
        At most `count` indices of builds, the best first; fewer if the others add nothing.
    """
    points = _open_points(predicted.optimistic_losses(), front, box, seed)
    if not len(points):
        return []
    coarse = predicted.probability(points[:: max(1, min(_COARSE, len(points) // 64))])
    order = np.argsort(-coarse.sum(axis=0), kind="stable")[:_MOST_RANKED]
    order = np.sort(order)
    cover = _subset(predicted, order).probability(points)
    open_share = np.ones(len(points))
    chosen: list[int] = []
    while len(chosen) < min(count, len(order)):
        worth = open_share @ cover
        worth[chosen] = -1.0
        best = int(np.argmax(worth))
        if worth[best] <= 0.0:
            break
        chosen.append(best)
        open_share = open_share * (1.0 - cover[:, best])
    return [int(order[i]) for i in chosen]


def _subset(predicted: Predictions, indices: np.typing.NDArray[np.intp]) -> Predictions:
    predictions = {
        name: Prediction(p.mean[indices], p.sd[indices], p.log)
        for name, p in predicted.predictions.items()
    }
    return Predictions(predicted.goals, predicted.bounds, predictions)


def _open_points(
    optimistic: FloatArray, front: FloatArray, box: tuple[FloatArray, FloatArray], seed: int
) -> FloatArray:
    """Return points that the front does not dominate but some build may, (k, goals)."""
    low, high = box
    sequence = qmc.Sobol(len(low), rng=np.random.default_rng(seed)).random_base2(_BOX_POINTS_LOG2)
    points = low + sequence * (high - low)
    points = points[~_dominated(points, front)]
    points = points[_dominated(points, optimistic[non_dominated(optimistic)])]
    return points[:_MOST_POINTS]


def _dominated(points: FloatArray, by: FloatArray) -> BoolArray:
    """Return which points some row of `by` dominates or equals, (k,)."""
    found = np.zeros(len(points), dtype=bool)
    for row in by:
        found |= np.all(row <= points, axis=1)
    return found
