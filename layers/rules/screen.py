"""Rule sets as dated data, and the screen of a build against one."""

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from layers.estimates import Estimate
from layers.figures import parse_figure
from layers.files.cards import Cards
from layers.files.fields import Table, numeric
from layers.files.other_units import read_quantity, unit_of_key

Verdict = Literal["within", "within error of the limit", "outside", "not known"]


class RuleLimit(Table):
    """One bound on one figure, in the figure's unit; `stated` is the rule's own, in its own unit.

    A file may give the bound as the rule does, ``at_most = "1.620 oz"``, and how many decimals the
    rule prints of the metric figure beside it, ``metric_decimals = 2``: 45.93 g.
    """

    figure: str = Field(description="name of the figure")
    at_least: float | None = numeric("the figure's", "lower bound", -1e6, 1e6, None)
    at_most: float | None = numeric("the figure's", "upper bound", -1e6, 1e6, None)
    stated: str = Field("", description="the bound as the rule states it, with its unit")
    source: str = Field(description="where the bound stands")
    grade: Literal["published", "restated", "from memory"] = Field(description="how it was seen")

    @model_validator(mode="before")
    @classmethod
    def _metric_from_stated(cls, table: Any) -> Any:
        """Derive the metric bound from one that says its unit."""
        key = next((k for k in ("at_least", "at_most") if isinstance(table.get(k), str)), None)
        if key is None:
            return table
        read = {k: v for k, v in table.items() if k != "metric_decimals"}
        value = read_quantity(table[key], unit_of_key(str(table.get("figure"))), key)
        if value is not None and "metric_decimals" in table:
            value = round(value, table["metric_decimals"])
        return read | {key: value, "stated": table[key]}

    @model_validator(mode="after")
    def _one_bound_of_a_known_figure(self) -> "RuleLimit":
        parse_figure(self.figure)
        if (self.at_least is None) == (self.at_most is None):
            raise ValueError(f"limit on {self.figure} needs at_least or at_most, one of them")
        return self


class RuleSet(BaseModel):
    """A dated set of limits."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(description="what it is called")
    as_of: date = Field(description="when the data were written down")
    status: str = Field(description="what the rules' standing was then")
    limit: tuple[RuleLimit, ...] = Field(description="its limits")


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


class RuleSets(Cards[RuleSet]):
    """Rule sets, each name once."""

    kind = "rule set"
    place = "list of rule sets"

    rule_set: tuple[RuleSet, ...] = Field(min_length=1, description="the rule sets")


@cache
def rule_sets() -> RuleSets:
    """Return the shipped rule sets."""
    return RuleSets.shipped("layers.rules", "rules.toml")


def rule_set(name: str) -> RuleSet:
    """Return the rule set of this name.

    Raises
    ------
    InputError
        If there is none; the nearest names are offered.
    """
    return rule_sets().find(name)


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
