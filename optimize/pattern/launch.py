"""The launch that carries a ball farthest under one pattern, within what a club can give.

Loft sets angle, speed and spin together; what a construction changes at one loft is the spin. So
two things vary: the loft, and the spin over what this build takes at that loft.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.conditions import Conditions
from layers.flight.trajectory import fly

LOFTS_DEG = np.linspace(-6.0, 6.0, 49)
SPIN_FACTORS = np.linspace(0.5, 1.5, 51)
_LOWEST_LAUNCH_DEG = 1.0


@dataclass(frozen=True)
class Shot:
    """A launch and the ball, SI."""

    ball_speed: float
    launch_angle: float
    spin: float
    mass: float
    diameter: float

    @property
    def launch(self) -> tuple[float, float, float]:
        """Speed, angle, spin, as `fly` takes them."""
        return self.ball_speed, self.launch_angle, self.spin

    @property
    def body(self) -> dict[str, Any]:
        """Mass and diameter, as `fly` takes them."""
        return {"mass": self.mass, "diameter": self.diameter}


@dataclass(frozen=True)
class BestLaunch:
    """The best launches found, each with the carry, m.

    Attributes
    ----------
    spin, carry_by_spin : float
        Best spin, rad/s, at the loft as it is, and its carry: what the construction can do alone.
    ball_speed, launch_angle, spin_with_loft, carry : float
        Best with the loft free too.
    at_edge : bool
        Whether the best lies at an edge of what was tried.
    """

    spin: float
    carry_by_spin: float
    ball_speed: float
    launch_angle: float
    spin_with_loft: float
    carry: float
    at_edge: bool


def off_loft(shot: Shot, degrees: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return speed, angle and spin of a shot whose loft is changed by so many degrees.

    A head far heavier than the ball sends it close to along its normal: with the launch about
    0.85 of loft (common practice), speed goes as the cosine and spin as the sine of the angle
    between normal and path (Penner 2001, Am. J. Phys. 69, 563), which is about launch over 0.85.

    Parameters
    ----------
    shot : Shot
        As it is.
    degrees : (n,) array
        Change of loft.
    """
    loft = shot.launch_angle / 0.85
    changed = loft + np.radians(degrees)
    return (
        shot.ball_speed * np.cos(changed) / np.cos(loft),
        shot.launch_angle + 0.85 * np.radians(degrees),
        shot.spin * np.maximum(np.sin(changed), 0.0) / np.sin(loft),
    )


def best_launch(shot: Shot, conditions: Conditions) -> BestLaunch:
    """Search lofts from 6 degrees less to 6 more and half to one and a half times the spin.

    Parameters
    ----------
    shot : Shot
        The launch as it is.
    conditions : Conditions
        Law, air and wind.
    """
    lofts = LOFTS_DEG[
        shot.launch_angle + 0.85 * np.radians(LOFTS_DEG) >= np.radians(_LOWEST_LAUNCH_DEG)
    ]
    degrees, factors = (grid.ravel() for grid in np.meshgrid(lofts, SPIN_FACTORS, indexing="ij"))
    speed, angle, spin = off_loft(shot, degrees)
    spin = spin * factors
    carry = fly(
        speed,
        angle,
        spin,
        **shot.body,
        law=conditions.law,
        air=conditions.air,
        wind=conditions.wind,
    ).carry
    same = np.flatnonzero(degrees == 0.0)
    by_spin = same[np.argmax(carry[same])]
    best = int(np.argmax(carry))
    edges = (degrees[best] in lofts[[0, -1]], factors[best] in SPIN_FACTORS[[0, -1]])
    return BestLaunch(
        spin=float(spin[by_spin]),
        carry_by_spin=float(carry[by_spin]),
        ball_speed=float(speed[best]),
        launch_angle=float(angle[best]),
        spin_with_loft=float(spin[best]),
        carry=float(carry[best]),
        at_edge=any(edges),
    )
