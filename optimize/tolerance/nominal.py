"""Re-centred nominal: the smallest change of one number that reaches a wanted yield.

One number of the build is changed at a time, the limits stay. Solved on the surrogate; the changed
nominal is then computed in full, the surrogate corrected there, and the problem solved again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.ball import THINNEST_LAYER_MM
from layers.errors import InputError, SolverError
from optimize.tolerance.exact import is_exact
from optimize.tolerance.limits import Limit
from optimize.tolerance.pass_rates import Rate, joint_pass, rate_of
from optimize.tolerance.pieces import Draws, Kind, Source, draw
from optimize.tolerance.study import Mapper, Study, compute, deviation_of, values_of

# Largest change of a number, in its source's measure, and the change that is easy in a lab, by
# which changes of different kinds are ranked (a judgement).
_FARTHEST: dict[Kind, float] = {"diameter": 0.8, "density": 0.08, "modulus": 0.3}
_PRACTICAL: dict[Kind, float] = {"diameter": 0.1, "density": 0.01, "modulus": 0.1}
# A changed diameter takes at most this share of the thinner layer beside it.
_MOST_OF_A_LAYER = 0.4
_GRID = 33
_BISECTIONS = 8
_ROUNDS = 3
# A surrogate error below this share of a figure's standard deviation is not corrected.
_SETTLED = 0.02
_CHECKS = 20

# By figure: added to the surrogate, times the cube of the nominal's change.
Cubic = Mapping[str, float]


@dataclass(frozen=True)
class Move:
    """One changed number.

    Attributes
    ----------
    source : Source
        What is changed.
    by : float
        By how much, in the source's measure; if not `reached`, to the best yield found.
    reached : bool
        Whether the wanted yield is reached.
    rate : Rate
        The joint yield there.
    surrogate_error : float
        Surrogate less finite elements at the changed nominal, over the figure's standard deviation,
        of the worst limited figure; 0 if all are closed forms.
    """

    source: Source
    by: float
    reached: bool
    rate: Rate
    surrogate_error: float


@dataclass(frozen=True)
class Recentred:
    """Changes of the nominal: those that reach the yield first, the easiest in a lab before others.

    Attributes
    ----------
    wanted : float
        The wanted joint yield.
    now : Rate
        The yield of the build as it is.
    move : tuple of Move
        One for each number of the build; none if the build reaches the yield as it is.
    check_error : dict of str to float
        Of the first move, by limited figure: root mean square of surrogate less finite elements
        over fresh pieces of the changed build, over the figure's standard deviation.
    """

    wanted: float
    now: Rate
    move: tuple[Move, ...]
    check_error: Mapping[str, float]


@dataclass(frozen=True)
class _Problem:
    found: Study
    limits: tuple[Limit, ...]
    draws: Draws
    wanted: float
    modelled: tuple[str, ...]
    deviation: Mapping[str, float]


def recentre(
    found: Study,
    limits: Sequence[Limit],
    draws: Draws,
    wanted: float,
    mapper: Mapper = map,
) -> Recentred:
    """Find, for each number of the build, the smallest change that reaches a joint yield.

    Parameters
    ----------
    found : Study
        The build and its surrogate.
    limits : sequence of Limit
        At least one; they stay as they are.
    draws : Draws
        The pieces.
    wanted : float
        Yield, between 0 and 1.
    mapper : callable
        ``map`` or an executor's ``map``.

    Raises
    ------
    InputError
        If there is no limit or the yield is out of range.
    SolverError
        If a changed build cannot be computed.
    """
    if not 0.0 < wanted < 1.0:
        raise InputError(f"yield is {wanted:g}, but must be above 0 and below 1.")
    if not limits:
        raise InputError("limits are empty, but a yield needs at least one.")
    now = rate_of(joint_pass(found, limits, draws))
    if now.value >= wanted:
        return Recentred(wanted, now, (), {})
    modelled = tuple(dict.fromkeys(m.figure for m in limits if not is_exact(m.figure)))
    deviation = {n: deviation_of(v) for n, v in values_of(found, draws, modelled).items()}
    problem = _Problem(found, tuple(limits), draws, wanted, modelled, deviation)
    moves, cubics = _solve(problem, mapper)
    order = sorted(range(len(moves)), key=lambda i: _rank(moves[i]))
    best = order[0]
    error = _check(problem, best, moves[best].by, cubics[best], mapper)
    return Recentred(wanted, now, tuple(moves[i] for i in order), error)


def _rank(move: Move) -> tuple[bool, float]:
    size = abs(move.by) / _PRACTICAL[move.source.kind]
    return (not move.reached, size if move.reached else -move.rate.value)


def _solve(problem: _Problem, mapper: Mapper) -> tuple[list[Move], list[Cubic]]:
    """Solve, compute the changed nominals in full, correct the surrogate, and repeat."""
    sources = tuple(s for s in problem.found.sources if s.kind in _FARTHEST)
    count = len(sources)  # they are the first
    cubics: list[Cubic] = [dict.fromkeys(problem.modelled, 0.0) for _ in sources]
    answers = [_smallest(problem, i, cubics[i]) for i in range(count)]
    error = [0.0] * count
    for last in (False,) * (_ROUNDS - 1) + (True,) if problem.modelled else ():
        wanted = np.eye(count, len(problem.found.sources)) * [[by] for by, _ in answers]
        exact = _in_full(problem, wanted, mapper)
        for i, (by, _) in enumerate(answers):
            model = _values(problem, by, cubics[i], Draws(wanted[i : i + 1], _centred(problem)))
            wrong = {n: exact[i][n] - float(model[n][0]) for n in problem.modelled}
            error[i] = max(abs(w) / (problem.deviation[n] or 1.0) for n, w in wrong.items())
            if not last and by != 0.0 and error[i] > _SETTLED:
                cubics[i] = {n: c + wrong[n] / by**3 for n, c in cubics[i].items()}
                answers[i] = _smallest(problem, i, cubics[i])
    moves = [
        Move(source, by, reached, rate_of(_passed(problem, i, by, cubics[i])), error[i])
        for i, (source, (by, reached)) in enumerate(zip(sources, answers, strict=True))
    ]
    return moves, cubics


def _centred(problem: _Problem) -> FloatArray:
    return np.zeros((1, *problem.draws.offset.shape[1:]))


def _in_full(problem: _Problem, moves: FloatArray, mapper: Mapper) -> list[dict[str, float]]:
    found = problem.found
    done = compute(found.ball, found.sources, moves, problem.modelled, mapper)
    for one in done:
        for name, why in one.failed.items():
            raise SolverError(f"{name} of {found.ball.name} with a changed nominal failed: {why}")
    return [{name: e.figures[name].value for name in problem.modelled} for e in done]


def _values(problem: _Problem, by: float, cubic: Cubic, pieces: Draws) -> dict[str, FloatArray]:
    """Limited figures of pieces of the changed build, by the corrected surrogate."""
    names = list(dict.fromkeys(limit.figure for limit in problem.limits))
    values = values_of(problem.found, pieces, names)
    return {name: v + cubic.get(name, 0.0) * by**3 for name, v in values.items()}


def _passed(problem: _Problem, source: int, by: float, cubic: Cubic) -> BoolArray:
    move = problem.draws.move.copy()
    move[:, source] += by
    values = _values(problem, by, cubic, Draws(move, problem.draws.offset))
    each = [limit.passed(values[limit.figure]) for limit in problem.limits]
    return np.asarray(np.all(each, axis=0))


def _smallest(problem: _Problem, source: int, cubic: Cubic) -> tuple[float, bool]:
    """Smallest change that reaches the yield, or that of the best yield."""

    def reaches(by: float) -> bool:
        return float(np.mean(_passed(problem, source, by, cubic))) >= problem.wanted

    far = _room(problem.found, problem.found.sources[source])
    grid = np.linspace(-far, far, _GRID)
    rates = np.array([np.mean(_passed(problem, source, by, cubic)) for by in grid])
    good = np.flatnonzero(rates >= problem.wanted)
    if not len(good):
        best = np.flatnonzero(rates == rates.max())
        return float(grid[best[np.argmin(np.abs(grid[best]))]]), False
    outer = float(grid[good[np.argmin(np.abs(grid[good]))]])
    inner = outer - float(np.sign(outer) * (grid[1] - grid[0]))
    for _ in range(_BISECTIONS):
        middle = 0.5 * (inner + outer)
        inner, outer = (inner, middle) if reaches(middle) else (middle, outer)
    return outer, True


def _room(found: Study, source: Source) -> float:
    """Largest change either way: less than `_FARTHEST` beside a thin layer."""
    far = _FARTHEST[source.kind]
    if source.kind != "diameter":
        return far
    bounds = np.array([0.0] + [layer.outer_diameter_mm for layer in found.ball.layer])
    thin = float(np.diff(bounds)[source.layer : source.layer + 2].min()) / 2.0
    return max(0.0, min(far, 2.0 * min(_MOST_OF_A_LAYER * thin, thin - THINNEST_LAYER_MM)))


def _check(
    problem: _Problem, source: int, by: float, cubic: Cubic, mapper: Mapper
) -> dict[str, float]:
    """Surrogate error over fresh pieces of the changed build, over each figure's deviation."""
    if not problem.modelled:
        return {}
    found = problem.found
    fresh = draw(found.sources, found.concentricity, _CHECKS, np.random.default_rng([source, 2]))
    fresh.move[:, source] += by
    exact = _in_full(problem, fresh.move, mapper)
    model = _values(problem, by, cubic, fresh)
    return {
        name: float(np.sqrt(np.mean((model[name] - [e[name] for e in exact]) ** 2)))
        / (problem.deviation[name] or 1.0)
        for name in problem.modelled
    }
