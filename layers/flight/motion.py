"""The equations of motion of spinning balls, one step of them, and the launch as a state.

Axes: x down the target line, y up, z to the right, so that backspin is a vector along +z and lifts
along spin x velocity. The ball is a point with drag, lift, gravity and decaying spin:

    m dv/dt = -(rho A / 2) V (CD w - CL (s x w)) - m g,   d omega/dt = -k omega V / R,

with w = v - wind, V = |w| and s the unit spin axis, which keeps its direction. A spin component
along the motion thus gives no lift, by the cross product.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.flight.aerodynamics import Law
from layers.flight.air import Air

GRAVITY = 9.80665
STEP = 0.1  # s: carry within 3e-3 m of a tight adaptive solution, see docs/flight.md
HEIGHT, CLIMB = 1, 4  # rows of a state

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
class Shots:
    """What stays constant in each of n flights; `wind` and `axis` are (3, n)."""

    radius: FloatArray
    reynolds_per_speed: FloatArray  # rho D / mu, s/m
    force_per_speed: FloatArray  # rho A / 2m, 1/m
    wind: FloatArray
    axis: FloatArray

    def take(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.int_]) -> "Shots":
        """Return some of the flights, by a mask or by their indices."""
        return Shots(
            self.radius[which],
            self.reynolds_per_speed[which],
            self.force_per_speed[which],
            self.wind[:, which],
            self.axis[:, which],
        )


@dataclass(frozen=True)
class Aero:
    """What the air does to a spinning ball: drag and lift, and the decay of its spin."""

    law: Law
    spin_decay: float


def derivative(
    state: FloatArray, shots: Shots, aero: Aero
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return d/dt of (x, y, z, vx, vy, vz, omega), (7, n); Re and S; and where the law holds.

    Parameters
    ----------
    state : (7, n) array
        m, m/s, rad/s.
    shots : Shots
        What stays constant.
    aero : Aero
        Drag, lift, decay of spin.
    """
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


def advance(
    state: FloatArray, step: FloatArray | float, shots: Shots, aero: Aero, k1: FloatArray
) -> FloatArray:
    """One classical fourth-order Runge-Kutta step.

    Parameters
    ----------
    state : (7, n) array
        At its start.
    step : float or (n,) array
        s.
    shots, aero
        As `derivative` takes them.
    k1 : (7, n) array
        The derivative at `state`.
    """
    k2 = derivative(state + 0.5 * step * k1, shots, aero)[0]
    k3 = derivative(state + 0.5 * step * k2, shots, aero)[0]
    k4 = derivative(state + step * k3, shots, aero)[0]
    return state + step / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)


def step_to_zero(
    state: FloatArray, row: int, shots: Shots, aero: Aero
) -> tuple[FloatArray, FloatArray]:
    """Step each flight to where `row` of its state is zero, within one step ahead.

    Newton on the length of the step, from the step's end, where height and climb fall through zero:
    the landing is then as accurate as the integration itself.

    Parameters
    ----------
    state : (7, n) array
        At the start of the last step.
    row : int
        `HEIGHT` or `CLIMB`.
    shots, aero
        As `derivative` takes them.

    Returns
    -------
    (n,) array
        Length of the last step, s.
    (7, n) array
        State at its end.
    """
    k1 = derivative(state, shots, aero)[0]
    step = np.full(state.shape[1], STEP)
    for _ in range(6):
        end = advance(state, step, shots, aero, k1)
        slope = derivative(end, shots, aero)[0][row]
        step = step - end[row] / slope
    return step, advance(state, step, shots, aero, k1)


def launch_state(
    ball_speed: npt.ArrayLike,
    launch_angle: npt.ArrayLike,
    spin: npt.ArrayLike,
    spin_axis_tilt: npt.ArrayLike,
    mass: npt.ArrayLike,
    diameter: npt.ArrayLike,
    air: Air,
    wind: npt.ArrayLike,
) -> tuple[FloatArray, Shots]:
    """Return the state at launch, (7, n), and what stays constant.

    Parameters
    ----------
    ball_speed, launch_angle, spin, spin_axis_tilt, mass, diameter, air, wind
        As `layers.flight.trajectory.fly` takes them.

    Raises
    ------
    InputError
        On an input out of range, or arrays of different lengths.
    """
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
    shots = Shots(
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
