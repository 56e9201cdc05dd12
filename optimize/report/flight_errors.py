"""Errors of flights under a measured surface of drag and lift, by what causes them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from layers.conditions import Conditions
from layers.estimates import Estimate, Figure
from layers.flight.influence import FIGURES, influence
from layers.flight.uncertainty import (
    NINETY_FIVE,
    Errors,
    LaunchErrors,
    Spread,
    flight_spread,
)
from layers.mass import inertia
from layers.rules.overall_distance import LAUNCH
from optimize.report.tables import Section, columns, number

# Figures of a flight: name, its place in `FIGURES`, scale from SI, unit on screens.
_SHOWN = (
    ("carry", "carry_m", 1.0, "m"),
    ("total", "total_m", 1.0, "m"),
    ("apex", "apex_m", 1.0, "m"),
    ("descent_angle", "descent_angle_deg", math.degrees(1.0), "°"),
)
_CAUSES = ("surface", "day", "launch")


@dataclass(frozen=True)
class FlightErrors:
    """The errors of one swing's flight."""

    swing: str
    spread: Spread


def flight_errors(estimate: Estimate, conditions: Conditions) -> tuple[FlightErrors, ...]:
    """Return the errors of every flight whose launch was computed, under a surface with errors.

    The launch's errors are those that ball speed, angle and spin state of themselves, taken as
    independent.

    Parameters
    ----------
    estimate : Estimate
        A ball, with its launches.
    conditions : Conditions
        Drag and lift, air and wind.
    """
    law = conditions.law_of(estimate.ball.dimple_pattern)
    if not isinstance(law, Errors):
        return ()
    swings = {name.rpartition(".")[0] for name in estimate.figures}
    found = []
    for swing in sorted(filter(None, swings)):
        launch = [estimate.figures.get(f"{swing}.{name}") for name in LAUNCH]
        if None in launch:
            continue
        speed, angle, spin = (f for f in launch if f is not None)
        weather = conditions.weather(swing)
        flown = influence(
            speed.value,
            math.radians(angle.value),
            max(spin.value, 0.0) * math.pi / 30.0,
            mass=inertia.mass(estimate.ball.body()),
            diameter=1e-3 * estimate.ball.diameter_mm,
            law=law,
            air=weather.air,
            wind=weather.wind,
        )
        errors = LaunchErrors(
            _deviation(speed),
            math.radians(_deviation(angle)),
            _deviation(spin) * math.pi / 30.0,
        )
        found.append(FlightErrors(swing, flight_spread(flown, law, errors)))
    return tuple(found)


def _deviation(figure: Figure) -> float:
    return figure.absolute_error / NINETY_FIVE


def flight_errors_sections(found: Sequence[FlightErrors]) -> list[Section]:
    """Tabulate half widths of 95 % by cause; nothing where no surface states errors.

    Parameters
    ----------
    found : sequence of FlightErrors
        What was computed.
    """
    rows = []
    for one in found:
        for figure, _, scale, unit in _SHOWN:
            place = FIGURES.index(figure)
            parts = [scale * NINETY_FIVE * float(getattr(one.spread, c)[place]) for c in _CAUSES]
            whole = scale * float(one.spread.half_width[place])
            value = scale * float(one.spread.values[place])
            cells = [number(value, whole), *(number(p, p) for p in (*parts, whole))]
            name = figure.replace("_", " ")
            rows.append((one.swing if figure == "carry" else "", f"{name}, {unit}", *cells))
    if not rows:
        return []
    heads = columns("swing", "figure", ">value", ">± rows", ">± range day", ">± launch", ">± all")
    note = (
        "Half widths of 95 %. Rows: drag and lift between and at the range's rows. Range day: what "
        "all rows have in common; it cancels between two patterns of one day. Launch: what ball "
        "speed, angle and spin state of themselves, uncalibrated materials included."
    )
    return [Section("Errors of the flights", heads, tuple(rows), (note,))]


def flight_errors_record(found: Sequence[FlightErrors]) -> dict[str, Any]:
    """Return half widths of 95 % by swing, figure and cause, for JSON.

    Parameters
    ----------
    found : sequence of FlightErrors
        What was computed.
    """
    return {
        one.swing: {
            name: {
                "value": scale * float(one.spread.values[FIGURES.index(figure)]),
                "half_width": scale * float(one.spread.half_width[FIGURES.index(figure)]),
                **{
                    cause: scale
                    * NINETY_FIVE
                    * float(getattr(one.spread, cause)[FIGURES.index(figure)])
                    for cause in _CAUSES
                },
            }
            for figure, name, scale, _ in _SHOWN
        }
        for one in found
    }
