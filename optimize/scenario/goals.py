"""Objectives and constraints of a scenario: goals, limits, bounds."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from layers.errors import exact
from layers.figures import parse_figure
from layers.files.fields import Table
from optimize.scenario.measures import MeasureField

# Any spelling is read, the canonical name is kept.
FigureField = Annotated[str, AfterValidator(lambda name: parse_figure(name).name)]


class Goal(Table):
    """A figure to maximise, minimise or bring to a target."""

    figure: FigureField = Field(description="name of the figure, see `orbwright figures`")
    aim: Literal["maximize", "minimize", "target"] = Field(description="which way is better")
    target: float | None = Field(
        None,
        ge=-1e6,
        le=1e6,
        description="value to come near to, in the figure's unit",
        json_schema_extra={"unit": "the figure's"},
    )
    band: float = Field(
        0.0,
        ge=0.0,
        le=1e6,
        description="distance from the target that counts as on it",
        json_schema_extra={"unit": "the figure's"},
    )

    @model_validator(mode="after")
    def _target_goes_with_its_aim(self) -> "Goal":
        if (self.aim == "target") != (self.target is not None):
            lacks = "no target; add one" if self.target is None else "a target; remove it"
            raise ValueError(f"{self.figure}: aim is {self.aim!r}, but there is {lacks}")
        return self

    def loss(self, value: float) -> float:
        """Return the loss that the search minimises, in the figure's unit."""
        if self.target is not None:
            return max(0.0, abs(value - self.target) - self.band)
        return -value if self.aim == "maximize" else value


class Limit(Table):
    """Bounds that every feasible build meets: on a figure, a layer, a difference or a ratio."""

    figure: MeasureField = Field(
        description="name of the figure, or a property of a layer such as cover.thickness_mm; also "
        "A - B and A / B of two of one unit, such as stage2.deflection_mm - stage1.deflection_mm"
    )
    at_least: float | None = Field(
        None,
        ge=-1e6,
        le=1e6,
        description="lower bound",
        json_schema_extra={"unit": "the figure's"},
    )
    at_most: float | None = Field(
        None,
        ge=-1e6,
        le=1e6,
        description="upper bound",
        json_schema_extra={"unit": "the figure's"},
    )
    margin: float = Field(
        0.0,
        ge=0.0,
        le=1e6,
        description="distance to keep from the bounds",
        json_schema_extra={"unit": "the figure's"},
    )

    @model_validator(mode="after")
    def _bounds_leave_room(self) -> "Limit":
        low, high = self.at_least, self.at_most
        if low is None and high is None:
            raise ValueError(f"{self.figure} has no bound; add at_least, at_most or both")
        if low is not None and high is not None and high - low < 2.0 * self.margin:
            raise ValueError(
                f"{self.figure}: at_least {exact(low)} and at_most {exact(high)} leave no room "
                f"with a margin of {exact(self.margin)}; widen them"
            )
        return self


@dataclass(frozen=True)
class Bound:
    """One side of one limit.

    Attributes
    ----------
    figure, side, value : str, str, float
        ``figure`` shall be ``at least`` or ``at most`` the value, in the figure's unit.
    margin : float
        Distance to keep from the value.
    source : str
        Where the bound comes from: the scenario's limit, a rule set, a layer's range, a fence.
    scale : float
        What an excess is relative to; 0 for the bound's own value.
    """

    figure: str
    side: Literal["at least", "at most"]
    value: float
    margin: float
    source: str
    scale: float = 0.0

    def excess(self, value: float) -> float:
        """Return by how much a value violates the bound, in the figure's unit; 0 if it does not.

        1e-9 of the bound is tolerated: a mass that is set to a limit may violate it by rounding.
        """
        inward = self.value - value if self.side == "at least" else value - self.value
        over = inward + self.margin
        return over if over > 1e-9 * max(1.0, abs(self.value)) else 0.0

    def relative(self, excess: float) -> float:
        """Return an excess as a fraction of the bound, to rank violations of different limits."""
        return excess / (self.scale or abs(self.value) or 1.0)


def sides_of(
    figure: str, low: float | None, high: float | None, margin: float, source: str
) -> list[Bound]:
    """Split a range into one-sided bounds.

    Parameters
    ----------
    figure : str
        Name of the figure.
    low, high : float or None
        Ends of the range, in the figure's unit; None where it is open.
    margin : float
        Distance to keep from both, in the figure's unit.
    source : str
        Where the range comes from.
    """
    sides = []
    if low is not None:
        sides.append(Bound(figure, "at least", low, margin, source))
    if high is not None:
        sides.append(Bound(figure, "at most", high, margin, source))
    return sides
