"""One body on the test bench: every physical test, run once whatever is asked of it."""

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

from layers.arrays import Level
from layers.ball import Ball
from layers.conditions import Conditions, Production
from layers.mass import inertia
from layers.strike.swings import Swing

if TYPE_CHECKING:
    from layers.compression.curve import Compression
    from layers.flight.influence import Influence
    from layers.flight.trajectory import Flight
    from layers.flight.uncertainty import Spread
    from layers.impact.barrier import BarrierImpact
    from layers.strike.launch import Launch
    from layers.vibration.mode import Mode


@dataclass(frozen=True)
class Impacts:
    """Impacts of one ball that were computed elsewhere, or why they could not be.

    Attributes
    ----------
    launches : dict
        By the number of layers and the swing's name.
    flights : dict
        The same, under the ball's own dimple pattern.
    barrier : dict
        Impacts on it, by the number of layers and the speed, m/s.
    """

    launches: "Mapping[tuple[int, str], Launch | Exception]" = field(default_factory=dict)
    flights: "Mapping[tuple[int, str], Flight]" = field(default_factory=dict)
    barrier: "Mapping[tuple[int, float], BarrierImpact | Exception]" = field(default_factory=dict)


T = TypeVar("T")


def _taken(found: T | Exception) -> T:
    """Return an impact, or raise why there is none."""
    if isinstance(found, Exception):
        raise found
    return found


class Bench:
    """One body on the test bench: each test is run once, whatever the number of figures it gives.

    The mechanics are imported where they are first needed: a mass alone should not wait for them.
    """

    def __init__(
        self,
        ball: Ball,
        stage: int,
        conditions: Conditions,
        level: Level,
        given: Impacts | None = None,
    ) -> None:
        self._count, self._given = stage, given or Impacts()
        self.pattern = ball.dimple_pattern
        self.stage = ball.stage(stage)
        self.finished = stage == len(ball.layer)
        self.body = self.stage.body()
        self._conditions = conditions
        self._level: Level = level
        self._impacts: dict[float, BarrierImpact] = {}
        self._launches: dict[str, Launch] = {}
        self._flights: dict[str, Flight] = {}
        self._influences: dict[str, Influence] = {}
        self._spreads: dict[str, Spread] = {}

    @cached_property
    def curve(self) -> "Compression":
        """Compression between plates."""
        from layers.compression.curve import compress

        return compress(self.body, level=self._level)

    @cached_property
    def mode(self) -> "Mode":
        """First spheroidal mode."""
        from layers.vibration.mode import first_spheroidal_mode

        return first_spheroidal_mode(self.body)

    def impact(self, speed: float) -> "BarrierImpact":
        """Return the impact on a rigid barrier at a speed, m/s."""
        from layers.impact.barrier import barrier_impact

        if (self._count, speed) in self._given.barrier:
            return _taken(self._given.barrier[self._count, speed])
        if speed not in self._impacts:
            self._impacts[speed] = barrier_impact(
                self.body, speed, self._level, self._conditions.precision
            )
        return self._impacts[speed]

    def swing(self, name: str) -> Swing:
        """Return a swing by its name."""
        return self._conditions.swings.find(name)

    def launch(self, name: str) -> "Launch":
        """Return the launch off a swing's club."""
        from layers.strike.strike import club_impact

        if (self._count, name) in self._given.launches:
            return _taken(self._given.launches[self._count, name])
        if name not in self._launches:
            self._launches[name] = club_impact(
                self.body, self.swing(name).strike(), self._level, self._conditions.precision
            )
        return self._launches[name]

    def under(self, pattern: str) -> "Bench":
        """Return the same body under another dimple pattern: only flights are anew."""
        other = copy(self)
        other.pattern, other._flights = pattern, {}
        other._influences, other._spreads = {}, {}
        other._given = replace(self._given, flights={})
        return other

    def flight(self, name: str) -> "Flight":
        """Return the flight of a swing's launch, in its weather, by the pattern's drag and lift."""
        from layers.flight.trajectory import fly

        if (self._count, name) in self._given.flights:
            return self._given.flights[self._count, name]
        if name not in self._flights:
            launch, weather = self.launch(name), self._conditions.weather(name)
            self._flights[name] = fly(
                launch.ball_speed,
                launch.launch_angle,
                max(launch.spin, 0.0),
                mass=inertia.mass(self.body),
                diameter=self.diameter,
                air=weather.air,
                wind=weather.wind,
                law=self._conditions.law_of(self.pattern),
            )
        return self._flights[name]

    def spread(self, name: str) -> "Spread | None":
        """Return the errors of a flight from those of a measured surface; None of other laws."""
        from layers.flight.uncertainty import Errors, flight_spread

        law = self._conditions.law_of(self.pattern)
        if not isinstance(law, Errors):
            return None
        if name not in self._spreads:
            self._spreads[name] = flight_spread(self._influence(name), law)
        return self._spreads[name]

    def spread_between(self, first: str, second: str) -> "Spread | None":
        """Return the errors of one swing's flight less another's, which share the surface's."""
        from layers.flight.uncertainty import Errors, difference_spread

        law = self._conditions.law_of(self.pattern)
        if not isinstance(law, Errors):
            return None
        return difference_spread(self._influence(first), self._influence(second), (law, law))

    def _influence(self, name: str) -> "Influence":
        """Return how a swing's flight answers to drag and lift."""
        from layers.flight.influence import influence

        if name not in self._influences:
            launch, weather = self.launch(name), self._conditions.weather(name)
            self._influences[name] = influence(
                launch.ball_speed,
                launch.launch_angle,
                max(launch.spin, 0.0),
                mass=inertia.mass(self.body),
                diameter=self.diameter,
                law=self._conditions.law_of(self.pattern),
                air=weather.air,
                wind=weather.wind,
            )
        return self._influences[name]

    @property
    def pattern_caution(self) -> str:
        """Say so where a pattern is named without data: its flights are by the law of all."""
        if not self.pattern or self.pattern in self._conditions.patterns:
            return ""
        return f"no drag and lift are given for dimple pattern {self.pattern!r}"

    @property
    def production(self) -> Production | None:
        """What cost and press time follow from."""
        return self._conditions.production

    @property
    def diameter(self) -> float:
        """Outer diameter, m."""
        return 2.0 * float(self.body.outer_radius[-1])

    def club(self, name: str) -> tuple[str, ...]:
        """Return the names of a club's swings."""
        return self._conditions.swings.of_club(name)
