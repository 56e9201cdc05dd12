"""Yield: the share of drawn pieces within limits and windows, and what to tighten.

Every yield has its sampling error. Surrogate and model uncertainty are given separately: the range
of the yield if every value is shifted by up to that much.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from layers.arrays import BoolArray, FloatArray
from optimize.tolerance.exact import balance_names
from optimize.tolerance.levels import Levels, level_rates, model_error
from optimize.tolerance.limits import Limit
from optimize.tolerance.pieces import Draws, draw
from optimize.tolerance.study import Study, deviation_of, values_of

# Two-sided 95 % of the normal distribution.
_Z = 1.959964
_SHIFTS = 9


@dataclass(frozen=True)
class Rate:
    """A share of pieces, its standard error, and its Wilson interval of 95 %."""

    value: float
    error: float
    low: float
    high: float


@dataclass(frozen=True)
class LimitRate:
    """Yield of one limit.

    `surrogate` and `model` are ranges of the yield when all values are shifted by up to the
    surrogate's error, or by up to the figure's absolute error (uncertain materials). Closed forms
    have neither: they are exact for the piece as made. `level` is the 95 % interval of a lot's
    yield over lots and the model's error, which are common to all its pieces, see
    `optimize.tolerance.levels`; `level_deviation` is their standard deviation of the figure.
    """

    limit: Limit
    rate: Rate
    surrogate: tuple[float, float]
    model: tuple[float, float]
    level: tuple[float, float]
    level_deviation: float


@dataclass(frozen=True)
class Spread:
    """The distribution of one figure, and each source's share of its variance."""

    name: str
    nominal: float | None
    mean: float
    deviation: float
    quantiles: tuple[float, float, float]
    check_error: float
    absolute_error: float
    shares: tuple[float, ...]


@dataclass(frozen=True)
class Tightening:
    """Gain in joint yield from halving one standard deviation; `layer` is an index.

    `error` is the standard error of the gain, over the same pieces before and after.
    """

    layer: int
    what: str
    gain: float
    error: float


@dataclass(frozen=True)
class Tolerance:
    """A tolerance study; `joint` yield by origin of the limits, and of all of them as ``all``.

    `level` has the 95 % interval of each joint yield over lots and the model's error.
    """

    study: Study
    samples: int
    seed: int
    spread: tuple[Spread, ...]
    limit: tuple[LimitRate, ...]
    joint: Mapping[str, Rate]
    level: Mapping[str, tuple[float, float]]
    tighten: tuple[Tightening, ...]


def rate_of(passed: BoolArray) -> Rate:
    """Share of pieces that pass, with its binomial standard error and Wilson interval.

    References
    ----------
    Wilson 1927, J. Am. Stat. Assoc. 22, 209.
    """
    count, share = len(passed), float(np.mean(passed))
    square = _Z**2 / count
    middle = (share + square / 2.0) / (1.0 + square)
    half = _Z * math.sqrt(share * (1.0 - share) / count + square / (4.0 * count)) / (1.0 + square)
    return Rate(
        share,
        math.sqrt(share * (1.0 - share) / count),
        max(0.0, min(share, middle - half)),
        min(1.0, max(share, middle + half)),
    )


def tolerance(found: Study, limits: Sequence[Limit], samples: int, seed: int) -> Tolerance:
    """Draw pieces: distributions, yields and what to tighten.

    Parameters
    ----------
    found : Study
        From `optimize.tolerance.study.study`, with the limits' figures.
    limits : sequence of Limit
        None are needed.
    samples : int
        Number of pieces.
    seed : int
        The same seed draws the same pieces.
    """
    draws = draws_of(found, samples, seed)
    limited = [limit.figure for limit in limits]
    names = dict.fromkeys([*found.nominal, *balance_names(found.ball), *limited])
    values = values_of(found, draws, list(names))
    shares = variance_shares(found)
    passed = {limit: limit.passed(values[limit.figure]) for limit in limits}
    levels = level_rates(found, limits, draws, seed)
    joint = {
        origin: rate_of(np.all([passed[limit] for limit in group], axis=0))
        for origin, group in _by_origin(limits).items()
    }
    return Tolerance(
        study=found,
        samples=samples,
        seed=seed,
        spread=tuple(_spread(found, name, values[name], shares.get(name, ())) for name in values),
        limit=tuple(_limit_rate(found, x, values[x.figure], levels) for x in limits),
        joint=joint,
        level={name: levels.interval(group) for name, group in _by_origin(limits).items()},
        tighten=_tighten(found, limits, draws) if limits else (),
    )


def draws_of(found: Study, samples: int, seed: int) -> Draws:
    """Draw the pieces of a seed; the surrogate is checked on others.

    Parameters
    ----------
    found : Study
        The build and its scatter.
    samples : int
        Number of pieces.
    seed : int
        The same seed draws the same pieces.
    """
    return draw(found.sources, found.concentricity, samples, np.random.default_rng([seed, 0]))


def joint_pass(found: Study, limits: Sequence[Limit], draws: Draws) -> BoolArray:
    """Whether each piece meets all limits, (s,).

    Parameters
    ----------
    found : Study
        The build and its surrogate.
    limits : sequence of Limit
        At least one.
    draws : Draws
        The pieces.
    """
    values = values_of(found, draws, list(dict.fromkeys(limit.figure for limit in limits)))
    return np.asarray(np.all([limit.passed(values[limit.figure]) for limit in limits], axis=0))


def variance_shares(found: Study) -> dict[str, tuple[float, ...]]:
    """Each source's share of each computed figure's variance.

    A source's part b u + c u^2, u normal of variance v, has variance b^2 v + 2 c^2 v^2; without
    products of sources these add up to the total.
    """
    own = np.array([s.deviation for s in found.sources]) / found.surrogate.step
    linear, square = found.surrogate.linear, found.surrogate.square
    parts = (linear * own[:, None]) ** 2 + 2.0 * (square * own[:, None] ** 2) ** 2
    total = parts.sum(axis=0)
    share = np.divide(parts, total, out=np.zeros_like(parts), where=total > 0.0)
    return {
        name: tuple(float(p) for p in share[:, i]) for i, name in enumerate(found.surrogate.names)
    }


def _by_origin(limits: Sequence[Limit]) -> dict[str, list[Limit]]:
    groups: dict[str, list[Limit]] = {}
    for limit in limits:
        groups.setdefault(limit.origin, []).append(limit)
    return {**groups, "all": list(limits)} if limits else {}


def _spread(found: Study, name: str, values: FloatArray, shares: tuple[float, ...]) -> Spread:
    nominal = found.nominal.get(name)
    low, middle, high = (float(q) for q in np.quantile(values, (0.05, 0.5, 0.95)))
    return Spread(
        name=name,
        nominal=nominal.value if nominal else None,
        mean=float(values.mean()),
        deviation=deviation_of(values),
        quantiles=(low, middle, high),
        check_error=found.check_error.get(name, 0.0),
        absolute_error=model_error(found, name),
        shares=shares,
    )


def _limit_rate(found: Study, limit: Limit, values: FloatArray, levels: Levels) -> LimitRate:
    def shifted(error: float) -> tuple[float, float]:
        by = np.linspace(-error, error, _SHIFTS)
        rates = [float(np.mean(limit.passed(values + shift))) for shift in by]
        return min(rates), max(rates)

    return LimitRate(
        limit,
        rate_of(limit.passed(values)),
        shifted(found.check_error.get(limit.figure, 0.0)),
        shifted(model_error(found, limit.figure)),
        levels.interval([limit]),
        levels.deviation[limit.figure],
    )


def _tighten(found: Study, limits: Sequence[Limit], draws: Draws) -> tuple[Tightening, ...]:
    """Halve each standard deviation in turn, on the same pieces; largest gain first.

    By the surrogate, before and after: a gain is a difference.
    """
    found = replace(found, direct=None)
    before = joint_pass(found, limits, draws)
    rows: list[tuple[int, str, Draws]] = []
    for i, source in enumerate(found.sources):
        if source.deviation > 0.0:
            move = draws.move.copy()
            move[:, i] *= 0.5
            rows.append((source.layer, source.kind, Draws(move, draws.offset)))
    for i, deviation in enumerate(found.concentricity):
        if deviation > 0.0:
            offset = draws.offset.copy()
            offset[:, i] *= 0.5
            rows.append((i + 1, "concentricity", Draws(draws.move, offset)))
    gains = []
    for layer, what, changed in rows:
        gain = joint_pass(found, limits, changed).astype(float) - before
        error = float(gain.std() / math.sqrt(len(gain)))
        gains.append(Tightening(layer, what, float(gain.mean()), error))
    return tuple(sorted(gains, key=lambda row: -row.gain))
