"""Which builds finite elements should look at next, by what Gaussian processes believe of them.

Each build is worth the hypervolume that it is expected to add to the front, times its chance to
keep the limits; a batch is chosen so that its members do not add the same volume twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from layers.arrays import BoolArray, FloatArray
from optimize.emulator.gaussian import Prediction
from optimize.scenario.goals import Bound, Goal
from optimize.search.shortlist import non_dominated

# The box in which volume counts reaches so far beyond the ends of the front, as a share of it.
_BEYOND = 0.1

# Volume is counted on the points of a Sobol sequence, 2**16 of the whole box; those that the front
# holds, and those that no build has a chance of, are left out, and as many kept of the others.
_BOX_POINTS_LOG2 = 16
_MOST_POINTS = 2048

# Only so many builds, the best on every eighth point, are weighed on all of them.
_MOST_WEIGHED = 400
_COARSE = 8

# A point that lies farther than this above every prediction has no chance.
_HOPE_SIGMAS = 3.0


@dataclass(frozen=True)
class Beliefs:
    """What is believed of m builds.

    Attributes
    ----------
    goals, bounds : tuples
        What is wanted, what must hold; only of figures that are predicted.
    predictions : mapping of str to Prediction
        Of each figure in them, (m,).
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

    def hopeful_losses(self) -> FloatArray:
        """Losses if each goal turned out some standard deviations better, (m, goals)."""
        columns = []
        for goal in self.goals:
            prediction = self.predictions[goal.figure]
            ends = [loss_of(goal, prediction.at(s)) for s in (-_HOPE_SIGMAS, _HOPE_SIGMAS)]
            best = np.minimum(*ends)
            if goal.target is not None:
                low, high = prediction.at(-_HOPE_SIGMAS), prediction.at(_HOPE_SIGMAS)
                best = np.where((low <= goal.target) & (goal.target <= high), 0.0, best)
            columns.append(best)
        return np.column_stack(columns)

    @property
    def chances(self) -> FloatArray:
        """Probability that a build keeps every limit, (m,); figures count as independent."""
        return np.asarray(self.reach(None)[0])

    def reach(self, points: FloatArray | None) -> FloatArray:
        """Return the probability that a build keeps every limit and is at least as good as a point.

        A figure that is goal and limit at once is asked once, for both; different figures count as
        independent.

        Parameters
        ----------
        points : (k, goals) array or None
            Losses; None asks for the limits alone, k = 1.

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
    """Return between which values of a figure its loss is at most `loss`."""
    if goal.target is not None:
        # A loss is never negative: nothing lies below a loss of less than nought.
        width = np.where(loss < 0.0, -np.inf, goal.band + loss)
        return goal.target - width, goal.target + width
    return (-loss, np.inf) if goal.aim == "maximize" else (-np.inf, loss)


def box_around(losses: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the box in which volume counts: that of the best of `losses`, and some way beyond.

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
    if len(front) == 1:  # one best in all goals: the others say how wide the world is
        high = losses.max(axis=0)
    width = np.maximum(high - low, 1e-12)
    return low - _BEYOND * width, high + _BEYOND * width


def choose_batch(
    beliefs: Beliefs, front: FloatArray, box: tuple[FloatArray, FloatArray], count: int, seed: int
) -> list[int]:
    """Choose the builds that together are expected to add most to the front's hypervolume.

    Of the points z of the box that are not dominated yet, build x covers those that it is as good
    as in every goal, if it keeps the limits. The expected hypervolume improvement is the integral
    of that chance over such z (Emmerich, Giannakoglou and Naujoks 2006, IEEE Trans. Evol. Comput.
    10, 421), here a sum over a Sobol sequence, for any number of goals. Members are chosen one by
    one; each leaves of a point what it may fail to cover.

    Parameters
    ----------
    beliefs : Beliefs
        Of the m builds that may be chosen.
    front : (n, goals) array
        Losses of the computed builds that keep the limits and are not dominated; n may be 0.
    box : (goals,), (goals,) arrays
        Lowest and highest losses that count.
    count : int
        Builds wanted.
    seed : int
        Scrambles the sequence.

    Returns
    -------
    list of int
        At most `count` indices of builds, the best first; fewer if the others promise nothing.
    """
    points = _open_points(beliefs.hopeful_losses(), front, box, seed)
    if not len(points):
        return []
    coarse = beliefs.reach(points[:: max(1, min(_COARSE, len(points) // 64))])
    order = np.argsort(-coarse.sum(axis=0), kind="stable")[:_MOST_WEIGHED]
    order = np.sort(order)
    cover = _taken(beliefs, order).reach(points)
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


def _taken(beliefs: Beliefs, indices: np.typing.NDArray[np.intp]) -> Beliefs:
    predictions = {
        name: Prediction(p.mean[indices], p.sd[indices], p.log)
        for name, p in beliefs.predictions.items()
    }
    return Beliefs(beliefs.goals, beliefs.bounds, predictions)


def _open_points(
    hopes: FloatArray, front: FloatArray, box: tuple[FloatArray, FloatArray], seed: int
) -> FloatArray:
    """Return points of the box that the front does not dominate and some build may, (k, goals)."""
    low, high = box
    sequence = qmc.Sobol(len(low), rng=np.random.default_rng(seed)).random_base2(_BOX_POINTS_LOG2)
    points = low + sequence * (high - low)
    points = points[~_dominated(points, front)]
    points = points[_dominated(points, hopes[non_dominated(hopes)])]
    return points[:_MOST_POINTS]


def _dominated(points: FloatArray, by: FloatArray) -> BoolArray:
    """Say which points some row of `by` is at least as good as, (k,)."""
    found = np.zeros(len(points), dtype=bool)
    for row in by:
        found |= np.all(row <= points, axis=1)
    return found
