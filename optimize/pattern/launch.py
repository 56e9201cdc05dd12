"""The launch that carries a ball farthest under one pattern, within what a club can give.

Loft sets angle, speed and spin together; what a construction changes at one loft is the spin. So
two things vary: the loft, and the spin over what this build takes at that loft.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.conditions import Weather
from layers.flight.aerodynamics import Law
from layers.flight.trajectory import fly

LOFTS_DEG = np.linspace(-6.0, 6.0, 49)
SPIN_FACTORS = np.linspace(0.5, 1.5, 51)
_LOWEST_LAUNCH_DEG = 1.0
_LAUNCH_PER_LOFT = 0.85


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


def off_loft(
    shot: Shot, spin_loft_deg: float, degrees: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return speed, angle and spin of a shot whose loft is changed by so many degrees.

    With the angle between face normal and path, the spin loft, the speed goes as its cosine and
    the spin as its sine (Penner 2001, Am. J. Phys. 69, 563, rigid head), each held to what the
    shot has now; the launch follows loft by 0.85 (common practice: 0.8 to 0.9).

    Parameters
    ----------
    shot : Shot
        As it is.
    spin_loft_deg : float
        Its spin loft.
    degrees : (n,) array
        Change of loft; the spin loft does not fall below half a degree.
    """
    loft = np.radians(max(spin_loft_deg, 0.5))
    changed = np.maximum(loft + np.radians(degrees), np.radians(0.5))
    return (
        shot.ball_speed * np.cos(changed) / np.cos(loft),
        shot.launch_angle + _LAUNCH_PER_LOFT * np.radians(degrees),
        shot.spin * np.sin(changed) / np.sin(loft),
    )


def best_launch(shot: Shot, law: Law, weather: Weather, spin_loft_deg: float) -> BestLaunch:
    """Search lofts from 6 degrees less to 6 more and half to one and a half times the spin.

    Parameters
    ----------
    shot : Shot
        The launch as it is.
    law : Law
        Drag and lift of the pattern.
    weather : Weather
        Air and wind.
    spin_loft_deg : float
        Of the swing.
    """
    raised = shot.launch_angle + _LAUNCH_PER_LOFT * np.radians(LOFTS_DEG)
    lofts = LOFTS_DEG[raised >= np.radians(_LOWEST_LAUNCH_DEG)]
    degrees, factors = (grid.ravel() for grid in np.meshgrid(lofts, SPIN_FACTORS, indexing="ij"))
    speed, angle, spin = off_loft(shot, spin_loft_deg, degrees)
    spin = spin * factors
    carry = fly(
        speed,
        angle,
        spin,
        **shot.body,
        law=law,
        air=weather.air,
        wind=weather.wind,
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
