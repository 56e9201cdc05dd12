"""Which share of drawn pieces passes limits and windows, what to tighten, how to move the nominal.

Every rate has its sampling error. What the surrogate and the model itself leave open is told apart:
the rate if every value were shifted by as much as that.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.estimation import estimate_many
from layers.figures import parse_figure
from layers.rules.screen import RuleSet
from optimize.lab.process import Process
from optimize.lab.prototype import STAGE_FIGURES, prototype_sheet
from optimize.tolerance.study import (
    Draws,
    Mapper,
    Study,
    balance_names,
    deviation_of,
    draw,
    is_balance,
    is_exact,
    values_of,
)

Origin = Literal["asked", "rule", "window"]

# Two-sided 95 % of the normal distribution.
_Z = 1.959964
_LIMIT = re.compile(r"\s*(?P<figure>[^<>=]+?)\s*(?P<way>>=|<=)\s*(?P<value>[-+0-9.eE]+)\s*")
_SHIFTS = 9


@dataclass(frozen=True)
class Limit:
    """Bounds on one figure, in its unit; an end that is not bounded is None."""

    figure: str
    low: float | None
    high: float | None
    origin: Origin

    def passed(self, values: FloatArray) -> BoolArray:
        """Whether each value lies within; a hair outside, by rounding, is inside."""
        low = -math.inf if self.low is None else self.low - 1e-9
        high = math.inf if self.high is None else self.high + 1e-9
        return (values >= low) & (values <= high)

    @property
    def words(self) -> str:
        """The bounds as a person writes them."""
        if self.low is not None and self.high is not None:
            return f"{self.low:.6g} to {self.high:.6g}"
        return f"at least {self.low:g}" if self.low is not None else f"at most {self.high:g}"


@dataclass(frozen=True)
class Rate:
    """A share of pieces, its standard error, and Wilson's 95 % interval for it."""

    value: float
    error: float
    low: float
    high: float


@dataclass(frozen=True)
class LimitRate:
    """How many pieces pass one limit.

    `surrogate` is the range of the rate when all values are shifted by up to the surrogate's own
    error, `model` when by up to the figure's absolute error: what is not known of the materials.
    Closed forms have neither: of the piece as it is made, they are exact.
    """

    limit: Limit
    rate: Rate
    surrogate: tuple[float, float]
    model: tuple[float, float]


@dataclass(frozen=True)
class Spread:
    """The distribution of one figure, and the share of each source in its variance."""

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
    """What halving one deviation does to the joint pass rate; `layer` is an index.

    `error` is the standard error of the gain: the same pieces are drawn before and after.
    """

    layer: int
    what: str
    gain: float
    error: float


@dataclass(frozen=True)
class Tolerance:
    """All that was drawn; `joint` by origin of the limits, and over all of them as ``all``."""

    study: Study
    samples: int
    seed: int
    spread: tuple[Spread, ...]
    limit: tuple[LimitRate, ...]
    joint: Mapping[str, Rate]
    tighten: tuple[Tightening, ...]


def parse_limit(text: str) -> Limit:
    """Parse a limit such as ``deflection_mm>=2.9``.

    Raises
    ------
    InputError
        If it is not a figure, >= or <=, and a number, or the figure is not known.
    """
    match = _LIMIT.fullmatch(text)
    try:
        value = float(match["value"]) if match else math.nan
    except ValueError:
        value = math.nan
    if match is None or not math.isfinite(value):
        raise InputError(
            f"limit is {text!r}, but must be a figure, >= or <=, and a number: deflection_mm>=2.9."
        )
    name = match["figure"]
    if not is_balance(name):
        parse_figure(name)
    low, high = (value, None) if match["way"] == ">=" else (None, value)
    return Limit(name, low, high, "asked")


def rule_limits(rules: RuleSet) -> tuple[Limit, ...]:
    """Take over the limits of a rule set."""
    return tuple(Limit(r.figure, r.at_least, r.at_most, "rule") for r in rules.limit)


def sheet_windows(ball: Ball, process: Process, mapper: Mapper = map) -> tuple[Limit, ...]:
    """Take over the windows of a build's prototype sheet, of every stage.

    Parameters
    ----------
    ball : Ball
        The build: windows lie about its own figures.
    process : Process
        Its tolerances are the half widths.
    mapper : callable
        ``map`` or an executor's ``map``.
    """
    count = len(ball.layer)
    stages = [ball.stage(n) for n in range(1, count + 1)]
    sheet = prototype_sheet(ball, estimate_many(stages, STAGE_FIGURES, mapper), process)
    return tuple(
        Limit(_of_stage(target.name, part.number, count), target.low, target.high, "window")
        for part in sheet.stage
        for target in part.target
        if target.low is not None
    )


def _of_stage(name: str, number: int, count: int) -> str:
    """Name a stage's figure; the finished ball's figures have no stage, but its wall has."""
    return name if number == count and name in STAGE_FIGURES else f"stage{number}.{name}"


def rate_of(passed: BoolArray) -> Rate:
    """Share of pieces that pass, with its binomial error and Wilson's interval.

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
    """Draw pieces and read off distributions, pass rates and what to tighten.

    Parameters
    ----------
    found : Study
        From `study`; it must hold the limits' figures.
    limits : sequence of Limit
        May be empty.
    samples : int
        Pieces to draw.
    seed : int
        The same seed draws the same pieces.
    """
    draws = draws_of(found, samples, seed)
    limited = [limit.figure for limit in limits]
    names = dict.fromkeys([*found.nominal, *balance_names(found.ball), *limited])
    values = values_of(found, draws, list(names))
    shares = variance_shares(found)
    passed = {limit: limit.passed(values[limit.figure]) for limit in limits}
    joint = {
        origin: rate_of(np.all([passed[limit] for limit in group], axis=0))
        for origin, group in _by_origin(limits).items()
    }
    return Tolerance(
        study=found,
        samples=samples,
        seed=seed,
        spread=tuple(_spread(found, name, values[name], shares.get(name, ())) for name in values),
        limit=tuple(_limit_rate(found, limit, values[limit.figure]) for limit in limits),
        joint=joint,
        tighten=_tighten(found, limits, draws) if limits else (),
    )


def draws_of(found: Study, samples: int, seed: int) -> Draws:
    """Draw the pieces of a seed; the checks of the surrogate are other ones."""
    return draw(found.sources, found.concentricity, samples, np.random.default_rng([seed, 0]))


def joint_pass(found: Study, limits: Sequence[Limit], draws: Draws) -> BoolArray:
    """Whether each piece passes all limits."""
    values = values_of(found, draws, list(dict.fromkeys(limit.figure for limit in limits)))
    return np.asarray(np.all([limit.passed(values[limit.figure]) for limit in limits], axis=0))


def variance_shares(found: Study) -> dict[str, tuple[float, ...]]:
    """Share of each source in each computed figure's variance.

    A source's part b u + c u^2, u normal of variance v, has variance b^2 v + 2 c^2 v^2; without
    products of sources these add up to the whole.
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
        absolute_error=_model_error(found, name),
        shares=shares,
    )


def _model_error(found: Study, name: str) -> float:
    return 0.0 if is_exact(name) else found.nominal[name].absolute_error


def _limit_rate(found: Study, limit: Limit, values: FloatArray) -> LimitRate:
    def shifted(error: float) -> tuple[float, float]:
        by = np.linspace(-error, error, _SHIFTS)
        rates = [float(np.mean(limit.passed(values + shift))) for shift in by]
        return min(rates), max(rates)

    return LimitRate(
        limit,
        rate_of(limit.passed(values)),
        shifted(found.check_error.get(limit.figure, 0.0)),
        shifted(_model_error(found, limit.figure)),
    )


def _tighten(found: Study, limits: Sequence[Limit], draws: Draws) -> tuple[Tightening, ...]:
    """Halve one deviation after another, the drawn pieces otherwise the same; best first."""
    before = joint_pass(found, limits, draws)
    rows: list[tuple[int, str, Draws]] = []
    for i, source in enumerate(found.sources):
        if source.deviation > 0.0:
            move = draws.move.copy()
            move[:, i] *= 0.5
            rows.append((source.layer, source.kind, Draws(move, draws.off)))
    for i, deviation in enumerate(found.concentricity):
        if deviation > 0.0:
            off = draws.off.copy()
            off[:, i] *= 0.5
            rows.append((i + 1, "concentricity", Draws(draws.move, off)))
    gains = []
    for layer, what, changed in rows:
        gain = joint_pass(found, limits, changed).astype(float) - before
        error = float(gain.std() / math.sqrt(len(gain)))
        gains.append(Tightening(layer, what, float(gain.mean()), error))
    return tuple(sorted(gains, key=lambda row: -row.gain))
