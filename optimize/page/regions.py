"""Where drag and lift count in a flight of the short list, for the page."""

import math
from typing import Any

import numpy as np

from layers.conditions import Conditions
from layers.errors import InputError, SolverError
from layers.flight.influence import FIGURES, influence
from layers.flight.regions import middles, shares
from layers.mass import inertia
from optimize.ledger.rows import Known
from optimize.search.result import Member

_CARRY = FIGURES.index("carry")
# Regions with less than this share of the flight's time are left out.
_LEAST_TIME = 0.02


def regions_record(
    member: Member, known: Known, swing: str, conditions: Conditions
) -> dict[str, Any] | None:
    """Return the regions of a member's flight, the most time first; None where it cannot be flown.

    Parameters
    ----------
    member : Member
        A build of the short list.
    known : Known
        Its launches.
    swing : str
        Whose flight.
    conditions : Conditions
        Air, wind, drag and lift.

    Returns
    -------
    dict or None
        ``label`` of the member; ``rows`` of Reynolds number in 1e5, spin ratio, share of the time
        in percent, and m of carry by 0.01 less CD and by 0.01 more CL; ``whole``, the last two of
        the whole plane.
    """
    launch = [
        known.figures.get(f"{swing}.{name}")
        for name in ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")
    ]
    if None in launch:
        return None
    speed, angle, spin = (figure.value for figure in launch if figure is not None)
    weather = conditions.weather(swing)
    try:
        flown = influence(
            speed,
            math.radians(angle),
            max(spin, 0.0) * math.pi / 30.0,
            mass=inertia.mass(member.ball.body()),
            diameter=1e-3 * member.ball.diameter_mm,
            law=conditions.law_of(member.ball.dimple_pattern),
            air=weather.air,
            wind=weather.wind,
        )
    except (SolverError, InputError):
        return None
    parts, at = shares(flown), middles()
    time = 100.0 * parts.time / parts.time.sum()
    by_drag, by_lift = -0.01 * parts.drag[_CARRY], 0.01 * parts.lift[_CARRY]
    order = np.argsort(-time, kind="stable")
    return {
        "label": member.label,
        "rows": [
            [
                round(float(at[i, 0]) / 1e5, 3),
                float(at[i, 1]),
                round(float(time[i]), 1),
                round(float(by_drag[i]), 4),
                round(float(by_lift[i]), 4),
            ]
            for i in order
            if time[i] >= 100.0 * _LEAST_TIME
        ],
        "whole": [round(float(by_drag.sum()), 4), round(float(by_lift.sum()), 4)],
    }
