"""The club head: a rigid body that turns in the plane of swing, its face sprung or part of it.

The face's point under the ball lies `DEPTH` ahead of the head's centre of mass along the normal. A
sprung face is a mass at that point which slides along the normal against a spring; it turns with
the head, so that pressure off the point is a couple on the head. Linear and angular momentum of
head, face and ball together are kept to rounding.
"""

import math
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.numerics.machine_code import njit
from layers.strike.contact import (
    CLUB_ROWS,
    CURVATURE,
    DEPTH,
    FACE_INVERSE_MASS,
    FACE_ROWS,
    FACE_VX,
    FACE_VZ,
    FACE_X,
    FACE_Z,
    FORCE_X,
    FORCE_Z,
    HEAD_INVERSE_INERTIA,
    HEAD_INVERSE_MASS,
    HEAD_VX,
    HEAD_VZ,
    HEAD_X,
    HEAD_Z,
    SPRING,
    TORQUE_SUM,
    TURN,
    TURN_RATE,
)


def half_head(
    mass: float,
    inertia: float | None,
    depth: float,
    height: float,
    roll_radius: float | None,
    spring: float | None,
    face_mass: float,
) -> tuple[FloatArray, FloatArray]:
    """Constants and offsets of half a head, as the half ball meets it.

    Parameters
    ----------
    mass, face_mass : float
        Of the whole head and of the part that moves with a springing face, kg.
    inertia : float or None
        About the heel-toe axis through the centre of mass, kg m2; None for a head that cannot turn.
    depth, height : float
        The point of impact, ahead of the centre of mass and above it up the face, m.
    roll_radius, spring : float or None
        Radius of the face from crown to sole, m; its stiffness, N/m. None is flat, and rigid.

    Returns
    -------
    face : (FACE_ROWS,) array
        Masses, inertia, spring and curvature; the contact's rows are left at zero.
    offset : (2,) array
        From the centre of mass of what is not the face to the point of impact, m.

    Raises
    ------
    InputError
        If the inertia is less than the face's mass alone makes.
    """
    face = np.zeros(FACE_ROWS)
    face[CURVATURE] = 0.0 if roll_radius is None else 1.0 / roll_radius
    offset = np.array([depth, height])
    rest = mass
    if spring is not None:
        rest = mass - face_mass
        face[FACE_INVERSE_MASS] = 2.0 / face_mass
        face[SPRING] = 0.5 * spring
        offset = offset * mass / rest
    face[HEAD_INVERSE_MASS] = 2.0 / rest
    face[DEPTH] = offset[0]
    if inertia is not None:
        # The sprung mass is no part of what turns about the rest's own centre.
        own = inertia - (face_mass * rest / mass * float(offset @ offset) if spring else 0.0)
        if own <= 0.0:
            raise InputError(
                f"inertia is {inertia:g} kg m2, but must be above {inertia - own:g}: the springing "
                "face's mass alone makes that much about the centre of mass."
            )
        face[HEAD_INVERSE_INERTIA] = 2.0 / own
    return face, offset


def club_before(offset: FloatArray, velocity: FloatArray, radius: float) -> FloatArray:
    """State of the club as its face touches the ball, (CLUB_ROWS,).

    Parameters
    ----------
    offset : (2,) array
        From the head's centre of mass to where the face touches, along the normal and up the face,
        m.
    velocity : (2,) array
        Of the head, along the same axes, m/s.
    radius : float
        Of the ball, m: the face starts so far from its centre.
    """
    club = np.zeros(CLUB_ROWS)
    club[FACE_X] = -radius
    club[[HEAD_X, HEAD_Z]] = np.array([-radius, 0.0]) - offset
    club[[FACE_VX, FACE_VZ]] = club[[HEAD_VX, HEAD_VZ]] = velocity
    return club


def face_period(face: FloatArray) -> float:
    """Time of one swing of a springing face against the rest of the head, s; 0 if rigid."""
    if face[SPRING] == 0.0:
        return 0.0
    both = face[FACE_INVERSE_MASS] + face[HEAD_INVERSE_MASS]
    return 2.0 * math.pi / math.sqrt(float(face[SPRING] * both))


@njit(cache=True)
def drive_club(face: Any, club: Any, sums: Any, mean: float, step: float) -> None:
    """Move the club over a step under the ball's push.

    Parameters
    ----------
    face, club : array
        Rows of `oblique_contact`, for half the club; `club` is changed.
    sums : array
        The contact's forces and torque of this step.
    mean, step : float
        Time over which velocities and positions change, s.
    """
    px, pz, moment = mean * sums[FORCE_X], mean * sums[FORCE_Z], mean * sums[TORQUE_SUM]
    light, turning = face[HEAD_INVERSE_MASS], face[HEAD_INVERSE_INERTIA]
    rx, rz = club[FACE_X] - club[HEAD_X], club[FACE_Z] - club[HEAD_Z]
    if face[SPRING] == 0.0:
        club[HEAD_VX] -= light * px
        club[HEAD_VZ] -= light * pz
        club[TURN_RATE] -= turning * (moment - club[HEAD_X] * pz + club[HEAD_Z] * px)
        club[FACE_VX] = club[HEAD_VX] - club[TURN_RATE] * rz
        club[FACE_VZ] = club[HEAD_VZ] + club[TURN_RATE] * rx
    else:
        cos, sin = math.cos(club[TURN]), math.sin(club[TURN])
        club[TURN_RATE] -= turning * (moment - club[FACE_X] * pz + club[FACE_Z] * px)
        pull = mean * face[SPRING] * (rx * cos + rz * sin - face[DEPTH])
        club[FACE_VX] -= face[FACE_INVERSE_MASS] * (px + pull * cos)
        club[FACE_VZ] -= face[FACE_INVERSE_MASS] * (pz + pull * sin)
        club[HEAD_VX] += light * pull * cos
        club[HEAD_VZ] += light * pull * sin
        club[TURN_RATE] += turning * pull * (rx * sin - rz * cos)
        # The face slides along the normal only: what it would move along itself, the head shares.
        rate = club[TURN_RATE]
        apart = cos * (club[FACE_VZ] - club[HEAD_VZ] - rate * rx)
        apart -= sin * (club[FACE_VX] - club[HEAD_VX] + rate * rz)
        lever = rx * cos + rz * sin
        held = apart / (face[FACE_INVERSE_MASS] + light + turning * lever * lever)
        club[FACE_VX] += face[FACE_INVERSE_MASS] * held * sin
        club[FACE_VZ] -= face[FACE_INVERSE_MASS] * held * cos
        club[HEAD_VX] -= light * held * sin
        club[HEAD_VZ] += light * held * cos
        club[TURN_RATE] += turning * held * lever
    club[FACE_X] += step * club[FACE_VX]
    club[FACE_Z] += step * club[FACE_VZ]
    club[HEAD_X] += step * club[HEAD_VX]
    club[HEAD_Z] += step * club[HEAD_VZ]
    club[TURN] += step * club[TURN_RATE]


@njit(cache=True)
def may_meet_again(face: Any, club: Any, nearest: float) -> Any:
    """Whether a springing face, swinging freely, still reaches the ball's nearest point.

    Parameters
    ----------
    face : (FACE_ROWS,) array
        State of the face's spring.
    club : (CLUB_ROWS,) array
        State of the club.
    nearest : float
        Distance of the ball's nearest point from the face, m.
    """
    if face[SPRING] == 0.0:
        return False
    cos, sin = math.cos(club[TURN]), math.sin(club[TURN])
    rx, rz = club[FACE_X] - club[HEAD_X], club[FACE_Z] - club[HEAD_Z]
    out = rx * cos + rz * sin - face[DEPTH]
    speed = cos * (club[FACE_VX] - club[HEAD_VX] + club[TURN_RATE] * rz)
    speed += sin * (club[FACE_VZ] - club[HEAD_VZ] - club[TURN_RATE] * rx)
    square = face[SPRING] * (face[FACE_INVERSE_MASS] + face[HEAD_INVERSE_MASS])
    return nearest < math.sqrt(out * out + speed * speed / square) - out
