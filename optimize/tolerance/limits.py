"""Limits on figures: given, of a rule set, or windows of the prototype sheet."""

import math
import re
from dataclasses import dataclass
from typing import Literal

from layers.arrays import BoolArray, FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import parse_figure
from layers.rules.screen import RuleSet
from optimize.lab.process import Process
from optimize.lab.prototype import STAGE_FIGURES, prototype_sheet
from optimize.lab.renamed import refuse_renamed
from optimize.tolerance.exact import is_balance
from optimize.tolerance.study import Mapper

Origin = Literal["given", "rule", "window"]


_LIMIT = re.compile(r"\s*(?P<figure>[^<>=]+?)\s*(?P<way>>=|<=)\s*(?P<value>[-+0-9.eE]+)\s*")


@dataclass(frozen=True)
class Limit:
    """Bounds on one figure, in its unit; None where there is no bound."""

    figure: str
    low: float | None
    high: float | None
    origin: Origin

    def passed(self, values: FloatArray) -> BoolArray:
        """Whether each value is within, up to rounding."""
        low = -math.inf if self.low is None else self.low - 1e-9
        high = math.inf if self.high is None else self.high + 1e-9
        return (values >= low) & (values <= high)

    @property
    def words(self) -> str:
        """The bounds in words."""
        if self.low is not None and self.high is not None:
            return f"{self.low:.6g} to {self.high:.6g}"
        return f"at least {self.low:g}" if self.low is not None else f"at most {self.high:g}"


def parse_limit(text: str) -> Limit:
    """Parse a limit such as ``deflection_mm>=2.9``.

    Raises
    ------
    InputError
        If it is not a figure, >= or <=, and a number, or the figure is unknown.
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
    refuse_renamed([name], "limit on")
    if not is_balance(name):
        name = parse_figure(name).name
    low, high = (value, None) if match["way"] == ">=" else (None, value)
    return Limit(name, low, high, "given")


def rule_limits(rules: RuleSet) -> tuple[Limit, ...]:
    """Return the limits of a rule set."""
    return tuple(Limit(r.figure, r.at_least, r.at_most, "rule") for r in rules.limit)


def sheet_windows(ball: Ball, process: Process, mapper: Mapper = map) -> tuple[Limit, ...]:
    """Return the windows of a build's prototype sheet, of every stage.

    Parameters
    ----------
    ball : Ball
        The build: windows are centred on its figures.
    process : Process
        Its tolerances are the half widths.
    mapper : callable
        ``map`` or an executor's ``map``.
    """
    count = len(ball.layer)
    stages = [ball.stage(n) for n in range(1, count + 1)]
    made = list(mapper(estimate, stages, [STAGE_FIGURES] * count))
    sheet = prototype_sheet(ball, made, process)
    return tuple(
        Limit(_of_stage(target.name, part.number, count), target.low, target.high, "window")
        for part in sheet.stage
        for target in part.target
        if target.low is not None
    )


def _of_stage(name: str, number: int, count: int) -> str:
    """Name a stage's figure; the finished ball's have no stage, but its thickness has."""
    return name if number == count and name in STAGE_FIGURES else f"stage{number}.{name}"
