"""What goes into an oblique impact, and what comes out of it."""

from dataclasses import dataclass
from typing import Literal

from layers.arrays import FloatArray


@dataclass(frozen=True)
class Strike:
    """How a club meets the ball.

    Attributes
    ----------
    club_mass : float
        Mass of the club head, kg.
    club_speed : float
        Its speed before impact, m/s.
    dynamic_loft : float
        Elevation of the face's normal at impact, rad.
    attack_angle : float
        Elevation of the head's path, rad, positive upward.
    friction : float, optional
        Coulomb friction between cover and face, whatever the speed of sliding; the cover's own if
        not given.
    surface : {"dry", "wet"}
        Which of the cover's own.
    face_stiffness : float, optional
        Stiffness of a face that springs along its normal, N/m; rigid if not given.
    face_mass : float
        Mass that moves with a springing face, kg; part of `club_mass`.
    inertia : float, optional
        Of the head about its heel-toe axis through the centre of mass, kg m2; a head without does
        not turn.
    depth : float
        Of the centre of mass behind the point of impact, along the face's normal, m.
    impact_height : float
        Of the point of impact above the centre of mass's projection on the face, up the face, m.
    roll_radius : float, optional
        Of the face from crown to sole, m; flat if not given. Loft is that at the point of impact.
    """

    club_mass: float
    club_speed: float
    dynamic_loft: float
    attack_angle: float
    friction: float | None = None
    face_stiffness: float | None = None
    face_mass: float = 0.03
    inertia: float | None = None
    depth: float = 0.0
    impact_height: float = 0.0
    roll_radius: float | None = None
    surface: Literal["dry", "wet"] = "dry"


@dataclass(frozen=True)
class Contact:
    """What the face felt, over time: k samples."""

    time: FloatArray
    normal_force: FloatArray
    tangential_force: FloatArray
    slip_speed: FloatArray
    sticking_share: FloatArray


@dataclass(frozen=True)
class Launch:
    """The ball as it leaves the face.

    Attributes
    ----------
    ball_speed : float
        m/s.
    launch_angle : float
        Elevation of its path, rad.
    spin : float
        Backspin, rad/s.
    contact_time, peak_deformation : float
        s, and m by which the ball's diameter along the face's normal is shortened at most.
    club_speed_after, club_turn_rate : float
        Of the head's centre of mass, m/s; rad/s, positive as loft grows.
    history : Contact
        Forces (N, of the whole ball), slip speed weighted by normal force (m/s), share of the
        normal force on sticking ground.
    energy : dict of str to float
        J: where the club's kinetic energy went, and ``residual``, what the parts fail to add to.
    momentum_residual : float
        Failing of linear and angular momentum balance, relative to the momentum exchanged.
    flag : str
        Empty, or a sentence of caution.
    """

    ball_speed: float
    launch_angle: float
    spin: float
    contact_time: float
    peak_deformation: float
    club_speed_after: float
    club_turn_rate: float
    history: Contact
    energy: dict[str, float]
    momentum_residual: float
    flag: str


@dataclass(frozen=True)
class Rebound:
    """A ball thrown on a fixed plate as it leaves again.

    Attributes
    ----------
    cor : float
        Normal speed after over before.
    tangential_ratio : float
        Tangential velocity of the contact point after over before: 1 frictionless, 0 rolling.
    spin : float
        rad/s, positive toward rolling.
    normal_speed, tangential_speed : float
        Of the centre, after, m/s.
    contact_time : float
        s.
    history, energy, momentum_residual, flag
        As in `Launch`.
    """

    cor: float
    tangential_ratio: float
    spin: float
    normal_speed: float
    tangential_speed: float
    contact_time: float
    history: Contact
    energy: dict[str, float]
    momentum_residual: float
    flag: str
