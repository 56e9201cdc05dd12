"""Flight of spinning balls, thousands at once.

Axes: x down the target line, y up, z to the right, so that backspin is a vector along +z and lifts
along spin x velocity. The ball is a point with drag, lift, gravity and decaying spin:

    m dv/dt = -(rho A / 2) V (CD w - CL (s x w)) - m g,   d omega/dt = -k omega V / R,

with w = v - wind, V = |w| and s the unit spin axis, which keeps its direction. A spin component
along the motion thus gives no lift, by the cross product.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.errors import InputError, SolverError
from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH, Law, ferguson_2022
from layers.flight.air import Air, humid_air

GRAVITY = 9.80665
LONGEST_FLIGHT_S = 60.0
_STEP = 0.1  # s: carry within 3e-3 m of a tight adaptive solution, see docs/flight.md

_RANGES = {  # lowest and highest accepted, unit
    "ball_speed": (1.0, 150.0, "m/s"),
    "launch_angle": (1e-3, np.pi / 2, "rad"),
    "spin": (0.0, 2000.0, "rad/s"),
    "spin_axis_tilt": (-np.pi / 2, np.pi / 2, "rad"),
    "wind": (-60.0, 60.0, "m/s"),
    "mass": (1e-3, 1.0, "kg"),
    "diameter": (5e-3, 0.1, "m"),
}


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


@dataclass(frozen=True)
class _Shots:
    """What stays constant in each of n flights; `wind` and `axis` are (3, n)."""

    radius: FloatArray
    reynolds_per_speed: FloatArray  # rho D / mu, s/m
    force_per_speed: FloatArray  # rho A / 2m, 1/m
    wind: FloatArray
    axis: FloatArray

    def take(self, which: npt.NDArray[np.bool_]) -> "_Shots":
        return _Shots(
            self.radius[which],
            self.reynolds_per_speed[which],
            self.force_per_speed[which],
            self.wind[:, which],
            self.axis[:, which],
        )


@dataclass(frozen=True)
class _Aero:
    law: Law
    spin_decay: float


def _derivative(
    state: FloatArray, shots: _Shots, aero: _Aero
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return d/dt of (x, y, z, vx, vy, vz, omega), (7, n); Re and S; and where the law holds."""
    wx, wy, wz = flow = state[3:6] - shots.wind
    speed = np.sqrt(wx * wx + wy * wy + wz * wz)
    spin = state[6]
    reynolds = shots.reynolds_per_speed * speed
    # A ball at rest in the air spins infinitely fast by this ratio: outside every law, no force.
    spin_ratio = spin * shots.radius / np.maximum(speed, 1e-6)
    c = aero.law(reynolds, spin_ratio)
    drag = shots.force_per_speed * speed * c.drag
    lift = shots.force_per_speed * speed * c.lift
    ax, ay, az = shots.axis
    rate = np.empty_like(state)
    rate[0:3] = state[3:6]
    rate[3:6] = -drag * flow
    rate[3] += lift * (ay * wz - az * wy)
    rate[4] += lift * (az * wx - ax * wz) - GRAVITY
    rate[5] += lift * (ax * wy - ay * wx)
    rate[6] = -aero.spin_decay * spin * speed / shots.radius
    return rate, reynolds, spin_ratio, c.inside | (shots.force_per_speed == 0.0)


def _advance(
    state: FloatArray, step: FloatArray | float, shots: _Shots, aero: _Aero, k1: FloatArray
) -> FloatArray:
    """One classical fourth-order Runge-Kutta step; `k1` is the derivative at `state`."""
    k2 = _derivative(state + 0.5 * step * k1, shots, aero)[0]
    k3 = _derivative(state + 0.5 * step * k2, shots, aero)[0]
    k4 = _derivative(state + step * k3, shots, aero)[0]
    return state + step / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)


_HEIGHT, _CLIMB = 1, 4


def _step_to_zero(
    state: FloatArray, row: int, shots: _Shots, aero: _Aero
) -> tuple[FloatArray, FloatArray]:
    """Step each flight to where `row` of its state is zero, within one step ahead.

    Newton on the length of the step, from the step's end, where height and climb fall through zero:
    the landing is then as accurate as the integration itself.
    """
    k1 = _derivative(state, shots, aero)[0]
    step = np.full(state.shape[1], _STEP)
    for _ in range(6):
        end = _advance(state, step, shots, aero, k1)
        slope = _derivative(end, shots, aero)[0][row]
        step = step - end[row] / slope
    return step, _advance(state, step, shots, aero, k1)


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
    state, shots = _launch(
        ball_speed, launch_angle, spin, spin_axis_tilt, mass, diameter, air or humid_air(), wind
    )
    return _fly(state, shots, _Aero(law, spin_decay), refuse=policy == "refuse")


def _fly(state: FloatArray, shots: _Shots, aero: _Aero, refuse: bool) -> Flight:
    """Step all flights at once; apex and landing are refined from the step before each."""
    count = state.shape[1]
    before_apex, before_landing = state.copy(), np.empty_like(state)
    start_of_last = np.zeros(count)
    outside, steps = np.zeros(count), np.zeros(count)
    aloft, left, now = np.arange(count), shots, 0.0
    while aloft.size:
        if now > LONGEST_FLIGHT_S:
            raise SolverError(f"flight {aloft[0] + 1} is still up after {LONGEST_FLIGHT_S:g} s.")
        k1, reynolds, spin_ratio, inside = _derivative(state, left, aero)
        if refuse and not inside.all():
            _refuse(int(np.argmin(inside)), aloft, reynolds, spin_ratio, now)
        outside[aloft] += ~inside
        steps[aloft] += 1.0
        after = _advance(state, _STEP, left, aero, k1)
        top = (state[_CLIMB] > 0.0) & (after[_CLIMB] <= 0.0)
        before_apex[:, aloft[top]] = state[:, top]
        down = (after[_HEIGHT] < 0.0) & (after[_CLIMB] < 0.0)
        before_landing[:, aloft[down]] = state[:, down]
        start_of_last[aloft[down]] = now
        state, now = after, now + _STEP
        if down.any():
            state, left, aloft = state[:, ~down], left.take(~down), aloft[~down]
    apex = _step_to_zero(before_apex, _CLIMB, shots, aero)[1][_HEIGHT]
    last, end = _step_to_zero(before_landing, _HEIGHT, shots, aero)
    return _landed(end, apex, start_of_last + last, outside / steps)


def _landed(end: FloatArray, apex: FloatArray, time: FloatArray, outside: FloatArray) -> Flight:
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
    state, shots = _launch(
        ball_speed, launch_angle, spin, spin_axis_tilt, mass, diameter, air or humid_air(), wind
    )
    aero = _Aero(law, spin_decay)
    states = [state]
    while True:
        if len(states) * _STEP > LONGEST_FLIGHT_S:
            raise SolverError(f"the ball is still up after {LONGEST_FLIGHT_S:g} s.")
        after = _advance(states[-1], _STEP, shots, aero, _derivative(states[-1], shots, aero)[0])
        if after[_HEIGHT, 0] < 0.0 and after[_CLIMB, 0] < 0.0:
            break
        states.append(after)
    time: FloatArray = np.arange(len(states) + 1, dtype=float) * _STEP
    last, end = _step_to_zero(states[-1], _HEIGHT, shots, aero)
    time[-1] = time[-2] + last[0]
    trace: FloatArray = np.concatenate([*states, end], axis=1).T
    return Path(time, trace[:, 0:3], trace[:, 3:6], trace[:, 6])


def _launch(
    ball_speed: npt.ArrayLike,
    launch_angle: npt.ArrayLike,
    spin: npt.ArrayLike,
    spin_axis_tilt: npt.ArrayLike,
    mass: npt.ArrayLike,
    diameter: npt.ArrayLike,
    air: Air,
    wind: npt.ArrayLike,
) -> tuple[FloatArray, _Shots]:
    given = {
        "ball_speed": ball_speed,
        "launch_angle": launch_angle,
        "spin": spin,
        "spin_axis_tilt": spin_axis_tilt,
        "mass": mass,
        "diameter": diameter,
    }
    columns = [np.asarray(value, float).reshape(-1) for value in given.values()]
    count = max(column.size for column in columns)
    for name, column in zip(given, columns, strict=True):
        _check(name, column, count)
    speed, angle, omega, tilt, kilograms, across = np.broadcast_arrays(*columns)
    blowing = np.asarray(wind, float)
    if blowing.shape not in {(3,), (count, 3)}:
        raise InputError(f"wind has shape {blowing.shape}, but must be (3,) or ({count}, 3).")
    _check("wind", blowing.reshape(-1), blowing.size)
    zero = np.zeros_like(speed)
    state = np.array([zero, zero, zero, speed * np.cos(angle), speed * np.sin(angle), zero, omega])
    shots = _Shots(
        radius=across / 2.0,
        reynolds_per_speed=air.density * across / air.viscosity,
        force_per_speed=air.density * np.pi * across**2 / 8.0 / kilograms,
        wind=np.array(np.broadcast_to(blowing, (count, 3)).T, order="C"),
        axis=np.array([zero, -np.sin(tilt), np.cos(tilt)]),
    )
    return state, shots


def _check(name: str, column: FloatArray, count: int) -> None:
    low, high, unit = _RANGES[name]
    if column.size not in {1, count}:
        raise InputError(f"{name} has {column.size} values, but must have 1 or {count}.")
    bad = ~((column >= low) & (column <= high))
    if bad.any():
        which = int(np.argmax(bad))
        raise InputError(
            f"{name}, value {which + 1}, is {column[which]:g} {unit}, but must be from {low:g} "
            f"to {high:g} {unit}."
        )
