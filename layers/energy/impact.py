"""The public entry point: record an impact of a ball, by a swing or on a barrier."""

from dataclasses import replace

from layers.arrays import Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.energy.barrier import record_barrier
from layers.energy.record import ImpactRecord
from layers.energy.strike import record_strike
from layers.errors import InputError
from layers.impact import barrier
from layers.strike import settings as strike_settings

SPEED = 38.1  # m/s, as for the impact speed ratio
FRAMES, MOST_FRAMES = 32, 200


def record_impact(
    ball: Ball,
    swing: str | None = None,
    speed: float = SPEED,
    conditions: Conditions | None = None,
    level: Level = "default",
    frames: int = FRAMES,
) -> ImpactRecord:
    """Record how a ball deforms in an impact, and where the energy goes, layer by layer.

    Parameters
    ----------
    ball : Ball
        The build.
    swing : str, optional
        Name of a swing; without one the ball is thrown at a rigid barrier.
    speed : float
        Of the ball before a barrier, m/s; 0.05 to 120.
    conditions : Conditions, optional
        Where the swing is found; the shipped ones otherwise.
    level : {"default", "fine"}
        Mesh.
    frames : int
        At most so many instants are kept, 2 to 200.

    Returns
    -------
    ImpactRecord

    Raises
    ------
    InputError
        If the swing is unknown, or the speed or the number of frames is out of range.
    SolverError
        If the computation breaks down.
    """
    if not 2 <= frames <= MOST_FRAMES:
        raise InputError(f"frames is {frames}, but must be from 2 to {MOST_FRAMES}.")
    if level not in barrier.LEVELS:
        raise InputError(f"level is {level!r}, but must be one of: {', '.join(barrier.LEVELS)}.")
    body = ball.checked().body()
    chosen = conditions or Conditions()
    if swing is None:
        resolution = replace(barrier.LEVELS[level], precision=chosen.precision)
        return record_barrier(body, speed, resolution, frames)
    found = chosen.swings.find(swing)
    settings = replace(strike_settings.LEVELS[level], precision=chosen.precision)
    return record_strike(body, found.strike(), settings, frames, found.name)
