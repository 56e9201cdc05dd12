"""A look into one impact of a build; runs in the computing process."""

from typing import Any

from layers.ball import Ball
from layers.conditions import Conditions
from layers.energy.impact import record_impact
from optimize.bench.jobs import BARRIER
from optimize.report.impact_view import VIEW_FRAMES, impact_view


def impact_of(ball: Ball, impact: str, conditions: Conditions | None) -> dict[str, Any]:
    """Record an impact; return its section at greatest compression and the energy by layer.

    Parameters
    ----------
    ball : Ball
        The build.
    impact : str
        Name of a swing, or `BARRIER`.
    conditions : Conditions or None
        Where the swing is found; the shipped ones otherwise.

    Returns
    -------
    dict
        As `optimize.report.impact_view.impact_view` has it.
    """
    swing = None if impact == BARRIER else impact
    seen = record_impact(ball, swing, conditions=conditions, frames=VIEW_FRAMES)
    return impact_view(seen, ball)
