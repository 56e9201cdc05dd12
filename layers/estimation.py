"""The one door: every figure of a ball, of a stage of it, of its launch and flight."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from layers.arrays import Level
from layers.ball import Ball, Body
from layers.conditions import Conditions, Production
from layers.errors import InputError, SolverError
from layers.estimates import Estimate, Figure
from layers.figures import BALL_FIGURES, QUANTITIES, FigureName, parse_figure
from layers.graded.difference import hardness_difference
from layers.mass import inertia
from layers.strike.swings import Swing, check_owner

if TYPE_CHECKING:
    from layers.compression.curve import Compression
    from layers.flight.trajectory import Flight
    from layers.impact.barrier import BarrierImpact
    from layers.strike.launch import Launch
    from layers.vibration.mode import Mode


class _Bench:
    """One body on the test bench: each test is run once, whatever the number of figures it gives.

    The mechanics are imported where they are first needed: a mass alone should not wait for them.
    """

    def __init__(self, ball: Ball, stage: int, conditions: Conditions, level: Level) -> None:
        self.stage = ball.stage(stage)
        self.finished = stage == len(ball.layer)
        self.body = self.stage.body()
        self._conditions = conditions
        self._level: Level = level
        self._impacts: dict[float, BarrierImpact] = {}
        self._launches: dict[str, Launch] = {}
        self._flights: dict[str, Flight] = {}

    @cached_property
    def curve(self) -> "Compression":
        from layers.compression.curve import compress

        return compress(self.body, level=self._level)

    @cached_property
    def mode(self) -> "Mode":
        from layers.vibration.mode import first_spheroidal_mode

        return first_spheroidal_mode(self.body)

    def impact(self, speed: float) -> "BarrierImpact":
        from layers.impact.barrier import barrier_impact

        if speed not in self._impacts:
            self._impacts[speed] = barrier_impact(self.body, speed, self._level)
        return self._impacts[speed]

    def swing(self, name: str) -> Swing:
        return self._conditions.swings.find(name)

    def launch(self, name: str) -> "Launch":
        from layers.strike.strike import club_impact

        if name not in self._launches:
            self._launches[name] = club_impact(self.body, self.swing(name).strike(), self._level)
        return self._launches[name]

    def flight(self, name: str) -> "Flight":
        from layers.flight.trajectory import fly

        if name not in self._flights:
            launch = self.launch(name)
            self._flights[name] = fly(
                launch.ball_speed,
                launch.launch_angle,
                max(launch.spin, 0.0),
                mass=inertia.mass(self.body),
                diameter=self.diameter,
                air=self._conditions.air,
                wind=self._conditions.wind,
                law=self._conditions.law,
            )
        return self._flights[name]

    @property
    def production(self) -> Production | None:
        return self._conditions.production

    @property
    def diameter(self) -> float:
        return 2.0 * float(self.body.outer_radius[-1])

    def club(self, name: str) -> tuple[str, ...]:
        return self._conditions.swings.of_club(name)


class Answer(NamedTuple):
    """A figure's value, with the flag and the caution of `Figure`.

    Unit and absolute error are those of the quantity where none is given.
    """

    value: float
    flag: str = ""
    caution: str = ""
    unit: str = ""
    absolute_error: float | None = None


Compute = Callable[[_Bench, FigureName], Answer]


def _exact(function: Callable[[Body], float], scale: float) -> Compute:
    return lambda bench, _: Answer(function(bench.body) * scale)


# Standard deviations in the half width of 95 %.
_NINETY_FIVE = 1.96


def _cost(bench: _Bench, name: FigureName) -> Answer:
    production = _production(bench, name)
    found = production.cost(bench.stage, finished=bench.finished)
    error = _NINETY_FIVE * found.deviation
    return Answer(found.value, unit=production.currency, absolute_error=error)


def _press_minutes(bench: _Bench, name: FigureName) -> Answer:
    found = _production(bench, name).press_minutes(bench.stage, finished=bench.finished)
    return Answer(found.value, absolute_error=_NINETY_FIVE * found.deviation)


def _production(bench: _Bench, name: FigureName) -> Production:
    if bench.production is None:
        raise InputError(f"{name.name} needs the lab's process: give a process file")
    return bench.production


def _deflection(bench: _Bench, name: FigureName) -> Answer:
    low, high = name.condition
    curve = bench.curve
    return Answer(1e3 * (curve.deflection_at(high) - curve.deflection_at(low)), curve.flag)


def _hardness_difference(bench: _Bench, _: FigureName) -> Answer:
    count = len(bench.stage.layer)
    ends = bench.stage.ends_mpa(1)[0], bench.stage.ends_mpa(count)[1]
    value, error, caution = hardness_difference(*ends)
    return Answer(value, caution=caution, absolute_error=error)


def _gradient_product(bench: _Bench, name: FigureName) -> Answer:
    by, loads = _hardness_difference(bench, name), QUANTITIES["deflection_mm"].default
    deflection = _deflection(bench, replace(name, condition=loads))
    error = math.hypot(
        deflection.value * (by.absolute_error or 0.0),
        by.value * deflection.value * QUANTITIES["deflection_mm"].absolute_percent / 100.0,
    )
    return Answer(deflection.value * by.value, deflection.flag, by.caution, absolute_error=error)


def _of_impact(attribute: str, scale: float) -> Compute:
    def compute(bench: _Bench, name: FigureName) -> Answer:
        impact = bench.impact(name.condition[0])
        return Answer(getattr(impact, attribute) * scale, impact.flag)

    return compute


def _slope(bench: _Bench, name: FigureName) -> Answer:
    from layers.impact.barrier import cor_slope

    impacts = [bench.impact(speed) for speed in name.condition]
    return Answer(cor_slope(impacts), impacts[0].flag or impacts[1].flag)


def _initial_velocity(bench: _Bench, name: FigureName) -> Answer:
    from layers.impact.barrier import initial_velocity

    impact = bench.impact(name.condition[0])
    return Answer(initial_velocity(impact.cor, name.condition[0]), impact.flag)


def _of_launch(attribute: str, scale: float) -> Compute:
    def compute(bench: _Bench, name: FigureName) -> Answer:
        launch = bench.launch(_owner(name))
        return Answer(getattr(launch, attribute) * scale, launch.flag)

    return compute


def _smash_factor(bench: _Bench, name: FigureName) -> Answer:
    launch = bench.launch(_owner(name))
    return Answer(launch.ball_speed / bench.swing(_owner(name)).club_speed_m_s, launch.flag)


def _of_flight(attribute: str, scale: float) -> Compute:
    def compute(bench: _Bench, name: FigureName) -> Answer:
        flight = bench.flight(_owner(name))
        value = float(getattr(flight, attribute)[0]) * scale
        return _flown(bench, value, (_owner(name),))

    return compute


def _total(bench: _Bench, name: FigureName) -> Answer:
    from layers.flight.turf import bounce_and_roll

    run = bounce_and_roll(bench.flight(_owner(name)), bench.diameter)
    return _flown(bench, float(run.total[0]), (_owner(name),))


def _carry_range(bench: _Bench, name: FigureName) -> Answer:
    swings = bench.club(_owner(name))
    carries = [float(bench.flight(swing).carry[0]) for swing in swings]
    return _flown(bench, max(carries) - min(carries), swings)


# A flight that leaves the law for this share of its time is told: a slow end hardly counts.
_MOST_OUTSIDE = 0.05


def _flown(bench: _Bench, value: float, swings: tuple[str, ...]) -> Answer:
    """Say of a figure of flights what is wrong with a strike, or how far a flight left the law."""
    flags = [flag for swing in swings if (flag := bench.launch(swing).flag)]
    outside = max(float(bench.flight(swing).outside_share[0]) for swing in swings)
    caution = ""
    if outside > _MOST_OUTSIDE:
        caution = f"the aerodynamic law does not cover {100 * outside:.0f} % of this flight"
    return Answer(value, flags[0] if flags else "", caution)


def _owner(name: FigureName) -> str:
    assert name.swing is not None  # by `parse_figure`: launch and flight figures name a swing
    return name.swing


_COMPUTE: dict[str, Compute] = {
    "mass_g": _exact(inertia.mass, 1e3),
    "diameter_mm": lambda bench, _: Answer(1e3 * bench.diameter),
    "moi_g_cm2": _exact(inertia.moment_of_inertia, 1e7),
    "moi_ratio": _exact(inertia.moi_ratio, 1.0),
    "mean_density_g_cm3": _exact(inertia.mean_density, 1e-3),
    "cost_per_ball": _cost,
    "press_minutes": _press_minutes,
    "deflection_mm": _deflection,
    "hardness_difference_shore_c": _hardness_difference,
    "gradient_product": _gradient_product,
    "frequency_hz": lambda bench, _: Answer(bench.mode.frequency),
    "cor": _of_impact("cor", 1.0),
    "cor_slope": _slope,
    "contact_time_us": _of_impact("contact_time", 1e6),
    "peak_force_n": _of_impact("peak_force", 1.0),
    "peak_deformation_mm": _of_impact("peak_deformation", 1e3),
    "initial_velocity_m_s": _initial_velocity,
    "ball_speed_m_s": _of_launch("ball_speed", 1.0),
    "launch_angle_deg": _of_launch("launch_angle", math.degrees(1.0)),
    "spin_rpm": _of_launch("spin", 30.0 / math.pi),
    "smash_factor": _smash_factor,
    "strike_time_us": _of_launch("contact_time", 1e6),
    "carry_m": _of_flight("carry", 1.0),
    "apex_m": _of_flight("apex", 1.0),
    "descent_angle_deg": _of_flight("descent_angle", math.degrees(1.0)),
    "flight_time_s": _of_flight("time", 1.0),
    "landing_spin_rpm": _of_flight("landing_spin", 30.0 / math.pi),
    "total_m": _total,
    "carry_range_m": _carry_range,
}


def estimate(
    ball: Ball,
    figures: str | Sequence[str] = BALL_FIGURES,
    conditions: Conditions | None = None,
    level: Level = "default",
) -> Estimate:
    """Compute figures of a ball; each physical test is run at most once.

    Parameters
    ----------
    ball : Ball
        The build.
    figures : str or sequence of str
        Names of the figures wanted, see `layers.figures`.
    conditions : Conditions, optional
        Swings, aerodynamics and air of launch and flight figures; the shipped ones otherwise.
    level : {"default", "fine"}
        Mesh; ``fine`` is for finalists.

    Returns
    -------
    Estimate
        A figure whose computation broke down stands in `failed`, never as a number.

    Raises
    ------
    InputError
        If the ball is not valid (pydantic's `model_copy` does not check), or a figure's name is
        unknown or names a stage or swing that is not there.
    """
    if not isinstance(ball, Ball):
        raise InputError(f"estimate takes a Ball, not {type(ball).__name__}; see read_ball.")
    ball.checked()
    conditions = conditions or Conditions()
    asked = [figures] if isinstance(figures, str) else figures
    names = {parsed.name: parsed for parsed in map(parse_figure, asked)}
    benches: dict[int, _Bench] = {}
    for parsed in names.values():
        count = parsed.stage or len(ball.layer)
        if count not in benches:
            benches[count] = _Bench(ball, count, conditions, level)
        check_owner(parsed, conditions.swings)
    done: dict[str, Figure] = {}
    failed: dict[str, str] = {}
    for name, parsed in names.items():
        bench = benches[parsed.stage or len(ball.layer)]
        known = QUANTITIES[parsed.quantity]
        try:
            answer = _COMPUTE[parsed.quantity](bench, parsed)
        except (SolverError, InputError) as error:
            failed[name] = str(error)
            continue
        value = float(answer.value)
        done[name] = Figure(
            name=name,
            value=value,
            unit=answer.unit or known.unit,
            basis=known.basis,
            difference_error=known.difference_error(value, level),
            absolute_error=(
                abs(value) * known.absolute_percent / 100.0
                if answer.absolute_error is None
                else answer.absolute_error
            ),
            flag=answer.flag,
            caution=answer.caution,
        )
    return Estimate(ball, done, failed)


def estimate_many(
    balls: Iterable[Ball],
    figures: str | Sequence[str] = BALL_FIGURES,
    mapper: Callable[..., Iterable[Any]] = map,
) -> list[Estimate]:
    """Estimate a batch, in order.

    Parameters
    ----------
    balls : iterable of Ball
        The builds.
    figures : str or sequence of str
        Names of the figures wanted of each.
    mapper : callable
        ``map`` or an executor's ``map``: figures do not depend on it, to the last bit.
    """
    balls = list(balls)
    asked = (figures,) if isinstance(figures, str) else tuple(figures)
    return list(mapper(estimate, balls, [asked] * len(balls)))
