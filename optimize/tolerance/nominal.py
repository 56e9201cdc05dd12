"""Where to move the nominal so that a wanted share of pieces passes.

One number of the build is moved at a time, the limits held. Solved on the surrogate; each answer's
nominal is then computed in full, the surrogate corrected there, and solved again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.ball import THINNEST_LAYER_MM
from layers.errors import InputError, SolverError
from optimize.tolerance.pass_rates import Limit, Rate, joint_pass, rate_of
from optimize.tolerance.study import (
    Draws,
    Kind,
    Mapper,
    Source,
    Study,
    compute,
    deviation_of,
    draw,
    is_exact,
    values_of,
)

# The farthest that a number is moved, in its source's measure, and the change a lab makes lightly,
# by which moves of different kinds are ranked.
_FARTHEST: dict[Kind, float] = {"diameter": 0.8, "density": 0.08, "modulus": 0.3}
_PRACTICAL: dict[Kind, float] = {"diameter": 0.1, "density": 0.01, "modulus": 0.1}
# A moved diameter takes at most this share of the thinner layer beside it.
_MOST_OF_A_LAYER = 0.4
_GRID = 33
_BISECTIONS = 8
_ROUNDS = 3
# A surrogate that is off by less than this share of a figure's deviation is not corrected.
_SETTLED = 0.02
_CHECKS = 20

# By figure: what is added to the surrogate, times the cube of the nominal's move.
Cubic = Mapping[str, float]


@dataclass(frozen=True)
class Move:
    """One number moved.

    Attributes
    ----------
    source : Source
        What is moved.
    by : float
        How far, in the source's measure; where `reached` is false, to the best rate found.
    reached : bool
        Whether the wanted rate is reached.
    rate : Rate
        The joint rate there.
    off : float
        Surrogate less finite elements at the moved nominal, over the figure's deviation, of the
        worst limited figure; 0 if all are closed forms.
    """

    source: Source
    by: float
    reached: bool
    rate: Rate
    off: float


@dataclass(frozen=True)
class Renominal:
    """Moves, those that reach the rate first, the smallest in practice before the others.

    Attributes
    ----------
    wanted : float
        The joint pass rate.
    now : Rate
        That of the build as it is.
    move : tuple of Move
        One a number of the build; none if the build passes as it is.
    check_error : dict of str to float
        Of the first move: surrogate less finite elements over fresh pieces of the moved build,
        root mean square, over the figure's deviation; by limited figure.
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


def renominal(
    found: Study,
    limits: Sequence[Limit],
    draws: Draws,
    wanted: float,
    mapper: Mapper = map,
) -> Renominal:
    """Find, for each number of the build, the smallest move that reaches a joint pass rate.

    Parameters
    ----------
    found : Study
        The build and its surrogate.
    limits : sequence of Limit
        At least one; held where they are.
    draws : Draws
        Pieces.
    wanted : float
        Rate from 0 to 1, both excluded.
    mapper : callable
        ``map`` or an executor's ``map``.

    Raises
    ------
    InputError
        If there is no limit or the rate is out of range.
    SolverError
        If a moved build cannot be computed.
    """
    if not 0.0 < wanted < 1.0:
        raise InputError(f"pass rate is {wanted:g}, but must be above 0 and below 1.")
    if not limits:
        raise InputError("limits are empty, but a pass rate is of at least one.")
    now = rate_of(joint_pass(found, limits, draws))
    if now.value >= wanted:
        return Renominal(wanted, now, (), {})
    modelled = tuple(dict.fromkeys(m.figure for m in limits if not is_exact(m.figure)))
    deviation = {n: deviation_of(v) for n, v in values_of(found, draws, modelled).items()}
    problem = _Problem(found, tuple(limits), draws, wanted, modelled, deviation)
    moves, cubics = _solve(problem, mapper)
    order = sorted(range(len(moves)), key=lambda i: _rank(moves[i]))
    best = order[0]
    error = _check(problem, best, moves[best].by, cubics[best], mapper)
    return Renominal(wanted, now, tuple(moves[i] for i in order), error)


def _rank(move: Move) -> tuple[bool, float]:
    size = abs(move.by) / _PRACTICAL[move.source.kind]
    return (not move.reached, size if move.reached else -move.rate.value)


def _solve(problem: _Problem, mapper: Mapper) -> tuple[list[Move], list[Cubic]]:
    """Solve, compute the moved nominals in full, correct, and again."""
    sources = problem.found.sources
    count = len(sources)
    cubics: list[Cubic] = [dict.fromkeys(problem.modelled, 0.0) for _ in sources]
    answers = [_smallest(problem, i, cubics[i]) for i in range(count)]
    off = [0.0] * count
    for last in (False,) * (_ROUNDS - 1) + (True,) if problem.modelled else ():
        wanted = np.diag([by for by, _ in answers])
        exact = _in_full(problem, wanted, mapper)
        for i, (by, _) in enumerate(answers):
            model = _values(problem, by, cubics[i], Draws(wanted[i : i + 1], _centred(problem)))
            wrong = {n: exact[i][n] - float(model[n][0]) for n in problem.modelled}
            off[i] = max(abs(w) / (problem.deviation[n] or 1.0) for n, w in wrong.items())
            if not last and by != 0.0 and off[i] > _SETTLED:
                cubics[i] = {n: c + wrong[n] / by**3 for n, c in cubics[i].items()}
                answers[i] = _smallest(problem, i, cubics[i])
    moves = [
        Move(source, by, reached, rate_of(_passed(problem, i, by, cubics[i])), off[i])
        for i, (source, (by, reached)) in enumerate(zip(sources, answers, strict=True))
    ]
    return moves, cubics


def _centred(problem: _Problem) -> FloatArray:
    return np.zeros((1, *problem.draws.off.shape[1:]))


def _in_full(problem: _Problem, moves: FloatArray, mapper: Mapper) -> list[dict[str, float]]:
    found = problem.found
    done = compute(found.ball, found.sources, moves, problem.modelled, mapper)
    for one in done:
        for name, why in one.failed.items():
            raise SolverError(f"{name} of {found.ball.name} with its nominal moved failed: {why}")
    return [{name: e.figures[name].value for name in problem.modelled} for e in done]


def _values(problem: _Problem, by: float, cubic: Cubic, pieces: Draws) -> dict[str, FloatArray]:
    """Limited figures of pieces of the moved build, corrected."""
    names = list(dict.fromkeys(limit.figure for limit in problem.limits))
    values = values_of(problem.found, pieces, names)
    return {name: v + cubic.get(name, 0.0) * by**3 for name, v in values.items()}


def _passed(problem: _Problem, source: int, by: float, cubic: Cubic) -> BoolArray:
    move = problem.draws.move.copy()
    move[:, source] += by
    values = _values(problem, by, cubic, Draws(move, problem.draws.off))
    each = [limit.passed(values[limit.figure]) for limit in problem.limits]
    return np.asarray(np.all(each, axis=0))


def _smallest(problem: _Problem, source: int, cubic: Cubic) -> tuple[float, bool]:
    """Smallest move that reaches the rate, or that of the best rate."""

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
    """How far a nominal may move either way: less than `_FARTHEST` beside a thin layer."""
    far = _FARTHEST[source.kind]
    if source.kind != "diameter":
        return far
    bounds = np.array([0.0] + [layer.outer_diameter_mm for layer in found.ball.layer])
    thin = float(np.diff(bounds)[source.layer : source.layer + 2].min()) / 2.0
    return max(0.0, min(far, 2.0 * min(_MOST_OF_A_LAYER * thin, thin - THINNEST_LAYER_MM)))


def _check(
    problem: _Problem, source: int, by: float, cubic: Cubic, mapper: Mapper
) -> dict[str, float]:
    """Error of the surrogate over fresh pieces of the moved build, over each figure's deviation."""
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
