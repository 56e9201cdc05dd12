"""Rule sets as dated data, and the screen of a build against one."""

import tomllib
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import cache
from importlib import resources
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from layers.errors import InputError
from layers.figures import Estimate, parse_figure

Verdict = Literal["within", "within error of the limit", "outside", "not known"]


class RuleLimit(BaseModel):
    """One bound on one figure."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    figure: str = Field(description="name of the figure")
    at_least: float | None = Field(None, description="lower bound, in the figure's unit")
    at_most: float | None = Field(None, description="upper bound, in the figure's unit")
    source: str = Field(description="where the bound stands")
    grade: Literal["published", "restated", "from memory"] = Field(description="how it was seen")

    @model_validator(mode="after")
    def _one_bound_of_a_known_figure(self) -> "RuleLimit":
        parse_figure(self.figure)
        if (self.at_least is None) == (self.at_most is None):
            raise ValueError(f"limit on {self.figure} needs at_least or at_most, one of them")
        return self


class RuleSet(BaseModel):
    """A dated set of limits."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    as_of: date = Field(description="when the data were written down")
    status: str = Field(description="what the rules' standing was then")
    limit: tuple[RuleLimit, ...]


@dataclass(frozen=True)
class Margin:
    """How far a build keeps from one limit; positive is inside.

    `margin` is in the figure's unit; `absolute_error` is what the figure itself is trusted to.
    """

    limit: RuleLimit
    value: float | None
    margin: float | None
    absolute_error: float
    verdict: Verdict


@cache
def rule_sets() -> tuple[RuleSet, ...]:
    """Return the shipped rule sets."""
    text = resources.files("layers.rules").joinpath("rules.toml").read_text(encoding="utf-8")
    return tuple(RuleSet.model_validate(row) for row in tomllib.loads(text)["rule_set"])


def rule_set(name: str) -> RuleSet:
    """Return the rule set of this name.

    Raises
    ------
    InputError
        If there is none; the known names are told.
    """
    for rules in rule_sets():
        if rules.name == name:
            return rules
    names = [rules.name for rules in rule_sets()]
    near = get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(names)}."
    raise InputError(f"rule set {name!r} is not known; {hint}")


def screen(estimate: Estimate, rules: RuleSet) -> tuple[Margin, ...]:
    """Compare a build's figures with a rule set's limits: a screen, not a ruling.

    Parameters
    ----------
    estimate : Estimate
        Should hold the figures that the limits name; one that is missing gives ``not known``.
    rules : RuleSet
        The limits.

    Returns
    -------
    tuple of Margin
        One a limit, in the rule set's order.
    """
    return tuple(_margin(estimate, limit) for limit in rules.limit)


def _margin(estimate: Estimate, limit: RuleLimit) -> Margin:
    figure = estimate.figures.get(limit.figure)
    if figure is None:
        return Margin(limit, None, None, 0.0, "not known")
    if limit.at_most is not None:
        margin = limit.at_most - figure.value
    else:
        assert limit.at_least is not None  # by validation: exactly one bound stands
        margin = figure.value - limit.at_least
    # A diameter or mass set to the limit on purpose is inside: only a model's error blurs it.
    exact = figure.basis == "closed form"
    verdict: Verdict
    if exact:
        verdict = "within" if margin >= -1e-9 else "outside"
    elif abs(margin) < figure.absolute_error:
        verdict = "within error of the limit"
    else:
        verdict = "within" if margin > 0.0 else "outside"
    return Margin(limit, figure.value, margin, figure.absolute_error, verdict)
