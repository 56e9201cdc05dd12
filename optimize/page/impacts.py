"""Impacts of the short list on the page: the deformed section, and the energy by layer."""

from collections.abc import Callable
from typing import Any

from layers.conditions import Conditions
from layers.energy.impact import record_impact
from layers.errors import InputError, SolverError
from optimize.report.impact_view import VIEW_FRAMES, impact_view
from optimize.search.result import Run


def impacts_of(
    run: Run, swing: str | None, tell: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Record an impact of every build of the short list.

    Parameters
    ----------
    run : Run
        A finished search.
    swing : str or None
        Name of a swing; None for a rigid barrier.
    tell : callable, optional
        Called with how many of how many are done.

    Returns
    -------
    list of dict
        A record each, of JSON's types; one that broke down says so under `failed`.
    """
    conditions = run.scenario.estimate_conditions() or Conditions()
    found = []
    for done, member in enumerate(run.short_list, start=1):
        try:
            seen = record_impact(member.ball, swing, conditions=conditions, frames=VIEW_FRAMES)
        except (SolverError, InputError) as error:
            found.append({"label": member.label, "failed": str(error)})
            continue
        found.append({"label": member.label, **impact_view(seen, member.ball)})
        if tell:
            tell(done, len(run.short_list))
    return found
