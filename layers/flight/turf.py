"""Bounce and roll after the landing: an estimate, good for 'further or shorter', not for yards.

Turf differs from place to place and day to day far more than balls do; nothing here was fitted.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.flight.motion import GRAVITY
from layers.flight.trajectory import Flight

_LOWEST_BOUNCE_M = 0.005


@dataclass(frozen=True)
class Turf:
    """A level surface.

    Attributes
    ----------
    friction : float
        Of ball on turf; 0.40 of Penner 2002.
    tilt : float
        Effective tilt of the dent's wall, rad, at `tilt_speed` (m/s) and at `tilt_angle` (rad from
        the vertical); it grows with both. 15.4 deg at 18.6 m/s and 44.4 deg of Penner 2002.
    rolling_deceleration : float
        m/s2; 2.0 is a judgement for a mown fairway (a green: about 0.9, Penner 2002).
    """

    friction: float = 0.40
    tilt: float = np.deg2rad(15.4)
    tilt_speed: float = 18.6
    tilt_angle: float = np.deg2rad(44.4)
    rolling_deceleration: float = 2.0


@dataclass(frozen=True)
class Run:
    """What happens after the landing; arrays of shape (n,).

    `run` is the distance along the landing's direction, m, negative when the ball spins back;
    `bounce` is its part up to the last bounce; `total` is carry and run along one line, m.
    """

    bounce: FloatArray
    run: FloatArray
    total: FloatArray


def bounce_and_roll(flight: Flight, diameter: npt.ArrayLike, turf: Turf | None = None) -> Run:
    """Estimate how far each ball bounces and rolls on level turf.

    Parameters
    ----------
    flight : Flight
        n landed flights.
    diameter : float or (n,) array
        m.
    turf : Turf, optional
        A mown fairway otherwise.

    Returns
    -------
    Run

    Notes
    -----
    Rigid sphere of uniform density on a surface tilted by the dent it makes: it leaves rolling, or
    sliding where friction does not suffice; between bounces it flies without air; below a bounce of
    5 mm it rolls to rest. The tilt is held at 45 deg, beyond which the linear rule has no meaning.

    References
    ----------
    Penner 2002, Can. J. Phys. 80, 931: restitution, friction and tilt, all from memory. Biber et
    al. 2023, Sports Eng. 26, measured over 1,000 bounces and found such rigid models poor in spin.
    """
    turf = turf or Turf()
    radius = np.broadcast_to(np.asarray(diameter, float) / 2.0, flight.carry.shape)
    along = np.hypot(flight.landing_velocity[0], flight.landing_velocity[2])
    down = -flight.landing_velocity[1]
    spin = flight.landing_spin
    bounced = np.zeros_like(along)
    while True:  # each bounce takes energy: the last comes
        along, up, spin = _bounce(along, down, spin, radius, turf)
        flying = up**2 / (2.0 * GRAVITY) > _LOWEST_BOUNCE_M
        if not flying.any():
            break
        bounced = bounced + np.where(flying, along * 2.0 * up / GRAVITY, 0.0)
        down = np.where(flying, up, 0.0)
    rolled = np.sign(along) * along**2 / (2.0 * turf.rolling_deceleration)
    return Run(bounced, bounced + rolled, flight.carry + bounced + rolled)


def _bounce(
    along: FloatArray, down: FloatArray, spin: FloatArray, radius: FloatArray, turf: Turf
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return speeds along and up, and backspin, after one bounce; a rolling ball keeps them."""
    speed, from_vertical = np.hypot(along, down), np.arctan2(along, down)
    tilt = turf.tilt * speed / turf.tilt_speed * from_vertical / turf.tilt_angle
    tilt = np.clip(tilt, -np.pi / 4.0, np.pi / 4.0)
    sin, cos = np.sin(tilt), np.cos(tilt)
    tangential, normal = along * cos - down * sin, along * sin + down * cos
    e = turf_restitution(normal)
    contact_speed = tangential + radius * spin
    # Impulse per mass that brings the contact point to rest, 2/7 of its speed for a uniform sphere.
    grip = np.clip(
        2.0 / 7.0 * contact_speed,
        -turf.friction * (1.0 + e) * normal,
        turf.friction * (1.0 + e) * normal,
    )
    leaving, rising = tangential - grip, e * normal
    falls = down > 0.0
    return (
        np.where(falls, leaving * cos - rising * sin, along),
        np.where(falls, leaving * sin + rising * cos, 0.0),
        np.where(falls, spin - 2.5 * grip / radius, spin),
    )


def turf_restitution(normal_speed: FloatArray) -> FloatArray:
    """Restitution of a ball on turf, e = 0.510 - 0.0375 v + 0.000903 v^2 to 20 m/s, 0.120 beyond.

    v is the speed normal to the dent, m/s. Penner 2002, from memory.

    Examples
    --------
    >>> turf_restitution(np.array([0.0, 10.0, 25.0])).round(3)
    array([0.51 , 0.225, 0.12 ])
    """
    v = normal_speed
    return np.where(v <= 20.0, 0.510 - 0.0375 * v + 0.000903 * v**2, 0.120)
