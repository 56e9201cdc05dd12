"""How a flight answers to its coefficients, step by step, and to its launch: exact derivatives.

Of a flight of N steps the derivative of each figure to each step's end is carried backward through
the steps (the adjoint of the integration). With what a step makes of a small change of CD or CL
over it, that gives the change of carry, say, per unit of CD over each 0.1 s of the flight. Summed
over the steps whose Re and S lie in a region it is the region's share; all regions add up to what
a change everywhere does.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.errors import SolverError
from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH, Coefficients, Law, ferguson_2022
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
from layers.flight.trajectory import LONGEST_FLIGHT_S, landed
from layers.flight.turf import bounce_and_roll

FIGURES = ("carry", "total", "apex", "descent_angle", "time", "lateral")
LAUNCH = ("ball_speed", "launch_angle", "spin", "spin_axis_tilt")

# Differences: of a state relative to its size, of a coefficient, of spin axis tilt in rad.
_SIZES = np.array([100.0, 30.0, 10.0, 50.0, 30.0, 10.0, 300.0])
_RELATIVE, _COEFFICIENT, _TILT = 1e-5, 1e-4, 1e-4
# Bounces end and start to slide at certain speeds: total is smooth over this share of a state only.
_OF_TOTAL = 1e-3


@dataclass(frozen=True)
class Influence:
    """A flight of m steps and the derivatives of its figures, in SI, in the order of `FIGURES`.

    Attributes
    ----------
    values : (6,) array
        The figures.
    reynolds, spin_ratio : (m,) arrays
        At the middle of each step.
    duration, distance : (m,) arrays
        s and m of way of each step.
    drag, lift : (6, m) arrays
        Change of each figure per unit of CD and of CL over that step.
    drag_coefficient, lift_coefficient : (m,) arrays
        At the middle of each step.
    launch : (6, 4) array
        Derivatives to speed, angle, spin and tilt of the spin axis, `LAUNCH`.
    """

    values: FloatArray
    reynolds: FloatArray
    spin_ratio: FloatArray
    duration: FloatArray
    distance: FloatArray
    drag: FloatArray
    lift: FloatArray
    drag_coefficient: FloatArray
    lift_coefficient: FloatArray
    launch: FloatArray

    def of(self, figure: str) -> int:
        """Return a figure's row."""
        return FIGURES.index(figure)


def influence(
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
) -> Influence:
    """Fly one ball and differentiate its figures.

    Parameters
    ----------
    ball_speed, launch_angle, spin, mass, diameter, law, air, wind, spin_axis_tilt, spin_decay
        As `fly` takes them, for one ball.

    Raises
    ------
    InputError, SolverError
        As `fly`.
    """
    air = air or humid_air()
    tilt = spin_axis_tilt
    turned = min(tilt + _TILT, np.pi / 2), max(tilt - _TILT, -np.pi / 2)
    (state, shots), *turns = [
        launch_state(ball_speed, launch_angle, spin, axis, mass, diameter, air, wind)
        for axis in (tilt, *turned)
    ]
    aero = Aero(law, spin_decay)
    states, climbing = _states(state, shots, aero)
    last, end = step_to_zero(states[:, [-1]], HEIGHT, shots, aero)
    rise, top = step_to_zero(states[:, [climbing]], CLIMB, shots, aero)
    steps = np.append(np.full(states.shape[1] - 1, STEP), last)
    ends = np.concatenate([states[:, 1:], end], axis=1)
    chain = _Chain(states, steps, shots, aero, (turns[0][1], turns[1][1]), turned[0] - turned[1])
    landing = chain.back(_at_event(_of_landing(end, shots), end, HEIGHT, shots, aero, time_in=3))
    before = _Chain(
        states[:, : climbing + 1], np.append(steps[:climbing], rise), *chain.constant
    ).back(_at_event(np.eye(7)[[HEIGHT]], top, CLIMB, shots, aero))
    middle = (states + ends) / 2.0
    _, reynolds, spin_ratio, _ = derivative(middle, _repeated(shots, len(steps)), aero)
    at = law(reynolds, spin_ratio)
    return Influence(
        values=_figures(end, top, steps, shots),
        reynolds=reynolds,
        spin_ratio=spin_ratio,
        duration=steps,
        distance=np.sqrt(np.sum((ends[0:3] - states[0:3]) ** 2, axis=0)),
        drag=_ordered(landing.drag, before.drag),
        lift=_ordered(landing.lift, before.lift),
        drag_coefficient=np.asarray(at.drag),
        lift_coefficient=np.asarray(at.lift),
        launch=_ordered(
            landing.to_launch(ball_speed, launch_angle), before.to_launch(ball_speed, launch_angle)
        ),
    )


def _figures(end: FloatArray, top: FloatArray, steps: FloatArray, shots: Shots) -> FloatArray:
    """Return the figures in the order of `FIGURES`."""
    carry, total, angle = _turf(end, shots)[:, 0]
    return np.array([carry, total, top[HEIGHT, 0], angle, np.sum(steps), end[2, 0]])


def _states(state: FloatArray, shots: Shots, aero: Aero) -> tuple[FloatArray, int]:
    """Return the states before the landing, (7, m), and which is the last that climbs."""
    states, climbing = [state], 0
    while True:
        if len(states) * STEP > LONGEST_FLIGHT_S:
            raise SolverError(f"the ball is still up after {LONGEST_FLIGHT_S:g} s.")
        after = advance(states[-1], STEP, shots, aero, derivative(states[-1], shots, aero)[0])
        if states[-1][CLIMB, 0] > 0.0 >= after[CLIMB, 0]:
            climbing = len(states) - 1
        if after[HEIGHT, 0] < 0.0 and after[CLIMB, 0] < 0.0:
            return np.concatenate(states, axis=1), climbing
        states.append(after)


@dataclass(frozen=True)
class _Back:
    """Derivatives of k figures to a flight's start, (k, 7), and to sources over its steps."""

    start: FloatArray
    drag: FloatArray
    lift: FloatArray
    tilt: FloatArray

    def to_launch(self, speed: float, angle: float) -> FloatArray:
        cos, sin = np.cos(angle), np.sin(angle)
        along, up, spin = self.start[:, 3], self.start[:, 4], self.start[:, 6]
        return np.column_stack(
            [cos * along + sin * up, speed * (cos * up - sin * along), spin, self.tilt.sum(axis=1)]
        )


@dataclass(frozen=True)
class _Chain:
    """The steps of a flight: states at their starts, (7, m), their lengths, what stays constant.

    `turned` are the same shots about an axis tilted by `between` more and less.
    """

    states: FloatArray
    steps: FloatArray
    shots: Shots
    aero: Aero
    turned: tuple[Shots, Shots]
    between: float

    @property
    def constant(self) -> tuple[Shots, Aero, tuple[Shots, Shots], float]:
        return self.shots, self.aero, self.turned, self.between

    def back(self, gradient: FloatArray) -> _Back:
        """Carry derivatives of figures to the end state, (k, 7), back through the steps."""
        matrices = self._matrices()
        drag, lift = self._of_law("drag"), self._of_law("lift")
        high, low = (self._after(shots, self.aero) for shots in self.turned)
        tilt = (high - low) / self.between
        found = np.empty((3, len(gradient), len(self.steps)))
        for i in range(len(self.steps) - 1, -1, -1):
            found[:, :, i] = [gradient @ source[:, i] for source in (drag, lift, tilt)]
            gradient = gradient @ matrices[i]
        return _Back(gradient, *found)

    def _after(
        self, shots: Shots, aero: Aero, states: FloatArray | None = None, repeats: int = 1
    ) -> FloatArray:
        """Return the states one step later."""
        states = self.states if states is None else states
        many = _repeated(shots, states.shape[1])
        rate = derivative(states, many, aero)[0]
        return advance(states, np.tile(self.steps, repeats), many, aero, rate)

    def _matrices(self) -> FloatArray:
        """Return the derivative of each step's end to its start, (m, 7, 7)."""
        count = len(self.steps)
        sizes = _RELATIVE * np.maximum(np.abs(self.states), _SIZES[:, None])
        moved = self.states[:, None, :] + np.eye(7)[:, :, None] * sizes[None, :, :]
        back = self.states[:, None, :] - np.eye(7)[:, :, None] * sizes[None, :, :]
        high, low = (
            self._after(self.shots, self.aero, x.reshape(7, -1), 7).reshape(7, 7, count)
            for x in (moved, back)
        )
        return np.asarray(((high - low) / (2.0 * sizes)).transpose(2, 0, 1))

    def _of_law(self, which: Literal["drag", "lift"]) -> FloatArray:
        """Return what one more in a coefficient over each step makes of its end, (7, m)."""
        high, low = (
            self._after(self.shots, replace(self.aero, law=_shifted(self.aero.law, which, by)))
            for by in (_COEFFICIENT, -_COEFFICIENT)
        )
        return np.asarray((high - low) / (2.0 * _COEFFICIENT))


def _shifted(law: Law, which: Literal["drag", "lift"], by: float) -> Law:
    def shifted(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
        found = law(reynolds, spin_ratio)
        return replace(found, **{which: getattr(found, which) + by})

    return shifted


def _repeated(shots: Shots, count: int) -> Shots:
    return shots.take(np.zeros(count, int))


def _turf(end: FloatArray, shots: Shots) -> FloatArray:
    """Return carry, total, landing angle of states at landing, (3, n)."""
    nothing = np.zeros(end.shape[1])
    flight = landed(end, nothing, nothing, nothing)
    run = bounce_and_roll(flight, 2.0 * shots.radius[0])
    return np.array([flight.carry, run.total, flight.descent_angle])


def _of_landing(end: FloatArray, shots: Shots) -> FloatArray:
    """Return the derivatives of carry, total, angle, time and lateral to the landing, (5, 7)."""
    gradient = np.zeros((5, 7))
    for row, share in ((0, _RELATIVE), (1, _OF_TOTAL), (2, _RELATIVE)):
        sizes = share * np.maximum(np.abs(end[:, 0]), _SIZES)
        high, low = (_turf(end + sign * np.diag(sizes), shots)[row] for sign in (1.0, -1.0))
        gradient[row] = (high - low) / (2.0 * sizes)
    gradient[4, 2] = 1.0
    return gradient


def _at_event(
    gradient: FloatArray, end: FloatArray, row: int, shots: Shots, aero: Aero, time_in: int = -1
) -> FloatArray:
    """End the last step where `row` of the state is zero, (k, 7); `time_in` is the time's row."""
    rate = derivative(end, shots, aero)[0][:, 0]
    along = gradient @ rate
    if time_in >= 0:
        along[time_in] += 1.0
    kept = gradient.copy()
    kept[:, row] -= along / rate[row]
    return kept


def _ordered(landing: FloatArray, before_top: FloatArray) -> FloatArray:
    """Return rows in the order of `FIGURES`; the apex owes nothing to the steps after it."""
    apex = np.zeros((1, landing.shape[1]))
    apex[:, : before_top.shape[1]] = before_top
    carry, total, angle, time, lateral = landing
    return np.array([carry, total, apex[0], angle, time, lateral])
