"""Oblique impact of a homogeneous elastic sphere on a rigid plane, quasi-static contact.

The solution of Maw, Barber and Fawcett (1976, Wear 38, 101), here by the method of dimensionality
reduction, which maps Hertz, Cattaneo and Mindlin exactly to independent springs (Popov and Hess
2015; Lyashenko and Popov 2015, Sci. Rep. 5, 8479, who reproduce Maw, Barber and Fawcett with it).
It holds while the contact is small beside the sphere and the impact long beside the waves.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class MawRebound:
    """Rebound of the contact point.

    `tangential_ratio` is its tangential velocity after over before (1 frictionless, 0 rolling);
    `impulse_ratio` the tangential impulse over friction times the normal impulse (1: gross slip).
    """

    tangential_ratio: float
    impulse_ratio: float


def maw_rebound(
    poisson: float, friction: float, tangent: float, inertia: float = 0.4, steps: int = 4000
) -> MawRebound:
    """Rebound at incidence arctan(tangent), of a sphere with I / (m R^2) = `inertia`.

    Dimensionless: mass, normal speed and greatest Hertz indentation are 1, F_n = 5/4 d^1.5.
    Independent springs under the profile x^2 / R with E* and G* per length: 4/3 E* R^0.5 = 5/4.
    """
    shear = 2.0 * (1.0 - poisson) / (2.0 - poisson)  # G* / E*
    e_star = 15.0 / 16.0  # with R = 1
    x = (np.arange(2000) + 0.5) / 2000.0  # contact radius a = d^0.5 at most 1
    stretch = np.zeros_like(x)
    step = 3.0 / steps
    depth, speed = 0.0, 1.0
    along, slope = tangent, 1.0 + 1.0 / inertia  # contact point: dv = -slope dP
    total_n = total_t = 0.0
    while speed > 0.0 or depth > 0.0:
        sunk = np.maximum(depth - x**2, 0.0)
        limit = friction * e_star * sunk
        stretch = np.where(sunk > 0.0, stretch + along * step, 0.0)
        stretch = np.clip(stretch, -limit / (shear * e_star), limit / (shear * e_star))
        pull = 2.0 * shear * e_star * stretch.mean()
        push = 1.25 * max(depth, 0.0) ** 1.5
        along -= slope * pull * step
        speed -= push * step
        depth += speed * step
        total_n, total_t = total_n + push * step, total_t + pull * step
    ratio = total_t / (friction * total_n) if friction < 1e3 else float("nan")
    return MawRebound(along / tangent, ratio)


def gross_slip_tangent(poisson: float, friction: float) -> float:
    """Tangent of the incidence above which the whole contact slips throughout.

    psi_1 = 4 chi - 1 with psi = 2 (1 - nu) tan / (friction (2 - nu)), chi = 7 (1 - nu) / (2 (2 -
    nu)) for a solid sphere (Maw, Barber and Fawcett 1976; from memory).
    """
    chi = 3.5 * (1.0 - poisson) / (2.0 - poisson)
    return (4.0 * chi - 1.0) * friction * (2.0 - poisson) / (2.0 * (1.0 - poisson))
