"""Oblique club impact of a layered ball in three dimensions: launch speed, angle and spin.

Half the ball (it is symmetric about the plane of swing) is marched by explicit finite elements
against the lofted face of a club head that turns in that plane. x is the face's normal at first
touch, z points up the face, y is lateral.
"""

import math
from typing import NamedTuple

import numpy as np

from layers.arrays import FloatArray, Level
from layers.ball import Body
from layers.errors import InputError, SolverError
from layers.impact.crushed import crushed
from layers.mass.inertia import moment_of_inertia
from layers.numerics.lanes import WIDTH
from layers.strike import contact
from layers.strike import march as rows
from layers.strike.balance import energy_parts, momentum_residual
from layers.strike.head import club_before, face_period, half_head
from layers.strike.launch import Contact, Launch, Rebound, Strike
from layers.strike.model import LEVELS, Settings, build_model, momentum_of, volume_ratio

HISTORY = 512
LONGEST = 4e-3
PAUSE = 40e-6
# Share taken of the stable step of central differences with lagging viscous stress; the bound is
# for the elements as last checked.
SAFETY = 0.95


class _Outcome(NamedTuple):
    velocity: FloatArray  # of the centre, face axes
    spin: float
    club: FloatArray
    result: FloatArray
    history: Contact
    energy: dict[str, float]
    momentum_residual: float
    flag: str


def club_impact(body: Body, strike: Strike, level: Level = "default") -> Launch:
    """Launch of a ball at rest struck by a club.

    Parameters
    ----------
    body : Body
    strike : Strike
    level : {"default", "fine"}
        "fine" for finalists.

    Raises
    ------
    InputError
        If the strike cannot be computed.
    SolverError
        If the computation breaks down.
    """
    return strike_ball(body, strike, _settings(level))


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
    _check(strike)
    face, offset = half_head(
        strike.club_mass,
        strike.inertia,
        strike.depth,
        strike.impact_height,
        strike.roll_radius,
        strike.face_stiffness,
        strike.face_mass,
    )
    if strike.friction is not None:
        face[contact.FRICTION] = strike.friction
    else:
        wet = strike.surface == "wet"
        face[contact.FRICTION] = body.friction_wet if wet else body.friction
        face[contact.FADE] = 1.0 / body.friction_half_speed
    opening = strike.dynamic_loft - strike.attack_angle
    velocity = strike.club_speed * np.array([math.cos(opening), -math.sin(opening)])
    before = club_before(offset, velocity, float(body.outer_radius[-1]))
    out = _collide(body, face, np.zeros(2), before, settings)
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
    body: Body, speed: float, angle: float, friction: float, level: Level = "default"
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
    """
    return throw_ball(body, speed, angle, friction, _settings(level))


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
    if not 0.0 < speed <= 150.0:
        raise InputError(f"speed is {speed:g} m/s, but must be above 0 and at most 150.")
    if not 0.0 <= angle < 1.5:
        raise InputError(f"angle is {angle:g} rad, but must be from 0 to below 1.5.")
    face = np.zeros(contact.FACE_ROWS)
    face[contact.FRICTION] = friction
    thrown = np.array([-speed * math.cos(angle), speed * math.sin(angle)])
    radius = float(body.outer_radius[-1])
    still = club_before(np.zeros(2), np.zeros(2), radius)
    out = _collide(body, face, thrown, still, settings)
    contact_point = out.velocity[1] - radius * out.spin
    return Rebound(
        cor=float(-out.velocity[0] / thrown[0]),
        tangential_ratio=float(contact_point / thrown[1]) if angle > 0.0 else math.nan,
        spin=out.spin,
        normal_speed=float(out.velocity[0]),
        tangential_speed=float(out.velocity[1]),
        contact_time=float(out.result[rows.LAST] - out.result[rows.FIRST]),
        history=out.history,
        energy=out.energy,
        momentum_residual=out.momentum_residual,
        flag=out.flag,
    )


def _settings(level: Level) -> Settings:
    if level not in LEVELS:
        raise InputError(f"level is {level!r}, but must be one of: {', '.join(LEVELS)}.")
    return LEVELS[level]


def _check(strike: Strike) -> None:
    bounds = {
        "club_mass": (0.02, 2.0),
        "club_speed": (1.0, 80.0),
        "dynamic_loft": (-0.2, 1.4),
        "attack_angle": (-0.7, 0.7),
        "friction": (0.0, 3.0),
        "face_stiffness": (1e5, 1e10),
        "inertia": (1e-6, 1.0),
        "depth": (0.0, 0.1),
        "impact_height": (-0.04, 0.04),
        "roll_radius": (0.05, 10.0),
    }
    for name, (low, high) in bounds.items():
        value = getattr(strike, name)
        if value is not None and not low <= value <= high:
            raise InputError(f"{name} is {value:g}, but must be from {low:g} to {high:g}.")
    if strike.face_stiffness is not None and not 1e-3 <= strike.face_mass <= 0.5 * strike.club_mass:
        raise InputError(
            f"face_mass is {strike.face_mass:g} kg, but must be from 0.001 to half the club_mass."
        )


def _flag(result: FloatArray, face: FloatArray) -> str:
    if result[rows.ENDED] != 1.0:
        return f"the ball did not leave within {LONGEST:g} s"
    gap = float(result[rows.LONGEST_GAP])
    if gap > PAUSE:
        return (
            f"the face struck again {1e6 * gap:.0f} us after the ball had left it: for so hard a "
            "ball one mass on a spring is no model of a face"
        )
    contact_time = float(result[rows.LAST] - result[rows.FIRST])
    period = face_period(face)
    if contact_time < period:
        return (
            f"the ball was on the face for {1e6 * contact_time:.0f} us, less than the springing "
            f"face takes to swing once ({1e6 * period:.0f} us): for so hard a ball one mass on a "
            "spring is no model of a face"
        )
    return ""


def _collide(
    body: Body, face: FloatArray, thrown: FloatArray, club: FloatArray, settings: Settings
) -> _Outcome:
    """March half the ball, thrown at (normal, up the face) m/s, against the face of the club."""
    model = build_model(body, settings)
    mesh, points = model.mesh, model.points
    nodes = mesh.points.shape[1]
    face[contact.STIFFNESS], face[contact.DAMPING] = model.law[:2]
    face[contact.SHEAR_STIFFNESS], face[contact.SHEAR_DAMPING] = model.law[2:]
    velocity, u = np.zeros_like(points), np.zeros_like(points)
    velocity[0, :nodes], velocity[2, :nodes] = thrown
    pairs = body.relaxation_strength.shape[1]
    state = np.zeros((len(model.hexes), 1 + 6 * pairs, WIDTH))
    state[:, 0] = 1.0
    for k in range(pairs):
        state[:, 1 + 6 * k : 4 + 6 * k] = 1.0
    history, result = np.zeros((rows.HISTORY_ROWS, HISTORY)), np.zeros(rows.RESULT_ROWS)
    far = int(np.argmax(mesh.points[0]))
    before = (velocity.copy(), club.copy())
    rows.march(
        points,
        u,
        velocity,
        model.push,
        model.chain.carry,
        model.chain.pivot,
        model.hexes,
        model.entries,
        model.constant,
        model.branch,
        state,
        np.zeros((len(model.hexes), 24, WIDTH)),
        model.surface,
        np.zeros((2, mesh.faces.shape[1] * len(model.surface.shape))),
        mesh.plane,
        far,
        face,
        club,
        LONGEST,
        PAUSE,
        SAFETY * 2.0 * (math.hypot(1.0, settings.bulk_viscosity) - settings.bulk_viscosity),
        history,
        result,
    )
    if result[rows.BROKEN] == 1.0 or not np.isfinite(velocity).all():
        fastest = max(
            float(np.hypot(*thrown)),
            float(np.hypot(*before[1][[contact.HEAD_VX, contact.HEAD_VZ]])),
        )
        ratio = volume_ratio(model, u)
        raise SolverError("the impact broke down: " + crushed(body, ratio, mesh.layer, fastest))
    flag = _flag(result, face)
    v, x = velocity[:, :nodes], mesh.points + u[:, :nodes]
    momentum = momentum_of(model, v)
    mean = momentum.sum(axis=1) / model.node_mass.sum()
    own = momentum_of(model, v - mean[:, None])
    spin = 2.0 * float((x[0] * own[2] - x[2] * own[0]).sum()) / moment_of_inertia(body)
    energy = energy_parts(
        model, u, v, state, before, club, face, result, mean, spin, moment_of_inertia(body)
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
        momentum, x, momentum_of(model, before[0][:, :nodes]), before[1], club, face, result
    )
    return _Outcome(mean[[0, 2]], spin, club, result, felt, energy, residual, flag)
