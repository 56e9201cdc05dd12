"""Figures at once: closed forms, the emulator's, and flights of the emulated launches."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions, Weather
from layers.errors import OrbwrightError
from layers.estimates import Figure
from layers.figures import QUANTITIES, parse_figure
from layers.flight.trajectory import Flight, fly, path
from layers.flight.turf import bounce_and_roll
from layers.mass import inertia
from optimize.bench.coverage import NINETY_FIVE
from optimize.bench.figures import LAUNCH
from optimize.bench.widths import Pair

_RPM = math.pi / 30.0
_OF_FLIGHT: dict[str, Callable[[Flight, float], FloatArray]] = {
    "carry_m": lambda flight, _: flight.carry,
    "apex_m": lambda flight, _: flight.apex,
    "descent_angle_deg": lambda flight, _: np.degrees(flight.descent_angle),
    "flight_time_s": lambda flight, _: flight.time,
    "landing_spin_rpm": lambda flight, _: flight.landing_spin / _RPM,
    "total_m": lambda flight, diameter: bounce_and_roll(flight, diameter).total,
}


def emulated_figures(pairs: Mapping[str, Pair]) -> dict[str, Figure]:
    """Make figures of means and standard deviations.

    Parameters
    ----------
    pairs : mapping of str to (float, float)
        Mean and standard deviation of each emulated figure, and of those computed from them.

    Returns
    -------
    dict of str to Figure
        Their errors join those of finite elements and the emulator's 95 % half width.
    """
    return {name: _figure(name, *pair) for name, pair in pairs.items()}


def with_flights(
    names: Sequence[str], ball: Ball, known: Mapping[str, Pair], conditions: Conditions
) -> dict[str, Pair]:
    """Return mean and standard deviation of emulated figures, and of flights computed from them.

    Parameters
    ----------
    names : sequence of str
        The figures to return; those of neither the emulator nor a flight are left out.
    ball : Ball
        The build.
    known : mapping of str to (float, float)
        Mean and standard deviation of each emulated figure.
    conditions : Conditions
        Of the flights.
    """
    found = {name: known[name] for name in names if name in known}
    swings = dict.fromkeys(p.swing for p in map(parse_figure, names) if p.swing)
    launched = [s for s in swings if s and all(f"{s}.{q}" in known for q in LAUNCH)]
    if launched:
        launches = np.array([[known[f"{s}.{q}"] for q in LAUNCH] for s in launched])
        found |= _flown(names, ball, launched, launches, conditions)
    for name in names:
        owner, _, quantity = name.rpartition(".")
        if quantity == "smash_factor" and owner in launched:
            speed = conditions.swings.find(owner).club_speed_m_s
            mean, deviation = known[f"{owner}.ball_speed_m_s"]
            found[name] = (mean / speed, deviation / speed)
    return found


def _figure(name: str, mean: float, deviation: float) -> Figure:
    quantity = QUANTITIES[parse_figure(name).quantity]
    half_width = NINETY_FIVE * deviation
    return Figure(
        name=name,
        value=mean,
        unit=quantity.unit,
        basis="emulator",
        difference_error=math.hypot(half_width, quantity.difference_error(mean)),
        absolute_error=math.hypot(half_width, abs(mean) * quantity.absolute_percent / 100.0),
    )


def _flown(
    names: Sequence[str],
    ball: Ball,
    swings: Sequence[str],
    launches: FloatArray,
    conditions: Conditions,
) -> dict[str, Pair]:
    """Fly each launch, and again with each of its three numbers one deviation up and down.

    `launches` is (swings, 3, 2): means and deviations, assumed independent.
    """
    mean, deviation = launches[:, :, 0], launches[:, :, 1]
    steps = np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)])
    shots = (mean[:, None, :] + steps[None] * deviation[:, None, :]).reshape(-1, 3)
    try:
        flight = _flights(ball, swings, shots, conditions)
    except OrbwrightError:
        return {}
    diameter = ball.diameter_mm * 1e-3
    found = {}
    for quantity, read in _OF_FLIGHT.items():
        if not any(f"{swing}.{quantity}" in names for swing in swings):
            continue
        values = np.asarray(read(flight, diameter)).reshape(len(swings), -1)
        spread = 0.5 * np.sqrt(np.sum((values[:, 1:4] - values[:, 4:7]) ** 2, axis=1))
        for swing, row, error in zip(swings, values, spread, strict=True):
            found[f"{swing}.{quantity}"] = (float(row[0]), float(error))
    return {name: pair for name, pair in found.items() if name in names}


def _flights(
    ball: Ball, swings: Sequence[str], shots: FloatArray, conditions: Conditions
) -> Flight:
    """Fly as many shots of each swing; all at once unless swings have their own weathers."""
    if not conditions.by_swing:
        return _flight(ball, shots, conditions, conditions.weather(""))
    parts = [
        _flight(ball, own, conditions, conditions.weather(swing))
        for swing, own in zip(swings, np.split(shots, len(swings)), strict=True)
    ]
    return Flight(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts], axis=-1)
            for field in fields(Flight)
        }
    )


def _flight(ball: Ball, shots: FloatArray, conditions: Conditions, weather: Weather) -> Flight:
    return fly(
        shots[:, 0],
        np.radians(shots[:, 1]),
        np.maximum(shots[:, 2], 0.0) * _RPM,
        mass=inertia.mass(ball.body()),
        diameter=ball.diameter_mm * 1e-3,
        air=weather.air,
        wind=weather.wind,
        law=conditions.law_of(ball.dimple_pattern),
    )


def trace(
    ball: Ball, launch: Sequence[float], conditions: Conditions, swing: str = ""
) -> list[list[float]] | None:
    """Return a flight's side view.

    Parameters
    ----------
    ball : Ball
        The build.
    launch : sequence of 3 floats
        Ball speed (m/s), launch angle (deg), backspin (rpm).
    conditions : Conditions
        Air, wind and aerodynamic law.
    swing : str
        Whose flight, where swings have weathers of their own.

    Returns
    -------
    list of [float, float] or None
        Distance and height, m; None if the flight cannot be computed.
    """
    speed, angle, spin = launch
    weather = conditions.weather(swing)
    try:
        flown = path(
            speed,
            math.radians(angle),
            max(spin, 0.0) * _RPM,
            mass=inertia.mass(ball.body()),
            diameter=ball.diameter_mm * 1e-3,
            air=weather.air,
            wind=weather.wind,
            law=conditions.law_of(ball.dimple_pattern),
        )
    except OrbwrightError:
        return None
    points = np.round(flown.position[:, :2], 2)
    return [[float(x), float(y)] for x, y in points]


def traces(
    ball: Ball, swings: Sequence[str], figures: Mapping[str, Figure], conditions: Conditions
) -> dict[str, Any]:
    """Return the side view of every swing whose launch is among the figures.

    Parameters
    ----------
    ball : Ball
        The build.
    swings : sequence of str
        Names of swings.
    figures : mapping of str to Figure
        Among them speed, angle and spin of the launches.
    conditions : Conditions
        Air, wind and aerodynamic law.

    Returns
    -------
    dict
        By swing: points, m, and the basis of the launch.
    """
    found: dict[str, Any] = {}
    for swing in swings:
        names = [f"{swing}.{quantity}" for quantity in LAUNCH]
        if all(name in figures for name in names):
            points = trace(ball, [figures[name].value for name in names], conditions, swing)
            if points:
                found[swing] = {"points": points, "basis": figures[names[0]].basis}
    return found
