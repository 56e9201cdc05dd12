"""An impact about to begin: the meshed half ball, what it meets, and the march over both."""

import math
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.errors import InputError, SolverError
from layers.impact.crushed import crushed
from layers.numerics.vectors import NODE, aligned
from layers.strike import contact
from layers.strike import march as rows
from layers.strike.head import club_before, half_head
from layers.strike.launch import Strike
from layers.strike.model import Model, build_model, volume_ratio
from layers.strike.settings import Settings

# Share taken of the stable step of central differences with lagging viscous stress; the bound is
# for the elements as last checked.
SAFETY = 0.95


@dataclass(frozen=True)
class Run:
    """The arrays of one impact; `advance` changes all but the model and the face.

    Attributes
    ----------
    model : Model
    damping : float
        Linear bulk viscosity, share of critical.
    nodes, speeds : (n, 4) array
        Displacements and velocities of the nodes, the fourth of no use; m, m/s.
    state : array
        Internal variables of the elements, see `layers.strike.kernels.element_forces`.
    stretch : (2, f p) array
        Elastic stretch of the stuck contact at each point, along z and y, m.
    face, club : (FACE_ROWS,), (CLUB_ROWS,) array
        Constants and state of half the club.
    fastest : float
        Greatest speed before impact, m/s.
    """

    model: Model
    damping: float
    nodes: FloatArray
    speeds: FloatArray
    state: FloatArray
    stretch: FloatArray
    face: FloatArray
    club: FloatArray
    fastest: float

    @property
    def u(self) -> FloatArray:
        """Displacements of the nodes, (3, n) m."""
        return self.nodes[:, :3].T

    @property
    def velocity(self) -> FloatArray:
        """Velocities of the nodes, (3, n) m/s."""
        return self.speeds[:, :3].T

    def advance(
        self, longest: float, pause: float, history: FloatArray, result: FloatArray
    ) -> None:
        """March on until the ball has left the face, or for a time.

        Parameters
        ----------
        longest : float
            Time after which to stop, s.
        pause : float
            How long nothing must have touched before the impact is over, s.
        history, result : (HISTORY_ROWS, h), (RESULT_ROWS,) array
            Written, see `layers.strike.march`; times count from this call.
        """
        model, mesh = self.model, self.model.mesh
        arguments = (
            model.points,
            self.nodes,
            self.speeds,
            model.push,
            model.chain.carry,
            model.chain.pivot,
            model.hexes,
            model.constant,
            model.branch,
            self.state,
            model.surface,
            self.stretch,
            mesh.plane,
            int(np.argmax(mesh.points[0])),
            int(np.argmin((mesh.points**2).sum(axis=0))),
            self.face,
            self.club,
            longest,
            pause,
            SAFETY * 2.0 * (math.hypot(1.0, self.damping) - self.damping),
            history,
            result,
        )
        if model.constant.dtype == np.float32:
            rows.march_single(*arguments)
        else:
            rows.march_double(*arguments)


def start_of_strike(body: Body, strike: Strike, settings: Settings) -> Run:
    """Lay out a ball at rest and the club that is about to touch it.

    Parameters
    ----------
    body : Body
    strike : Strike
    settings : Settings

    Raises
    ------
    InputError
        If the strike cannot be computed.
    """
    face, before = face_and_club(body, strike)
    return _start(body, face, np.zeros(2), before, settings)


def face_and_club(body: Body, strike: Strike) -> tuple[FloatArray, FloatArray]:
    """Constants of half the face but for the contact's stiffness, and the club about to touch.

    Parameters
    ----------
    body : Body
    strike : Strike

    Raises
    ------
    InputError
        If the strike cannot be computed.
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
    return face, before


def start_of_throw(
    body: Body, speed: float, angle: float, friction: float, settings: Settings
) -> Run:
    """Lay out a ball thrown without spin that is about to touch a fixed rigid plate.

    Parameters
    ----------
    body : Body
    speed, angle : float
        Inbound, m/s, and rad from the barrier's normal.
    friction : float
        Coulomb's coefficient of the barrier.
    settings : Settings

    Raises
    ------
    InputError
        If speed or angle is out of range.
    """
    if not 0.0 < speed <= 150.0:
        raise InputError(f"speed is {speed:g} m/s, but must be above 0 and at most 150.")
    if not 0.0 <= angle < 1.5:
        raise InputError(f"angle is {angle:g} rad, but must be from 0 to below 1.5.")
    face = np.zeros(contact.FACE_ROWS)
    face[contact.FRICTION] = friction
    thrown = np.array([-speed * math.cos(angle), speed * math.sin(angle)])
    still = club_before(np.zeros(2), np.zeros(2), float(body.outer_radius[-1]))
    return _start(body, face, thrown, still, settings)


def check_sound(body: Body, run: Run, result: FloatArray) -> None:
    """Raise if the march broke down.

    Parameters
    ----------
    body : Body
    run : Run
        As the march left it.
    result : (RESULT_ROWS,) array
        Of the march.

    Raises
    ------
    SolverError
        If it did; the message names the layer.
    """
    if result[rows.BROKEN] == 1.0 or not np.isfinite(run.velocity).all():
        ratio = volume_ratio(run.model, run.u)
        raise SolverError(
            "the impact broke down: " + crushed(body, ratio, run.model.mesh.layer, run.fastest)
        )


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


def _start(
    body: Body, face: FloatArray, thrown: FloatArray, club: FloatArray, settings: Settings
) -> Run:
    """Lay out half the ball, thrown at (normal, up the face) m/s, and the face of the club."""
    model = build_model(body, settings)
    mesh = model.mesh
    face[contact.STIFFNESS], face[contact.DAMPING] = model.law[:2]
    face[contact.SHEAR_STIFFNESS], face[contact.SHEAR_DAMPING] = model.law[2:]
    count = mesh.points.shape[1]
    nodes, speeds = aligned((count, NODE), np.float64), aligned((count, NODE), np.float64)
    speeds[:, 0], speeds[:, 2] = thrown
    pairs = body.relaxation_strength.shape[1]
    shape = (len(model.hexes), 1 + 6 * pairs, model.constant.shape[2])
    state = aligned(shape, model.constant.dtype)
    state[:, 0] = 1.0
    for k in range(pairs):
        state[:, 1 + 6 * k : 4 + 6 * k] = 1.0
    stretch = np.zeros((2, mesh.faces.shape[1] * len(model.surface.shape)))
    fastest = max(
        float(np.hypot(*thrown)), float(np.hypot(*club[[contact.HEAD_VX, contact.HEAD_VZ]]))
    )
    return Run(model, settings.bulk_viscosity, nodes, speeds, state, stretch, face, club, fastest)
