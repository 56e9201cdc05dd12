"""The public entry point: every figure of a ball, of a stage of it, of its launch and flight."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from layers.arrays import Level, Precision
from layers.ball import Ball, Body
from layers.bench.bench import Bench, Impacts
from layers.conditions import Conditions, Production
from layers.errors import InputError, SolverError
from layers.estimates import Estimate, Figure
from layers.figures import BALL_FIGURES, QUANTITIES, FigureName, parse_figure
from layers.graded.difference import hardness_difference
from layers.mass import inertia
from layers.strike.swings import check_owner

if TYPE_CHECKING:
    from layers.flight.uncertainty import Spread


class Answer(NamedTuple):
    """A figure's value, with the flag and the caution of `Figure`.

    Unit and absolute error are those of the quantity where none is given.
    """

    value: float
    flag: str = ""
    caution: str = ""
    unit: str = ""
    absolute_error: float | None = None


Compute = Callable[[Bench, FigureName], Answer]


def _exact(function: Callable[[Body], float], scale: float) -> Compute:
    return lambda bench, _: Answer(function(bench.body) * scale)


# Standard deviations in the half width of 95 %.
_NINETY_FIVE = 1.96


def _cost(bench: Bench, name: FigureName) -> Answer:
    production = _production(bench, name)
    found = production.cost(bench.stage, finished=bench.finished)
    error = _NINETY_FIVE * found.deviation
    return Answer(found.value, unit=production.currency, absolute_error=error)


def _press_minutes(bench: Bench, name: FigureName) -> Answer:
    found = _production(bench, name).press_minutes(bench.stage, finished=bench.finished)
    return Answer(found.value, absolute_error=_NINETY_FIVE * found.deviation)


def _production(bench: Bench, name: FigureName) -> Production:
    if bench.production is None:
        raise InputError(f"{name.name} needs the lab's process: give a process file")
    return bench.production


def _deflection(bench: Bench, name: FigureName) -> Answer:
    low, high = name.condition
    curve = bench.curve
    return Answer(1e3 * (curve.deflection_at(high) - curve.deflection_at(low)), curve.flag)


def _hardness_difference(bench: Bench, _: FigureName) -> Answer:
    count = len(bench.stage.layer)
    ends = bench.stage.ends_mpa(1)[0], bench.stage.ends_mpa(count)[1]
    value, error, caution = hardness_difference(*ends)
    return Answer(value, caution=caution, absolute_error=error)


def _gradient_product(bench: Bench, name: FigureName) -> Answer:
    by, loads = _hardness_difference(bench, name), QUANTITIES["deflection_mm"].default
    deflection = _deflection(bench, replace(name, condition=loads))
    error = math.hypot(
        deflection.value * (by.absolute_error or 0.0),
        by.value * deflection.value * QUANTITIES["deflection_mm"].absolute_percent / 100.0,
    )
    return Answer(deflection.value * by.value, deflection.flag, by.caution, absolute_error=error)


def _of_impact(attribute: str, scale: float) -> Compute:
    def compute(bench: Bench, name: FigureName) -> Answer:
        (speed,) = name.condition
        impact = bench.impact(speed)
        return Answer(getattr(impact, attribute) * scale, impact.flag)

    return compute


def _slope(bench: Bench, name: FigureName) -> Answer:
    from layers.impact.barrier import cor_slope

    slow, fast = (bench.impact(speed) for speed in name.condition)
    return Answer(cor_slope([slow, fast]), slow.flag or fast.flag)


def _initial_velocity(bench: Bench, name: FigureName) -> Answer:
    from layers.impact.barrier import initial_velocity

    (speed,) = name.condition
    impact = bench.impact(speed)
    return Answer(initial_velocity(impact.cor, speed), impact.flag)


def _of_launch(attribute: str, scale: float) -> Compute:
    def compute(bench: Bench, name: FigureName) -> Answer:
        launch = bench.launch(_owner(name))
        return Answer(getattr(launch, attribute) * scale, launch.flag)

    return compute


def _smash_factor(bench: Bench, name: FigureName) -> Answer:
    launch = bench.launch(_owner(name))
    return Answer(launch.ball_speed / bench.swing(_owner(name)).club_speed_m_s, launch.flag)


def _of_flight(attribute: str, scale: float) -> Compute:
    def compute(bench: Bench, name: FigureName) -> Answer:
        flight = bench.flight(_owner(name))
        value = getattr(flight, attribute).item() * scale
        answer = _flown(bench, value, (_owner(name),))
        return _with_surface_error(bench.spread(_owner(name)), name, answer, attribute, scale)

    return compute


def _with_surface_error(
    spread: "Spread | None", name: FigureName, answer: Answer, attribute: str, scale: float
) -> Answer:
    """Add what a measured surface of drag and lift does not know to the error of the number."""
    from layers.flight.influence import FIGURES

    if spread is None or attribute not in FIGURES:
        return answer
    own = scale * float(spread.half_width[FIGURES.index(attribute)])
    judged = abs(answer.value) * QUANTITIES[name.quantity].absolute_percent / 100.0
    return answer._replace(absolute_error=math.hypot(own, judged))


def _total(bench: Bench, name: FigureName) -> Answer:
    from layers.flight.turf import bounce_and_roll

    run = bounce_and_roll(bench.flight(_owner(name)), bench.diameter)
    answer = _flown(bench, run.total.item(), (_owner(name),))
    return _with_surface_error(bench.spread(_owner(name)), name, answer, "total", 1.0)


def _carry_range(bench: Bench, name: FigureName) -> Answer:
    swings = bench.club(_owner(name))
    by_carry = sorted(swings, key=lambda swing: bench.flight(swing).carry.item())
    shortest, *_, longest = by_carry
    value = bench.flight(longest).carry.item() - bench.flight(shortest).carry.item()
    answer = _flown(bench, value, swings)
    return _with_surface_error(bench.spread_between(longest, shortest), name, answer, "carry", 1.0)


# A flight that leaves the law for this share of its time is told: a slow end hardly counts.
_MOST_OUTSIDE = 0.05


def _flown(bench: Bench, value: float, swings: tuple[str, ...]) -> Answer:
    """Say of a figure of flights what is wrong with a strike, or how far a flight left the law."""
    flags = [flag for swing in swings if (flag := bench.launch(swing).flag)]
    outside = max(bench.flight(swing).outside_share.item() for swing in swings)
    caution = bench.pattern_caution
    if outside > _MOST_OUTSIDE:
        uncovered = f"the aerodynamic law does not cover {100 * outside:.0f} % of this flight"
        caution = f"{caution}; {uncovered}" if caution else uncovered
    return Answer(value, flags[0] if flags else "", caution)


def _owner(name: FigureName) -> str:
    assert name.swing is not None  # by `parse_figure`: launch and flight figures name a swing
    return name.swing


# Figures of a swing that need no flight.
OF_LAUNCH = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "smash_factor", "strike_time_us")

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
    given: Impacts | None = None,
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
    given : Impacts, optional
        Impacts that were computed elsewhere and need not be here; of a ball that was checked there.

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
    names, benches, conditions = _asked(ball, figures, conditions, level, given)
    return _estimated(ball, names, benches, level, conditions.precision)


def estimate_patterns(
    ball: Ball,
    figures: str | Sequence[str],
    conditions: Conditions,
    level: Level = "default",
    given: Impacts | None = None,
) -> tuple[Estimate, ...]:
    """Estimate a ball, then the same layers under every other dimple pattern of the conditions.

    The patterns share all impacts: each further one costs its flights alone.

    Parameters
    ----------
    ball, figures, conditions, level, given
        As for `estimate`; a ball that names no pattern of the conditions is estimated alone.

    Raises
    ------
    InputError
        As `estimate`.
    """
    names, benches, conditions = _asked(ball, figures, conditions, level, given)
    found = [_estimated(ball, names, benches, level, conditions.precision)]
    known = conditions.patterns if ball.dimple_pattern in conditions.patterns else ()
    for pattern in (name for name in known if name != ball.dimple_pattern):
        other = ball.model_copy(update={"dimple_pattern": pattern})
        under = {count: bench.under(pattern) for count, bench in benches.items()}
        found.append(_estimated(other, names, under, level, conditions.precision))
    return tuple(found)


def _asked(
    ball: Ball,
    figures: str | Sequence[str],
    conditions: Conditions | None,
    level: Level,
    given: Impacts | None,
) -> tuple[dict[str, FigureName], dict[int, Bench], Conditions]:
    """Check what is asked, and set up a bench for each stage."""
    if not isinstance(ball, Ball):
        raise InputError(f"estimate takes a Ball, not {type(ball).__name__}; see read_ball.")
    if given is None:
        ball.checked()
    conditions = conditions or Conditions()
    asked = [figures] if isinstance(figures, str) else figures
    names = {parsed.name: parsed for parsed in map(parse_figure, asked)}
    benches: dict[int, Bench] = {}
    for parsed in names.values():
        count = parsed.stage or len(ball.layer)
        if count not in benches:
            benches[count] = Bench(ball, count, conditions, level, given)
        check_owner(parsed, conditions.swings)
    return names, benches, conditions


def _estimated(
    ball: Ball,
    names: dict[str, FigureName],
    benches: dict[int, Bench],
    level: Level,
    precision: Precision,
) -> Estimate:
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
    return Estimate(ball, done, failed, precision)
