"""A search that spends finite elements where Gaussian processes say that they pay.

A space-filling start; then, batch by batch: fit the emulator to what was computed, let an
evolutionary search roam the emulator for builds that may be good, and ask for those that promise
the front most. What the emulator says decides where to look, never what is answered: a build enters
the front by its computed figures.
"""

import itertools
import math
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from optimize.emulator.gaussian import FEWEST, Emulator, Prediction, fit
from optimize.ledger.ledger import Guess
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.space import Row, Space
from optimize.search.acquisition import Beliefs, box_around, choose_batch, loss_of
from optimize.search.evolution import Ask, Proposer, evolve
from optimize.search.result import Standing
from optimize.search.shortlist import non_dominated

# A start of this many builds a coordinate is common practice in Gaussian-process design (Loeppky,
# Sacks and Welch 2009, Technometrics 51, 366); it may not take more than half of the budget.
_START_A_COORDINATE = 10

# The search on the emulator; it costs no finite element.
_ROAM_GENERATIONS = 20
_ROAM_POPULATION = 80

# A fit costs the cube of the builds: batches grow with them, and of many builds the emulator learns
# from the latest and from as many of all.
_MOST_BATCHES = 20
_MOST_TAUGHT_OF_EACH = 1000

# So many builds need no search: all of them are looked at.
_SMALL = 2000

# A build that keeps the limits with less than this chance ranks as broken while roaming.
_LEAST_CHANCE = 0.25

# The emulator's error bars are held to what its guesses missed in so many batches.
_BATCHES_REMEMBERED = 4

# Space-filling points that may be turned away by closed-form limits before giving up on a start.
_TRIES_A_START = 200


@dataclass(frozen=True)
class Emulated:
    """A space as the emulator sees it.

    Attributes
    ----------
    space : Space
        The builds, or any grid of choices like one.
    encode : callable
        Rows to coordinates, (n, d).
    hopeful : callable
        Whether a row keeps the limits that cost nothing to look at.
    goals, bounds : tuples
        What is wanted, and those limits that take a computation.
    """

    space: Space
    encode: Callable[[Sequence[Row]], FloatArray]
    hopeful: Callable[[Row], bool]
    goals: tuple[Goal, ...]
    bounds: tuple[Bound, ...]

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures that are emulated."""
        names = [g.figure for g in self.goals] + [b.figure for b in self.bounds]
        return tuple(dict.fromkeys(names))


@dataclass
class _Seen:
    """What was computed so far, in order."""

    rows: list[Row] = field(default_factory=list)
    figures: list[Mapping[str, float]] = field(default_factory=list)
    feasible: list[bool] = field(default_factory=list)
    asked: set[Row] = field(default_factory=set)

    def tell(self, rows: Sequence[Row], standings: Sequence[Standing | None]) -> None:
        for row, standing in zip(rows, standings, strict=True):
            if standing is not None and standing.figures is not None:
                self.rows.append(row)
                self.figures.append(standing.figures)
                self.feasible.append(standing.losses is not None)

    def values(self, names: Sequence[str]) -> dict[str, FloatArray]:
        return {name: np.array([f[name] for f in self.figures]) for name in names}

    def front(self, goals: Sequence[Goal]) -> tuple[FloatArray, list[Row]]:
        """Return losses (n, goals) and rows of the builds that no other feasible one beats."""
        kept = np.flatnonzero(self.feasible)
        columns = [loss_of(g, np.array([self.figures[i][g.figure] for i in kept])) for g in goals]
        losses = np.column_stack(columns).reshape(len(kept), len(goals))
        best = np.flatnonzero(non_dominated(losses))
        return losses[best], [self.rows[kept[i]] for i in best]


def emulate(of: Emulated, budget: int, batch: int, seed: int) -> Proposer:
    """Propose builds by what Gaussian processes make of the computed ones.

    Equal seeds and equal answers give equal proposals.

    Parameters
    ----------
    of : Emulated
        What to choose from, and what is wanted.
    budget : int
        Builds that will be computed in all; the start takes at most half of them.
    batch : int
        Builds asked for at a time; a twentieth of those computed, once that is more.
    seed : int
        Start of its random numbers.

    Yields
    ------
    list of Ask
        Builds to compute, with what the emulator expects of them; to be answered, in order, by what
        each did, its figures among it, None for a failed build.
    """
    if not of.space.genes:
        yield [Ask(())]
        return
    seen = _Seen()
    fresh = _space_filling(of, seen, seed)
    misses: deque[dict[str, FloatArray]] = deque(maxlen=_BATCHES_REMEMBERED)
    emulator: Emulator | None = None
    coordinates = of.encode([(0,) * len(of.space.genes)]).shape[1]
    count = max(batch, min(_START_A_COORDINATE * coordinates, budget // 2))
    asks = [Ask(row) for row in itertools.islice(fresh, count)]
    turn = 0
    while asks:
        told = yield asks
        before = len(seen.rows)
        seen.tell([ask.row for ask in asks], told)
        asks = []
        if len(seen.rows) >= FEWEST:
            emulator = _learn(of, seen, before, emulator, misses)
            batch = max(batch, len(seen.rows) // _MOST_BATCHES)
            # One build of each batch is drawn blindly: it keeps the emulator honest elsewhere.
            asks = _batch(of, seen, emulator, batch - 1, seed=(seed * 1009 + turn) % 2**32)
        drawn = list(itertools.islice(fresh, batch - len(asks)))
        asks += _with_guesses(of, drawn, emulator)
        turn += 1


def _learn(
    of: Emulated,
    seen: _Seen,
    before: int,
    emulator: Emulator | None,
    misses: deque[dict[str, FloatArray]],
) -> Emulator:
    """Fit the emulator to what was computed; what it missed of the last batch joins `misses`."""
    x, values = of.encode(seen.rows), seen.values(of.figures)
    if emulator is not None and before < len(x):
        told = {name: figure[before:] for name, figure in values.items()}
        misses.append(emulator.sigmas_missed(x[before:], told))
    missed = {name: np.concatenate([m[name] for m in misses]) for name in of.figures if misses}
    taught = _taught(len(x))
    return fit(x[taught], {name: v[taught] for name, v in values.items()}, emulator, missed)


def _taught(builds: int) -> np.typing.NDArray[np.intp]:
    """Return which of the builds, in the order of computing, the emulator is fitted to."""
    if builds <= 2 * _MOST_TAUGHT_OF_EACH:
        return np.arange(builds)
    even = np.linspace(0, builds - 1, _MOST_TAUGHT_OF_EACH).round().astype(np.intp)
    return np.union1d(even, np.arange(builds - _MOST_TAUGHT_OF_EACH, builds))


def _batch(of: Emulated, seen: _Seen, emulator: Emulator, count: int, seed: int) -> list[Ask]:
    """Return the builds worth computing next, by the emulator."""
    front, best = seen.front(of.goals)
    pool = _roam(of, seen, emulator, best, seed)
    if not pool:
        return []
    predictions = emulator.predict(of.encode(pool))
    beliefs = Beliefs(of.goals, of.bounds, predictions)
    likely = beliefs.losses[beliefs.chances >= _LEAST_CHANCE]
    known = np.vstack([front, likely])
    box = box_around(known if len(known) else beliefs.losses)
    chosen = choose_batch(beliefs, front, box, count, seed)
    rows = [pool[i] for i in chosen]
    seen.asked.update(rows)
    return [Ask(row, _guesses(predictions, i)) for row, i in zip(rows, chosen, strict=True)]


def _roam(
    of: Emulated, seen: _Seen, emulator: Emulator, best: Sequence[Row], seed: int
) -> list[Row]:
    """Return the builds, not computed yet, that an evolutionary search of the emulator met.

    Of a small space, all.
    """
    if _count(of.space) <= _SMALL:
        return [row for row in _all_rows(of.space) if row not in seen.asked and of.hopeful(row)]
    met: dict[Row, None] = {}
    proposer = evolve(of.space, len(of.goals), _ROAM_POPULATION, seed, best)
    asks = next(proposer)
    for _ in range(_ROAM_GENERATIONS):
        rows = [ask.row for ask in asks]
        met.update(dict.fromkeys(rows))
        try:
            asks = proposer.send(_believed(of, emulator, rows))
        except StopIteration:
            break
    return [row for row in met if row not in seen.asked and of.hopeful(row)]


def _believed(of: Emulated, emulator: Emulator, rows: Sequence[Row]) -> list[Standing | None]:
    """Say how builds do by the emulator's medians."""
    beliefs = Beliefs(of.goals, of.bounds, emulator.predict(of.encode(rows)))
    losses, chances = beliefs.losses, beliefs.chances
    standings: list[Standing | None] = []
    for i, row in enumerate(rows):
        if not of.hopeful(row):
            standings.append(Standing(None, 2.0))
        elif chances[i] < _LEAST_CHANCE:
            standings.append(Standing(None, 1.0 - float(chances[i])))
        else:
            standings.append(Standing(tuple(losses[i].tolist()), 0.0))
    return standings


def _space_filling(of: Emulated, seen: _Seen, seed: int) -> Iterator[Row]:
    """Give builds spread over the space, none twice, that keep the limits that cost nothing.

    Where hardly any does, builds that break them: to be told which limits are in the way. A small
    space is gone through to its end.
    """
    sequence = qmc.Sobol(len(of.space.genes), rng=np.random.default_rng([seed, 3]))
    broken: list[Row] = []
    tries = 0
    while tries < _TRIES_A_START:
        row = of.space.row_of(sequence.random(1)[0])
        if row in seen.asked or row in broken:
            tries += 1
        elif of.hopeful(row):
            tries = 0
            seen.asked.add(row)
            yield row
        else:
            tries += 1
            broken.append(row)
    rest = _all_rows(of.space) if _count(of.space) <= _SMALL else iter(broken)
    for row in rest:
        if row not in seen.asked:
            seen.asked.add(row)
            yield row


def _count(space: Space) -> int:
    return math.prod(int(n) for n in space.sizes)


def _all_rows(space: Space) -> Iterator[Row]:
    """Give every build once; a layer that is left out has its choices at the first."""
    rows = itertools.product(*(range(int(n)) for n in space.sizes))
    return iter(dict.fromkeys(space.row_of(space.point_of(row)) for row in rows))


def _with_guesses(of: Emulated, rows: Sequence[Row], emulator: Emulator | None) -> list[Ask]:
    if emulator is None or not rows:
        return [Ask(row) for row in rows]
    predictions = emulator.predict(of.encode(rows))
    return [Ask(row, _guesses(predictions, i)) for i, row in enumerate(rows)]


def _guesses(predictions: Mapping[str, Prediction], i: int) -> dict[str, Guess]:
    return {name: Guess(float(p.mean[i]), float(p.sd[i]), p.log) for name, p in predictions.items()}
