"""Balance of energy and momentum after an oblique impact."""

import math

import numpy as np

from layers.arrays import FloatArray
from layers.strike import contact
from layers.strike import march as rows
from layers.strike.model import Model, momentum_of
from layers.strike.stored import stored


def momentum_residual(
    momentum: FloatArray,
    x: FloatArray,
    momentum_before: FloatArray,
    club_before: FloatArray,
    club: FloatArray,
    face: FloatArray,
    result: FloatArray,
) -> float:
    """Largest failing of momentum (with the club) and angular momentum, over what was exchanged.

    Parameters
    ----------
    momentum, x, momentum_before : (3, n) array
        Nodal momenta after, positions after, momenta before.
    club_before, club, face, result
        Rows of `oblique_march`.
    """
    gained = (momentum - momentum_before).sum(axis=1)[[0, 2]]
    size = float(np.abs(gained).max())
    # The ball starts about the origin: its angular momentum before is that of its lumped centre.
    turned = float((x[0] * momentum[2] - x[2] * momentum[0]).sum())
    lever = float(np.abs(x).max())
    failing = abs(turned - float(result[rows.TORQUE])) / (size * lever)
    if face[contact.HEAD_INVERSE_MASS] > 0.0:
        change = _club_momentum(club, face) - _club_momentum(club_before, face)
        failing = max(failing, float(np.abs(gained + change[:2]).max()) / size)
        if face[contact.HEAD_INVERSE_INERTIA] > 0.0:
            failing = max(failing, abs(turned + float(change[2])) / (size * lever))
    return failing


def _club_momentum(club: FloatArray, face: FloatArray) -> FloatArray:
    """Momentum of half the club along x and z, kg m/s, and about the origin, kg m2/s."""
    total = np.zeros(3)
    if face[contact.HEAD_INVERSE_INERTIA] > 0.0:
        total[2] = club[contact.TURN_RATE] / face[contact.HEAD_INVERSE_INERTIA]
    for inverse, x in (
        (contact.FACE_INVERSE_MASS, contact.FACE_X),
        (contact.HEAD_INVERSE_MASS, contact.HEAD_X),
    ):
        if face[inverse] > 0.0:  # rows from x on: position and velocity
            px, pz = club[x + 2 : x + 4] / face[inverse]
            total += np.array([px, pz, club[x] * pz - club[x + 1] * px])
    return total


def energy_parts(
    model: Model,
    u: FloatArray,
    v: FloatArray,
    state: FloatArray,
    before: tuple[FloatArray, FloatArray],
    club: FloatArray,
    face: FloatArray,
    result: FloatArray,
    mean: FloatArray,
    spin: float,
    inertia: float,
) -> dict[str, float]:
    """Where the energy went, J, whole ball.

    Parameters
    ----------
    model : Model
        The meshed ball.
    u, v : (3, nodes) array
        Displacements and velocities at the end, m and m/s.
    state : array
        Internal variables of the elements at the end.
    before : (club, face) arrays
        State of the club and of the face's spring before the impact, see `layers.strike.head`.
    club, face : (CLUB_ROWS,), (FACE_ROWS,) array
        The same at the end.
    result : array
        Sums of the march: losses by contact, friction and material, J.
    mean : (3,) array
        Mean velocity of the ball, m/s.
    spin : float
        Of the ball, rad/s.
    inertia : float
        Moment of inertia of the meshed ball, kg m2.
    """
    m, old = model.node_mass, before[0][:, : len(model.node_mass)]
    kinetic = float((v * momentum_of(model, v)).sum())
    parts = {
        "ball, translation": float(m.sum() * (mean**2).sum()),
        "ball, spin": 0.5 * spin**2 * inertia,
        "friction": 2.0 * float(result[rows.LOSS_FRICTION]),
        "contact damping": 2.0 * float(result[rows.LOSS_CONTACT]),
        "relaxation": 2.0 * float(result[rows.LOSS_RELAXATION]),
        "bulk viscosity": 2.0 * float(result[rows.LOSS_BULK]),
    }
    parts["ball, vibration"] = kinetic - parts["ball, translation"] - parts["ball, spin"]
    density, hourglass = stored(model, u, state)
    parts["ball, strain"] = 2.0 * float(density @ model.volume)
    parts["hourglass"] = float(hourglass.sum())
    parts["club"] = club_energy(club, face)
    given = float((m * old**2).sum()) + club_energy(before[1], face)
    parts["given"] = given
    parts["residual"] = given - sum(v for k, v in parts.items() if k != "given")
    return parts


def club_energy(club: FloatArray, face: FloatArray) -> float:
    """Kinetic and spring energy of the whole club, J.

    Parameters
    ----------
    club, face : (CLUB_ROWS,), (FACE_ROWS,) array
        State and constants of half the club.
    """
    energy = 0.0
    if face[contact.SPRING] > 0.0:
        cos, sin = math.cos(club[contact.TURN]), math.sin(club[contact.TURN])
        reach = cos * (club[contact.FACE_X] - club[contact.HEAD_X])
        reach += sin * (club[contact.FACE_Z] - club[contact.HEAD_Z])
        energy = face[contact.SPRING] * (reach - face[contact.DEPTH]) ** 2
    for inverse, moving in (
        (contact.FACE_INVERSE_MASS, (contact.FACE_VX, contact.FACE_VZ)),
        (contact.HEAD_INVERSE_MASS, (contact.HEAD_VX, contact.HEAD_VZ)),
        (contact.HEAD_INVERSE_INERTIA, (contact.TURN_RATE,)),
    ):
        if face[inverse] > 0.0:
            energy += sum(club[row] ** 2 for row in moving) / face[inverse]
    return float(energy)
