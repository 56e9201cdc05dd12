"""A batch of builds of large joint expected hypervolume improvement.

Members are chosen one by one, each as if the earlier ones were computed, with figures drawn from
the emulator's predictions of them. Each is the best of the candidates, then moved on by local
search: an evolutionary search over the emulator spreads its candidates over the front, but hardly
one lies on it to the last step.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from optimize.emulator.gaussian import Emulator
from optimize.scenario.space import Row, Space
from optimize.search.acquisition import Cells, Predictions, box_around, cells_between
from optimize.search.problem import Problem

# Only so many candidates, the best for the first place, are ranked for the others.
_MOST_RANKED = 400

# Local search: rounds of so many moves. Steps are normal, this share of a variable's range at first
# and half in each round, but no less than a share of one increment; a variable takes part in a move
# with this probability.
_ROUNDS, _MOVES = 10, 40
_FIRST_STEP, _LEAST_INCREMENT = 0.1, 0.6
_MOVED = 0.5

# A candidate that meets the constraints with less than this probability gives the box no size.
_LEAST_PROBABILITY = 0.25


@dataclass(frozen=True)
class Choice:
    """A build of a batch, and the predictions of its figures.

    Attributes
    ----------
    row : tuple of int
        The build.
    predicted : Predictions
        Of this build alone, m = 1.
    """

    row: Row
    predicted: Predictions


def choose_batch(
    problem: Problem,
    emulator: Emulator,
    allowed: Callable[[Row], bool],
    candidates: Sequence[Row],
    front: FloatArray,
    count: int,
    seed: int,
) -> list[Choice]:
    """Choose the builds of largest joint expected hypervolume improvement.

    A feasible build x dominates those losses z that it is at least as good as in every goal. The
    expected improvement is the integral of that probability over the z that the front does not
    dominate (Emmerich, Giannakoglou and Naujoks 2006, IEEE Trans. Evol. Comput. 10, 421), here by
    cells between the losses of the front: with two goals and a front of less than 256 builds the
    integral is exact.

    Parameters
    ----------
    problem : Problem
        The builds, and what is wanted.
    emulator : Emulator
        Fitted to the computed builds.
    allowed : callable
        Whether a row may be chosen.
    candidates : sequence of tuple of int
        Rows to start from, at least one.
    front : (n, goals) array
        Losses of the computed feasible builds that are not dominated; n may be 0.
    count : int
        Builds wanted.
    seed : int
        Of the local search.

    Returns
    -------
    list of Choice
        At most `count`; fewer if the others add nothing.
    """
    predicted = problem.predict(emulator, candidates)
    likely = predicted.losses[predicted.feasibility >= _LEAST_PROBABILITY]
    known = np.vstack([front, likely])
    box = box_around(known if len(known) else predicted.losses)
    rng = np.random.default_rng([seed, 4])
    chosen: list[Choice] = []
    rows = list(candidates)
    while rows and len(chosen) < count:
        cells = cells_between(front, box)
        worth = predicted.worth(cells)
        best = int(np.argmax(worth))
        if worth[best] <= 0.0:
            break
        first = Choice(rows[best], predicted.at(np.array([best])))
        chosen.append(_climbed(problem, emulator, allowed, first, cells, rng))
        drawn = {
            name: float(p.at(rng.standard_normal())[0])
            for name, p in chosen[-1].predicted.predictions.items()
        }
        emulator = emulator.assuming(problem.encode([chosen[-1].row])[0], drawn)
        if not any(bound.excess(drawn[bound.figure]) for bound in problem.bounds):
            front = np.vstack([front, [goal.loss(drawn[goal.figure]) for goal in problem.goals]])
        taken = {choice.row for choice in chosen}
        order = np.argsort(-worth, kind="stable")[:_MOST_RANKED]
        rows = [rows[i] for i in order if rows[i] not in taken]
        predicted = problem.predict(emulator, rows) if rows else predicted
    return chosen


def _climbed(
    problem: Problem,
    emulator: Emulator,
    allowed: Callable[[Row], bool],
    first: Choice,
    cells: Cells,
    rng: np.random.Generator,
) -> Choice:
    """Return the build that a local search from a first one ends at."""
    best, most = first, float(first.predicted.worth(cells)[0])
    for turn in range(_ROUNDS):
        rows = list(dict.fromkeys(_moves(problem.space, best.row, _FIRST_STEP * 0.5**turn, rng)))
        predicted = problem.predict(emulator, rows)
        worth = predicted.worth(cells)
        order = np.argsort(-worth, kind="stable")
        found = next((i for i in order if worth[i] > most and allowed(rows[i])), None)
        if found is not None:
            best, most = Choice(rows[found], predicted.at(np.array([found]))), float(worth[found])
    return best


def _moves(space: Space, row: Row, step: float, rng: np.random.Generator) -> list[Row]:
    """Return rows near a row; choices without an order are drawn."""
    d = len(row)
    ordered = np.array([gene.ordered for gene in space.genes])
    steps = np.maximum(step, _LEAST_INCREMENT / space.sizes) * rng.standard_normal((_MOVES, d))
    moved = np.clip(space.point_of(row) + steps, 0.0, 1.0 - 1e-12)
    points = np.where(ordered, moved, rng.random((_MOVES, d)))
    takes_part = rng.random((_MOVES, d)) < np.where(ordered, _MOVED, 1.0 / d)
    return [space.row_of(p) for p in np.where(takes_part, points, space.point_of(row))]
