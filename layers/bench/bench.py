"""One body on the test bench: every physical test, run once whatever is asked of it."""

from copy import copy
from functools import cached_property
from typing import TYPE_CHECKING

from layers.arrays import Level
from layers.ball import Ball
from layers.conditions import Conditions, Production
from layers.mass import inertia
from layers.strike.swings import Swing

if TYPE_CHECKING:
    from layers.compression.curve import Compression
    from layers.flight.trajectory import Flight
    from layers.flight.uncertainty import Spread
    from layers.impact.barrier import BarrierImpact
    from layers.strike.launch import Launch
    from layers.vibration.mode import Mode


class Bench:
    """One body on the test bench: each test is run once, whatever the number of figures it gives.

    The mechanics are imported where they are first needed: a mass alone should not wait for them.
    """

    def __init__(self, ball: Ball, stage: int, conditions: Conditions, level: Level) -> None:
        self.pattern = ball.dimple_pattern
        self.stage = ball.stage(stage)
        self.finished = stage == len(ball.layer)
        self.body = self.stage.body()
        self._conditions = conditions
        self._level: Level = level
        self._impacts: dict[float, BarrierImpact] = {}
        self._launches: dict[str, Launch] = {}
        self._flights: dict[str, Flight] = {}
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

        if name not in self._launches:
            self._launches[name] = club_impact(
                self.body, self.swing(name).strike(), self._level, self._conditions.precision
            )
        return self._launches[name]

    def under(self, pattern: str) -> "Bench":
        """Return the same body under another dimple pattern: only flights are anew."""
        other = copy(self)
        other.pattern, other._flights, other._spreads = pattern, {}, {}
        return other

    def flight(self, name: str) -> "Flight":
        """Return the flight of a swing's launch, in its weather, by the pattern's drag and lift."""
        from layers.flight.trajectory import fly

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
        from layers.flight.influence import influence
        from layers.flight.uncertainty import Errors, flight_spread

        law = self._conditions.law_of(self.pattern)
        if not isinstance(law, Errors):
            return None
        if name not in self._spreads:
            launch, weather = self.launch(name), self._conditions.weather(name)
            flown = influence(
                launch.ball_speed,
                launch.launch_angle,
                max(launch.spin, 0.0),
                mass=inertia.mass(self.body),
                diameter=self.diameter,
                law=law,
                air=weather.air,
                wind=weather.wind,
            )
            self._spreads[name] = flight_spread(flown, law)
        return self._spreads[name]

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
