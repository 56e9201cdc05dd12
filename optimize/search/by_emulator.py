"""A search by emulator: Gaussian processes propose builds, finite elements compute them.

A space-filling start; then, batch by batch: fit the emulator to the computed builds, optimise over
the emulator by an evolutionary search, and propose the builds of largest expected hypervolume
improvement. The emulator only chooses: a build enters the front by its computed figures.
"""

import itertools
import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from optimize.emulator.gaussian import FEWEST, Emulator, Prediction, fit
from optimize.ledger.rows import Predicted
from optimize.scenario.goals import Goal
from optimize.scenario.space import Row, Space
from optimize.search.acquisition import loss_of
from optimize.search.batch import choose_batch
from optimize.search.evolution import Ask, Proposer, evolve
from optimize.search.problem import Problem
from optimize.search.result import Score
from optimize.search.shortlist import non_dominated

# The start is as small as leaves a first emulator of use: later builds are better placed. Common
# practice of one design for all is ten per coordinate (Loeppky, Sacks and Welch 2009,
# Technometrics 51, 366); of sequential ones about two (Daulton, Balandat and Bakshy 2021, NeurIPS
# 34, 2187). It may not take more than half of the budget.
_START_PER_COORDINATE = 3

# The evolutionary search over the emulator; it costs no finite element.
_INNER_GENERATIONS = 20
_INNER_POPULATION = 160

# A fit costs the cube of the builds: batches grow with them, and the emulator is fitted to at most
# so many of the latest builds, and as many spread over all.
_MOST_BATCHES = 20
_MOST_TRAINING = 1000

# Every so many batches one build is drawn at random: a test of the emulator off the front.
_RANDOM_EVERY = 4

# Spaces of at most so many builds are enumerated.
_SMALL = 2000

# A build that meets the constraints with less than this probability ranks as infeasible in the
# search over the emulator.
_LEAST_PROBABILITY = 0.25

# Intervals are inflated until they cover the prediction errors of so many batches.
_RECENT_BATCHES = 4

# Space-filling points that closed-form limits may rule out, per point found, before giving up.
_TRIES_PER_POINT = 200


@dataclass
class _Data:
    """The builds computed so far, in order; `asked` holds all that were proposed."""

    rows: list[Row] = field(default_factory=list)
    figures: list[Mapping[str, float]] = field(default_factory=list)
    feasible: list[bool] = field(default_factory=list)
    asked: set[Row] = field(default_factory=set)

    def tell(self, rows: Sequence[Row], scores: Sequence[Score | None]) -> None:
        for row, score in zip(rows, scores, strict=True):
            if score is not None and score.figures is not None:
                self.rows.append(row)
                self.figures.append(score.figures)
                self.feasible.append(score.losses is not None)

    def values(self, names: Sequence[str]) -> dict[str, FloatArray]:
        return {name: np.array([f[name] for f in self.figures]) for name in names}

    def front(self, goals: Sequence[Goal]) -> tuple[FloatArray, list[Row]]:
        """Return losses (n, goals) and rows of the front, in the order of the first goal."""
        kept = np.flatnonzero(self.feasible)
        columns = [loss_of(g, np.array([self.figures[i][g.figure] for i in kept])) for g in goals]
        losses = np.column_stack(columns).reshape(len(kept), len(goals))
        best = np.flatnonzero(non_dominated(losses))
        best = best[np.argsort(losses[best, 0], kind="stable")]
        return losses[best], [self.rows[kept[i]] for i in best]


def emulate(
    problem: Problem, budget: int, batch: int, seed: int, start: Sequence[Row] = ()
) -> Proposer:
    """Propose builds by Gaussian processes fitted to the computed ones.

    Equal seeds and equal answers give equal proposals.

    Parameters
    ----------
    problem : Problem
        The builds to choose from, and what is wanted.
    budget : int
        Builds that will be computed in all; the start takes at most half of them.
    batch : int
        Builds proposed at a time; a twentieth of those computed, once that is more.
    seed : int
        Seed of its random numbers.
    start : sequence of tuple of int
        Rows that are computed first; the others of the start are spread over the space.

    Yields
    ------
    list of Ask
        Builds to compute, with the emulator's predictions; to be answered, in order, by the score
        and figures of each, None for a failed build.
    """
    if not problem.space.genes:
        yield [Ask(())]
        return
    data = _Data()
    fresh = _space_filling(problem, data, seed)
    recent_errors: deque[dict[str, FloatArray]] = deque(maxlen=_RECENT_BATCHES)
    emulator: Emulator | None = None
    coordinates = problem.encode([(0,) * len(problem.space.genes)]).shape[1]
    count = max(batch, min(_START_PER_COORDINATE * coordinates, budget // 2))
    data.asked.update(start)
    asks = [Ask(row) for row in (*start, *itertools.islice(fresh, max(0, count - len(start))))]
    turn = 0
    while asks:
        answers = yield asks
        before = len(data.rows)
        data.tell([ask.row for ask in asks], answers)
        asks = []
        if len(data.rows) >= FEWEST:
            emulator = _refit(problem, data, before, emulator, recent_errors)
            batch = max(batch, len(data.rows) // _MOST_BATCHES)
            drawn_at_random = 1 if turn % _RANDOM_EVERY == 0 else 0
            asks = _batch(
                problem, data, emulator, batch - drawn_at_random, (seed * 1009 + turn) % 2**32
            )
        drawn = list(itertools.islice(fresh, batch - len(asks)))
        asks += _with_predictions(problem, drawn, emulator)
        turn += 1


def _refit(
    problem: Problem,
    data: _Data,
    before: int,
    emulator: Emulator | None,
    recent_errors: deque[dict[str, FloatArray]],
) -> Emulator:
    """Refit to the computed builds; the errors of the last batch's predictions join the recent."""
    x, values = problem.encode(data.rows), data.values(problem.figures)
    if emulator is not None and before < len(x):
        answers = {name: figure[before:] for name, figure in values.items()}
        recent_errors.append(emulator.standardised_errors(x[before:], answers))
    errors = {
        name: np.concatenate([m[name] for m in recent_errors])
        for name in problem.figures
        if recent_errors
    }
    training = _training_builds(len(x))
    return fit(x[training], {name: v[training] for name, v in values.items()}, emulator, errors)


def _training_builds(builds: int) -> np.typing.NDArray[np.intp]:
    """Return the indices of the builds that the emulator is fitted to."""
    if builds <= 2 * _MOST_TRAINING:
        return np.arange(builds)
    even = np.linspace(0, builds - 1, _MOST_TRAINING).round().astype(np.intp)
    return np.union1d(even, np.arange(builds - _MOST_TRAINING, builds))


def _batch(problem: Problem, data: _Data, emulator: Emulator, count: int, seed: int) -> list[Ask]:
    """Return the builds of largest expected hypervolume improvement."""
    front, best = data.front(problem.goals)
    candidates = _candidates(problem, data, emulator, best, seed)
    if not candidates:
        return []

    def allowed(row: Row) -> bool:
        return row not in data.asked and problem.admissible(row)

    chosen = choose_batch(problem, emulator, allowed, candidates, front, count, seed)
    data.asked.update(choice.row for choice in chosen)
    return [Ask(c.row, _predictions_of(c.predicted.predictions, 0)) for c in chosen]


def _candidates(
    problem: Problem, data: _Data, emulator: Emulator, best: Sequence[Row], seed: int
) -> list[Row]:
    """Return builds, not proposed yet, that an evolutionary search over the emulator visited.

    Of a small space, all.
    """
    if _count(problem.space) <= _SMALL:
        return [
            row
            for row in _all_rows(problem.space)
            if row not in data.asked and problem.admissible(row)
        ]
    visited: dict[Row, None] = {}
    # At most half of it starts on the front: the rest looks for what lies beyond its ends.
    part = np.unique(np.linspace(0, len(best) - 1, _INNER_POPULATION // 2).astype(int))
    start = [best[i] for i in part] if best else []
    proposer = evolve(problem.space, len(problem.goals), _INNER_POPULATION, seed, start)
    asks = next(proposer)
    for _ in range(_INNER_GENERATIONS):
        rows = [ask.row for ask in asks]
        visited.update(dict.fromkeys(rows))
        try:
            asks = proposer.send(_predicted_scores(problem, emulator, rows))
        except StopIteration:
            break
    return [row for row in visited if row not in data.asked and problem.admissible(row)]


def _predicted_scores(
    problem: Problem, emulator: Emulator, rows: Sequence[Row]
) -> list[Score | None]:
    """Score builds by the emulator's medians."""
    predicted = problem.predict(emulator, rows)
    losses, feasibility = predicted.losses, predicted.feasibility
    scores: list[Score | None] = []
    for i, row in enumerate(rows):
        if not problem.admissible(row):
            scores.append(Score(None, 2.0))
        elif feasibility[i] < _LEAST_PROBABILITY:
            scores.append(Score(None, 1.0 - float(feasibility[i])))
        else:
            scores.append(Score(tuple(losses[i].tolist()), 0.0))
    return scores


def _space_filling(problem: Problem, data: _Data, seed: int) -> Iterator[Row]:
    """Yield builds spread over the space, each once, that meet the closed-form constraints.

    Where hardly any does, builds that violate them: their figures say which limits to relax. A
    small space is enumerated to its end.
    """
    sequence = qmc.Sobol(len(problem.space.genes), rng=np.random.default_rng([seed, 3]))
    ruled_out: list[Row] = []
    tries = 0
    while tries < _TRIES_PER_POINT:
        row = problem.space.row_of(sequence.random(1)[0])
        if row in data.asked or row in ruled_out:
            tries += 1
        elif problem.admissible(row):
            tries = 0
            data.asked.add(row)
            yield row
        else:
            tries += 1
            ruled_out.append(row)
    rest = _all_rows(problem.space) if _count(problem.space) <= _SMALL else iter(ruled_out)
    for row in rest:
        if row not in data.asked:
            data.asked.add(row)
            yield row


def _count(space: Space) -> int:
    return math.prod(int(n) for n in space.sizes)


def _all_rows(space: Space) -> Iterator[Row]:
    """Yield every build once; the choices of an absent layer stay at the first."""
    rows = itertools.product(*(range(int(n)) for n in space.sizes))
    return iter(dict.fromkeys(space.row_of(space.point_of(row)) for row in rows))


def _with_predictions(
    problem: Problem, rows: Sequence[Row], emulator: Emulator | None
) -> list[Ask]:
    if emulator is None or not rows:
        return [Ask(row) for row in rows]
    predictions = problem.predict(emulator, rows).predictions
    return [Ask(row, _predictions_of(predictions, i)) for i, row in enumerate(rows)]


def _predictions_of(predictions: Mapping[str, Prediction], i: int) -> dict[str, Predicted]:
    return {
        name: Predicted(float(p.mean[i]), float(p.sd[i]), p.log) for name, p in predictions.items()
    }
