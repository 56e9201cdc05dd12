"""Oblique club impact of a layered ball in three dimensions: launch speed, angle and spin.

Half the ball (it is symmetric about the plane of swing) is computed by explicit finite elements
against the lofted face of a club head that turns in that plane. x is the face's normal at first
touch, z points up the face, y is lateral.
"""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from layers.arrays import DTYPES, FloatArray, Level, Precision
from layers.ball import Body
from layers.errors import InputError
from layers.mass.inertia import moment_of_inertia
from layers.strike import contact
from layers.strike import march as rows
from layers.strike.balance import energy_parts, momentum_residual
from layers.strike.head import face_period
from layers.strike.launch import Contact, Launch, Rebound, Strike
from layers.strike.model import momentum_of
from layers.strike.settings import LEVELS, Settings
from layers.strike.start import Run, check_sound, start_of_strike, start_of_throw

HISTORY = 512
LONGEST = 4e-3
PAUSE = 40e-6


class _Outcome(NamedTuple):
    velocity: FloatArray  # of the centre, face axes
    spin: float
    club: FloatArray
    result: FloatArray
    history: Contact
    energy: dict[str, float]
    momentum_residual: float
    flag: str


def club_impact(
    body: Body, strike: Strike, level: Level = "default", precision: Precision = "single"
) -> Launch:
    """Launch of a ball at rest struck by a club.

    Parameters
    ----------
    body : Body
    strike : Strike
    level : {"default", "fine"}
        "fine" for finalists.
    precision : {"single", "double"}
        Of the elements; "double" for small differences.

    Raises
    ------
    InputError
        If the strike cannot be computed.
    SolverError
        If the computation breaks down.
    """
    return strike_ball(body, strike, _settings(level, precision))


def strike_ball(body: Body, strike: Strike, settings: Settings) -> Launch:
    """Compute `club_impact` with numerical settings of one's own.

    Parameters
    ----------
    body : Body
        The ball.
    strike : Strike
        The swing at impact.
    settings : Settings
        Mesh and time step.
    """
    out = _collide(body, start_of_strike(body, strike, settings))
    cos, sin = math.cos(strike.dynamic_loft), math.sin(strike.dynamic_loft)
    x = out.velocity[0] * cos - out.velocity[1] * sin
    z = out.velocity[0] * sin + out.velocity[1] * cos
    share = 0.0 if strike.face_stiffness is None else strike.face_mass / strike.club_mass
    moving = share * out.club[[contact.FACE_VX, contact.FACE_VZ]]
    moving += (1.0 - share) * out.club[[contact.HEAD_VX, contact.HEAD_VZ]]
    return Launch(
        ball_speed=math.hypot(x, z),
        launch_angle=math.atan2(z, x),
        spin=out.spin,
        contact_time=float(out.result[rows.LAST] - out.result[rows.FIRST]),
        peak_deformation=float(out.result[rows.DEFORMATION]),
        club_speed_after=math.hypot(*moving),
        club_turn_rate=float(out.club[contact.TURN_RATE]),
        history=out.history,
        energy=out.energy,
        momentum_residual=out.momentum_residual,
        flag=out.flag,
    )


def barrier_oblique(
    body: Body,
    speed: float,
    angle: float,
    friction: float,
    level: Level = "default",
    precision: Precision = "single",
) -> Rebound:
    """Rebound of a ball thrown without spin on a fixed rigid plate.

    Parameters
    ----------
    body : Body
    speed : float
        m/s.
    angle : float
        Of its path from the plate's normal, rad.
    friction : float
        Coulomb friction.
    level : {"default", "fine"}
    precision : {"single", "double"}
        Of the elements.
    """
    return throw_ball(body, speed, angle, friction, _settings(level, precision))


def throw_ball(
    body: Body, speed: float, angle: float, friction: float, settings: Settings
) -> Rebound:
    """Compute `barrier_oblique` with numerical settings of one's own.

    Parameters
    ----------
    body : Body
        The ball.
    speed, angle : float
        Inbound, m/s, and rad from the barrier's normal.
    friction : float
        Coulomb's coefficient of the barrier.
    settings : Settings
        Mesh and time step.
    """
    out = _collide(body, start_of_throw(body, speed, angle, friction, settings))
    radius = float(body.outer_radius[-1])
    inward, along = -speed * math.cos(angle), speed * math.sin(angle)
    contact_point = out.velocity[1] - radius * out.spin
    return Rebound(
        cor=float(-out.velocity[0] / inward),
        tangential_ratio=float(contact_point / along) if angle > 0.0 else math.nan,
        spin=out.spin,
        normal_speed=float(out.velocity[0]),
        tangential_speed=float(out.velocity[1]),
        contact_time=float(out.result[rows.LAST] - out.result[rows.FIRST]),
        history=out.history,
        energy=out.energy,
        momentum_residual=out.momentum_residual,
        flag=out.flag,
    )


def _settings(level: Level, precision: Precision) -> Settings:
    if level not in LEVELS:
        raise InputError(f"level is {level!r}, but must be one of: {', '.join(LEVELS)}.")
    if precision not in DTYPES:
        raise InputError(f"precision is {precision!r}, but must be one of: {', '.join(DTYPES)}.")
    return replace(LEVELS[level], precision=precision)


def flag_of(*, ended: bool, gap: float, contact_time: float, face: FloatArray) -> str:
    """Say why the figures of an impact should not be relied on; empty if they may.

    Parameters
    ----------
    ended : bool
        Whether the ball left the face.
    gap, contact_time : float
        Longest time between two touches, and from the first to the last, s.
    face : (FACE_ROWS,) array
        Constants of the face.
    """
    if not ended:
        return f"the ball did not leave within {LONGEST:g} s"
    if gap > PAUSE:
        return (
            f"the face struck again {1e6 * gap:.0f} us after the ball had left it: for so hard a "
            "ball one mass on a spring is no model of a face"
        )
    period = face_period(face)
    if contact_time < period:
        return (
            f"the ball was on the face for {1e6 * contact_time:.0f} us, less than the springing "
            f"face takes to swing once ({1e6 * period:.0f} us): for so hard a ball one mass on a "
            "spring is no model of a face"
        )
    return ""


def _collide(body: Body, run: Run) -> _Outcome:
    """March half the ball against the face of the club, from first touch until it has left."""
    history, result = np.zeros((rows.HISTORY_ROWS, HISTORY)), np.zeros(rows.RESULT_ROWS)
    model, before = run.model, (run.velocity.copy(), run.club.copy())
    run.advance(LONGEST, PAUSE, history, result)
    check_sound(body, run, result)
    flag = flag_of(
        ended=result[rows.ENDED] == 1.0,
        gap=float(result[rows.LONGEST_GAP]),
        contact_time=float(result[rows.LAST] - result[rows.FIRST]),
        face=run.face,
    )
    nodes, inertia = model.mesh.points.shape[1], moment_of_inertia(body)
    u, v = run.u, run.velocity[:, :nodes]
    momentum = momentum_of(model, v)
    x = model.mesh.points + u[:, :nodes]
    mean = momentum.sum(axis=1) / model.node_mass.sum()
    own = momentum_of(model, v - mean[:, None])
    spin = 2.0 * float((x[0] * own[2] - x[2] * own[0]).sum()) / inertia
    energy = energy_parts(
        model, u, v, run.state, before, run.club, run.face, result, mean, spin, inertia
    )
    count = int(result[rows.RECORDED])
    trace = history[:, :count]
    felt = Contact(
        time=trace[rows.TIME].copy(),
        normal_force=2.0 * trace[rows.NORMAL],
        tangential_force=2.0 * trace[rows.TANGENTIAL],
        slip_speed=trace[rows.SLIP].copy(),
        sticking_share=trace[rows.STUCK].copy(),
    )
    residual = momentum_residual(
        momentum, x, momentum_of(model, before[0][:, :nodes]), before[1], run.club, run.face, result
    )
    return _Outcome(mean[[0, 2]], spin, run.club, result, felt, energy, residual, flag)
