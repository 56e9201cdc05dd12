"""Rigid club heads by lumped impulses, and the rule on clubs' restitution."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from layers.ball import Body
from layers.mass.inertia import mass, moment_of_inertia
from layers.strike.launch import Launch, Strike
from layers.strike.strike import club_impact

# The rule on clubs: a ball at 160 ft/s, restitution 0.822 and a tolerance of 0.008; about 0.77 to
# 0.78 without spring effect (common practice).
RULE_SPEED, RULE_LIMIT = 160.0 * 0.3048, 0.830


def club_restitution(body: Body, strike: Strike) -> float:
    """Restitution of a club at 160 ft/s by the rule's formula, the ball met at right angles.

    A ball fired at a free head at rest is the same impact as a head that meets a ball at rest:
    v_ball = V (1 + e) M / (M + m).
    """
    straight = replace(
        strike,
        club_speed=RULE_SPEED,
        dynamic_loft=0.0,
        attack_angle=0.0,
        impact_height=0.0,
        friction=0.0,
    )
    speed = club_impact(body, straight).ball_speed
    return speed / RULE_SPEED * (1.0 + mass(body) / strike.club_mass) - 1.0


def face_stiffness(body: Body, strike: Strike, limit: float = RULE_LIMIT) -> float:
    """Stiffness (N/m) on the rising side that brings a club to a restitution, this ball given."""

    def over(log: float) -> float:
        return club_restitution(body, replace(strike, face_stiffness=math.exp(log))) - limit

    return math.exp(brentq(over, math.log(9e6), math.log(1e8), xtol=1e-3))


@dataclass(frozen=True)
class Lumped:
    """Launch by lumped impulses: speed (m/s), angle above the face's normal (rad), spin (rad/s)."""

    speed: float
    angle: float
    spin: float


def lumped_launch(body: Body, strike: Strike, free: Launch) -> Lumped:
    """Launch off a rigid head that turns, by two impulses at one point of rigid bodies.

    The approach w = (V cos a, V sin a) of face and ball along and across the normal is changed by
    the impulses P (normal) and T (tangential), W [P, T] = (1 + e, 1 + k) w, with the mobility W of
    ball and head together. e, k and the ball's lever are those of `free`, the same head kept from
    turning; the point of contact climbs by what the face slides in half the contact time. Rigid
    heads by impulses: Penner 2001, Am. J. Phys. 69, 563, restated.
    """
    m, inertia = mass(body), moment_of_inertia(body)
    p, t = impulses(body, strike, free)
    lever = inertia * free.spin / t
    still = 1.0 / m + 1.0 / strike.club_mass
    mobility = np.diag([still, still + lever**2 / inertia])
    change = mobility @ np.array([p, t])
    across = strike.club_speed * math.sin(strike.dynamic_loft - strike.attack_angle)
    climb = 0.5 * free.contact_time * (across - 0.5 * t / m)
    arm = np.array([strike.impact_height + climb, strike.depth])
    turn = 0.0 if strike.inertia is None else 1.0 / strike.inertia
    p, t = np.linalg.solve(mobility + turn * np.outer(arm, arm), change)
    return Lumped(math.hypot(p, t) / m, -math.atan2(t, p), float(lever * t / inertia))


def impulses(body: Body, strike: Strike, launch: Launch) -> tuple[float, float]:
    """Normal and tangential impulse, in the axes of the face at first touch, N s."""
    lean = launch.launch_angle - strike.dynamic_loft
    size = mass(body) * launch.ball_speed
    return size * math.cos(lean), -size * math.sin(lean)
