"""Evolutionary search, by the search library's ask-and-tell interface.

Nothing of the library leaves this file, and no invented number enters it: an infeasible build has a
constraint violation and no goal values; of a failed one it learns nothing.
"""

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from pymoo.algorithms.moo.nsga2 import NSGA2
from pymoo.algorithms.soo.nonconvex.ga import GA
from pymoo.core.crossover import Crossover
from pymoo.core.mutation import Mutation
from pymoo.core.population import Population
from pymoo.core.problem import Problem
from pymoo.core.repair import Repair
from pymoo.core.termination import NoTermination
from pymoo.operators.crossover.sbx import SBX
from pymoo.operators.mutation.pm import PM

from layers.arrays import FloatArray
from optimize.ledger.rows import Predicted
from optimize.scenario.space import Row, Space
from optimize.search.result import Score

_ATTEMPTS = 64


@dataclass(frozen=True)
class Ask:
    """A build to compute, and the predictions of its figures, if any."""

    row: Row
    predictions: Mapping[str, Predicted] = field(default_factory=dict)


Proposer = Generator[list[Ask], list[Score | None], None]


class _ToCells(Repair):  # type: ignore[misc]
    """Move every point to the middle of its cell, so that equal builds are equal points."""

    def __init__(self, space: Space) -> None:
        super().__init__()
        self._space = space

    def _do(self, problem: Problem, x: FloatArray, **_: Any) -> FloatArray:
        return self._space.snap(x)


class _Crossover(Crossover):  # type: ignore[misc]
    """Blend values that have an order, exchange those that have none."""

    def __init__(self, ordered: np.typing.NDArray[np.bool_]) -> None:
        super().__init__(2, 2)
        self._ordered, self._blend = ordered, SBX(eta=10)

    def _do(
        self, problem: Problem, x: FloatArray, *_: Any, random_state: Any = None, **__: Any
    ) -> FloatArray:
        children = self._blend._do(problem, x, random_state=random_state)
        swap = random_state.random(x.shape[1:]) < 0.5
        exchanged = np.where(swap, x[::-1], x)
        return np.where(self._ordered, children, exchanged)


class _Mutation(Mutation):  # type: ignore[misc]
    """Shift values that have an order, draw those that have none at random."""

    def __init__(self, ordered: np.typing.NDArray[np.bool_]) -> None:
        super().__init__()
        self._ordered, self._shift = ordered, PM(eta=10)

    def _do(
        self, problem: Problem, x: FloatArray, *_: Any, random_state: Any = None, **__: Any
    ) -> FloatArray:
        shifted = self._shift._do(problem, x, random_state=random_state)
        fresh = random_state.random(x.shape)
        drawn = np.where(random_state.random(x.shape) < 1.0 / x.shape[1], fresh, x)
        return np.where(self._ordered, shifted, drawn)


def evolve(
    space: Space, goals: int, population: int, seed: int, start: Sequence[Row] = ()
) -> Proposer:
    """Propose generations of builds by an evolutionary search.

    One goal: an elitist genetic algorithm. Several: NSGA-II (Deb et al. 2002, IEEE Trans. Evol.
    Comput. 6, 182). Both rank feasible builds before infeasible ones, and have their own random
    numbers: equal seeds and equal answers give equal proposals.

    Parameters
    ----------
    space : Space
        The builds to choose from.
    goals : int
        Number of goals.
    population : int
        Builds in a generation.
    seed : int
        Seed of its random numbers.
    start : sequence of tuple of int
        Rows of the first generation; the others are spread over the space.

    Yields
    ------
    list of Ask
        Builds; to be answered, in order, by the score of each, None for a failed build.
    """
    if not space.genes:
        yield [Ask(())]
        return
    algorithm = _algorithm(space, goals, population, seed, start)
    rng, seen = np.random.default_rng([seed, 2]), set[Row]()
    while (asked := algorithm.ask()) is not None and len(asked):
        rows: list[Row] = []
        for x in asked.get("X"):
            rows.append(_unseen(space, space.row_of(x), seen, rng))
            seen.add(rows[-1])
        asked.set("X", np.array([space.point_of(row) for row in rows]))
        told = yield [Ask(row) for row in rows]
        kept = [i for i, score in enumerate(told) if score is not None]
        answers = [score for score in told if score is not None]
        if not answers and not algorithm.is_initialized:
            return
        algorithm.tell(infills=_answered(asked[kept], answers, goals))


def _unseen(space: Space, row: Row, seen: set[Row], rng: np.random.Generator) -> Row:
    """Return the row, or, if it was proposed before, one near it that was not.

    A converged search on steps repeats itself; the neighbours of its best builds are worth more
    than the same builds again. First one gene is changed by one step, then more and farther; if
    nothing new is found, the row itself is returned.
    """
    sizes = space.sizes
    for attempt in range(_ATTEMPTS):
        if row not in seen:
            return row
        changed = np.array(row)
        for i in rng.choice(len(sizes), size=min(len(sizes), 1 + attempt // 8), replace=False):
            reach = sizes[i] if not space.genes[i].ordered else min(sizes[i], 2 + attempt // 4)
            changed[i] = (changed[i] + rng.integers(1 - reach, reach)) % sizes[i]
        near = space.row_of(space.point_of(tuple(changed.tolist())))
        if near not in seen:
            return near
    return row


def _algorithm(space: Space, goals: int, population: int, seed: int, start: Sequence[Row]) -> Any:
    ordered = np.array([gene.ordered for gene in space.genes])
    d = len(ordered)
    first = space.snap(_latin_hypercube(population, d, np.random.default_rng([seed, 1])))
    given = [space.point_of(row) for row in start[:population]]
    settings = {
        "pop_size": population,
        "sampling": np.vstack([*given, first])[:population],
        "crossover": _Crossover(ordered),
        "mutation": _Mutation(ordered),
        "repair": _ToCells(space),
        "eliminate_duplicates": True,
    }
    algorithm = GA(**settings) if goals == 1 else NSGA2(**settings)
    problem = Problem(n_var=d, n_obj=goals, n_ieq_constr=1, xl=np.zeros(d), xu=np.ones(d))
    algorithm.setup(problem, seed=seed, termination=NoTermination())
    return algorithm


def _latin_hypercube(n: int, d: int, rng: np.random.Generator) -> FloatArray:
    """Return n points of [0, 1]^d, one in each of n equal parts of every coordinate."""
    strata = np.array([rng.permutation(n) for _ in range(d)]).T
    return np.asarray((strata + rng.random((n, d))) / n)


def _answered(asked: Population, answers: list[Score], goals: int) -> Population:
    unknown = (np.nan,) * goals
    for individual, answer in zip(asked, answers, strict=True):
        individual.F = np.array(unknown if answer.losses is None else answer.losses)
        individual.G = np.array([answer.violation])
        individual.H = np.zeros(0)
    return asked
