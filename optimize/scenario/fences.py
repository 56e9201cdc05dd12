"""Fences: windows to stay out of. A build is inside when it is within all ranges of a fence.

A screen of numbers, no legal advice: what a claim covers is for a patent attorney to say.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import Field, model_validator

from layers.ball import Ball
from layers.errors import exact
from layers.files.fields import Table, numeric
from layers.files.text import Name, Text
from optimize.scenario.goals import Bound
from optimize.scenario.measures import MeasureField, clearance_name, parse_measure

# A value on the end of a range counts as inside, by this share.
_ON_THE_END = 1e-6
# The most that a clearance counts, as a share: also that of a build without the layer.
_FAR = 1.0


class FenceRange(Table):
    """One range of a fence; its ends belong to it."""

    figure: MeasureField = Field(description="as in a limit: a figure, a property of a layer, ...")
    at_least: float | None = numeric("the figure's", "lower end", -1e6, 1e6, None)
    at_most: float | None = numeric("the figure's", "upper end", -1e6, 1e6, None)

    @model_validator(mode="after")
    def _ends_leave_room(self) -> "FenceRange":
        low, high = self.at_least, self.at_most
        if low is None and high is None:
            raise ValueError(f"{self.figure} has no bound; add at_least, at_most or both")
        if low is not None and high is not None and low > high:
            raise ValueError(
                f"{self.figure}: at_least {exact(low)} is above at_most {exact(high)}; swap them"
            )
        return self


class Fence(Table):
    """Ranges that no feasible build meets all at once."""

    name: Name = Field(min_length=1, max_length=80, description="name of the fence")
    margin_percent: float = numeric(
        "%", "distance to keep from it, as a change of the number nearest to its end", 0, 50, 0
    )
    source: Text = Field("as given", max_length=300, description="where the ranges come from")
    range: tuple[FenceRange, ...] = Field(
        min_length=1, max_length=20, description="ranges that hold together"
    )

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures that the ranges need, each once."""
        names = [name for one in self.range for name in parse_measure(one.figure).figures]
        return tuple(dict.fromkeys(names))

    @property
    def is_closed_form(self) -> bool:
        """Whether no range needs finite elements."""
        return all(parse_measure(one.figure).is_closed_form for one in self.range)

    def bound(self) -> Bound:
        """Return the fence as a bound on its clearance, in percent."""
        return Bound(
            clearance_name(self.name), "at least", 0.0, self.margin_percent, self.source, 100.0
        )


@dataclass(frozen=True)
class WayOut:
    """One range of a fence and a build: how far its number is outside, or how to get it outside.

    Attributes
    ----------
    figure : str
        What the range is on.
    value : float or None
        Of the build, in the figure's unit; None without the layer or figure.
    end : float or None
        The nearest end of the range.
    percent : float
        Change that takes the number to that end, in percent of it (of the larger term of a
        difference): positive for a number outside the range, negative for one within.
    """

    figure: str
    value: float | None
    end: float | None
    percent: float


def ways_out(fence: Fence, ball: Ball, figures: Mapping[str, float]) -> tuple[WayOut, ...]:
    """Return how far a build is from each range of a fence, farthest outside first.

    The first is the fence's clearance; of a build inside, it is the nearest way out.

    Parameters
    ----------
    fence : Fence
        The windows to stay out of.
    ball : Ball
        The build.
    figures : mapping of str to float
        The figures that the fence needs, in their units.
    """
    ways = [_way(one, ball, figures) for one in fence.range]
    return tuple(sorted(ways, key=lambda way: -way.percent))


def clearance_percent(fence: Fence, ball: Ball, figures: Mapping[str, float]) -> float:
    """Return the clearance of a build from a fence, percent; negative inside.

    Parameters
    ----------
    fence, ball, figures
        As for `ways_out`.
    """
    return ways_out(fence, ball, figures)[0].percent


def _way(one: FenceRange, ball: Ball, figures: Mapping[str, float]) -> WayOut:
    measure = parse_measure(one.figure)
    value = measure.value_of(ball, figures)
    if value is None:
        return WayOut(one.figure, None, None, 100.0 * _FAR)
    ends = [(end - value, end) for end in (one.at_least,) if end is not None]
    ends += [(value - end, end) for end in (one.at_most,) if end is not None]
    outside, end = max(ends)
    share = outside / measure.scale_of(ball, figures)
    if share < _ON_THE_END:
        share = min(share, -_ON_THE_END)
    return WayOut(one.figure, value, end, 100.0 * max(-_FAR, min(_FAR, share)))
