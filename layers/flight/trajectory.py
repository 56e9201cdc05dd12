"""Flights of spinning balls, thousands at once; the equations are in `layers.flight.motion`."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.errors import InputError, SolverError
from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH, Law, ferguson_2022
from layers.flight.air import Air, humid_air
from layers.flight.motion import (
    CLIMB,
    HEIGHT,
    STEP,
    Aero,
    Shots,
    advance,
    derivative,
    launch_state,
    step_to_zero,
)

LONGEST_FLIGHT_S = 60.0


@dataclass(frozen=True)
class Flight:
    """Where and how n balls land; arrays of shape (n,) unless said.

    Attributes
    ----------
    carry : array
        Horizontal distance from launch to landing, at the launch's height, m.
    lateral : array
        Distance of the landing from the target line, positive to the right, m.
    apex : array
        Greatest height, m.
    time : array
        s.
    descent_angle : array
        Angle of the path below the horizontal at landing, rad.
    landing_velocity : (3, n) array
        m/s.
    landing_spin : array
        rad/s.
    outside_share : array
        Share of the flight that the aerodynamic law does not cover, 0 to 1.
    """

    carry: FloatArray
    lateral: FloatArray
    apex: FloatArray
    time: FloatArray
    descent_angle: FloatArray
    landing_velocity: FloatArray
    landing_spin: FloatArray
    outside_share: FloatArray


@dataclass(frozen=True)
class Path:
    """One flight for drawing: m instants, the last is the landing.

    Attributes
    ----------
    time : (m,) array
        s.
    position, velocity : (m, 3) array
        x down the line, y up, z right; m and m/s.
    spin : (m,) array
        rad/s.
    """

    time: FloatArray
    position: FloatArray
    velocity: FloatArray
    spin: FloatArray


def fly(
    ball_speed: npt.ArrayLike,
    launch_angle: npt.ArrayLike,
    spin: npt.ArrayLike,
    *,
    mass: npt.ArrayLike,
    diameter: npt.ArrayLike,
    law: Law = ferguson_2022,
    air: Air | None = None,
    wind: npt.ArrayLike = (0.0, 0.0, 0.0),
    spin_axis_tilt: npt.ArrayLike = 0.0,
    spin_decay: float = SPIN_DECAY_SMITS_SMITH,
    policy: Literal["flag", "refuse"] = "flag",
) -> Flight:
    """Fly n balls from launch to the height of launch.

    Parameters
    ----------
    ball_speed, launch_angle, spin : float or (n,) array
        m/s, rad above the horizontal, rad/s of backspin.
    mass, diameter : float or (n,) array
        kg, m.
    law : Law
        Drag and lift over Reynolds number and spin ratio.
    air : Air, optional
        20 C, 1013.25 hPa, 50 % humidity otherwise.
    wind : (3,) or (n, 3) array
        Velocity of the air, m/s: along the target line (positive helps), up, to the right.
    spin_axis_tilt : float or (n,) array
        Tilt of the spin axis, rad; positive curves to the right.
    spin_decay : float
        k of d omega/dt = -k omega V / R, as published for air near sea level; not scaled with
        density, so give 0 for a vacuum.
    policy : {"flag", "refuse"}
        Where the law's range ends: go on with the coefficients of its edge and report the share of
        the flight in `Flight.outside_share`, or raise.

    Returns
    -------
    Flight

    Raises
    ------
    InputError
        On an input out of range, or when the law does not cover a flight under ``refuse``.
    SolverError
        If a ball is still up after 60 s, as in a strong upward wind.

    Examples
    --------
    >>> rpm, deg = np.pi / 30, np.pi / 180
    >>> drive = fly(76.4, 10.4 * deg, 2545 * rpm, mass=0.0459, diameter=0.0427)
    >>> bool(250 < drive.carry[0] < 272)
    True
    """
    state, shots = launch_state(
        ball_speed, launch_angle, spin, spin_axis_tilt, mass, diameter, air or humid_air(), wind
    )
    return _fly(state, shots, Aero(law, spin_decay), refuse=policy == "refuse")


def _fly(state: FloatArray, shots: Shots, aero: Aero, refuse: bool) -> Flight:
    """Step all flights at once; apex and landing are refined from the step before each."""
    count = state.shape[1]
    before_apex, before_landing = state.copy(), np.empty_like(state)
    start_of_last = np.zeros(count)
    outside, steps = np.zeros(count), np.zeros(count)
    aloft, left, now = np.arange(count), shots, 0.0
    while aloft.size:
        if now > LONGEST_FLIGHT_S:
            raise SolverError(f"flight {aloft[0] + 1} is still up after {LONGEST_FLIGHT_S:g} s.")
        k1, reynolds, spin_ratio, inside = derivative(state, left, aero)
        if refuse and not inside.all():
            _refuse(int(np.argmin(inside)), aloft, reynolds, spin_ratio, now)
        outside[aloft] += ~inside
        steps[aloft] += 1.0
        after = advance(state, STEP, left, aero, k1)
        top = (state[CLIMB] > 0.0) & (after[CLIMB] <= 0.0)
        before_apex[:, aloft[top]] = state[:, top]
        down = (after[HEIGHT] < 0.0) & (after[CLIMB] < 0.0)
        before_landing[:, aloft[down]] = state[:, down]
        start_of_last[aloft[down]] = now
        state, now = after, now + STEP
        if down.any():
            state, left, aloft = state[:, ~down], left.take(~down), aloft[~down]
    apex = step_to_zero(before_apex, CLIMB, shots, aero)[1][HEIGHT]
    last, end = step_to_zero(before_landing, HEIGHT, shots, aero)
    return landed(end, apex, start_of_last + last, outside / steps)


def landed(end: FloatArray, apex: FloatArray, time: FloatArray, outside: FloatArray) -> Flight:
    """Return flights by how they ended.

    Parameters
    ----------
    end : (7, n) array
        States at landing.
    apex, time, outside : (n,) arrays
        m, s, and the share of the flight outside the law.
    """
    return Flight(
        carry=np.hypot(end[0], end[2]),
        lateral=end[2],
        apex=apex,
        time=time,
        descent_angle=np.arctan2(-end[4], np.hypot(end[3], end[5])),
        landing_velocity=end[3:6],
        landing_spin=end[6],
        outside_share=outside,
    )


def _refuse(
    which: int,
    aloft: npt.NDArray[np.int_],
    reynolds: FloatArray,
    spin_ratio: FloatArray,
    now: float,
) -> None:
    raise InputError(
        f"flight {aloft[which] + 1} leaves the aerodynamic law's range {now:.1f} s after launch, "
        f"at Reynolds number {reynolds[which]:.3g} and spin ratio {spin_ratio[which]:.3g}; "
        f"choose a law that covers it or let the flight be flagged."
    )


def path(
    ball_speed: float,
    launch_angle: float,
    spin: float,
    *,
    mass: float,
    diameter: float,
    law: Law = ferguson_2022,
    air: Air | None = None,
    wind: npt.ArrayLike = (0.0, 0.0, 0.0),
    spin_axis_tilt: float = 0.0,
    spin_decay: float = SPIN_DECAY_SMITS_SMITH,
) -> Path:
    """Trace one flight at every tenth of a second and at the landing; see `fly` for the arguments.

    Parameters
    ----------
    ball_speed, launch_angle, spin, mass, diameter, law, air, wind, spin_axis_tilt, spin_decay
        As `fly` takes them, for one ball.

    Raises
    ------
    InputError, SolverError
        As `fly`.
    """
    state, shots = launch_state(
        ball_speed, launch_angle, spin, spin_axis_tilt, mass, diameter, air or humid_air(), wind
    )
    aero = Aero(law, spin_decay)
    states = [state]
    while True:
        if len(states) * STEP > LONGEST_FLIGHT_S:
            raise SolverError(f"the ball is still up after {LONGEST_FLIGHT_S:g} s.")
        after = advance(states[-1], STEP, shots, aero, derivative(states[-1], shots, aero)[0])
        if after[HEIGHT, 0] < 0.0 and after[CLIMB, 0] < 0.0:
            break
        states.append(after)
    time: FloatArray = np.arange(len(states) + 1, dtype=float) * STEP
    last, end = step_to_zero(states[-1], HEIGHT, shots, aero)
    time[-1] = time[-2] + last[0]
    trace: FloatArray = np.concatenate([*states, end], axis=1).T
    return Path(time, trace[:, 0:3], trace[:, 3:6], trace[:, 6])
