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
    poisson: float,
    friction: float,
    tangent: float,
    *,
    whole: tuple[float, float] = (0.0, 0.0),
    inertia: float = 0.4,
    steps: int = 4000,
) -> MawRebound:
    """Rebound at incidence arctan(tangent), of a sphere with I / (m R^2) = `inertia`.

    Dimensionless: mass, normal speed and greatest Hertz indentation are 1, F_n = 5/4 d^1.5.
    Independent springs under the profile x^2 / R with E* and G* per length: 4/3 E* R^0.5 = 5/4.

    `whole` leaves the small contact behind: springs in series with the contact, along the normal
    and along the face, their compliances given times G a (shear modulus, greatest Hertz radius).
    """
    shear = 2.0 * (1.0 - poisson) / (2.0 - poisson)  # G* / E*
    e_star = 15.0 / 16.0  # with R = 1
    modulus = 0.5 * e_star * (1.0 - poisson)  # G
    yield_n, yield_t = whole[0] / modulus, whole[1] / modulus
    reach = 1.25  # the contact may pass Hertz's radius
    x = (np.arange(2000) + 0.5) / 2000.0 * reach
    stiffness = 2.0 * shear * e_star * reach / len(x)
    stretch = np.zeros_like(x)
    step = 3.5 / steps
    depth, sunk_by, speed, pull = 0.0, 0.0, 1.0, 0.0
    along, slope = tangent, 1.0 + 1.0 / inertia  # contact point: dv = -slope dP
    total_n = total_t = 0.0
    while speed > 0.0 or depth > 0.0:
        for _ in range(3):  # Newton: the contact's share of the approach
            miss = sunk_by + yield_n * 1.25 * sunk_by**1.5 - depth
            sunk_by = max(sunk_by - miss / (1.0 + yield_n * 1.875 * sunk_by**0.5), 0.0)
        sunk = np.maximum(sunk_by - x**2, 0.0)
        limit = friction * sunk / shear
        touching = sunk > 0.0
        k = stiffness * touching.sum()
        held = stiffness * stretch[touching].sum()
        # The series spring takes its share of the motion, as if all stuck.
        after = (held + k * (along * step + yield_t * pull)) / (1.0 + k * yield_t)
        stretch = np.where(touching, stretch + along * step - yield_t * (after - pull), 0.0)
        stretch = np.clip(stretch, -limit, limit)
        pull = stiffness * stretch.sum()
        push = 1.25 * sunk_by**1.5
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
