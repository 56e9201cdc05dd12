"""All that the page shows, as plain data."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from layers.estimates import Figure
from optimize.page.axes import axes_record
from optimize.page.builds import gather, thinned
from optimize.page.decisions import decisions_of
from optimize.page.flights import flights_record
from optimize.page.launches import Launches
from optimize.page.members import (
    differences_record,
    figures_record,
    margins_record,
    members_record,
)
from optimize.page.provenance import provenance_record
from optimize.page.sensitivity import regression_record, sobol_record
from optimize.page.slopes import slopes_record
from optimize.page.sobol import Sobol
from optimize.page.units import units_record
from optimize.report.pictures.section import SHADES, SOFTEST, STIFFEST
from optimize.report.run import one_way
from optimize.report.units import stated_in_trade
from optimize.report.verdicts import verdict_groups
from optimize.report.words import (
    better_words,
    bound_words,
    goal_words,
    in_words,
    layer_names,
    question_of,
    summary_of,
    unit_of,
)
from optimize.scenario.goals import Goal
from optimize.search.result import Run
from optimize.sensitivity.slopes import Slopes

_INFEASIBLE, _FEASIBLE, _FRONT = 0, 1, 2


def page_data(
    run: Run,
    found: Launches,
    ledger: str,
    more: Mapping[str, Mapping[str, Figure]] | None = None,
    sobol: Sobol | None = None,
    slopes: Mapping[str, Slopes] | None = None,
    written: datetime | None = None,
    impacts: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Gather the page.

    Parameters
    ----------
    run : Run
        A finished search.
    found : Launches
        Launches of its short list.
    ledger : str
        File of its evaluations.
    more : mapping of str to (mapping of str to Figure), optional
        Further known figures, by the build's key.
    sobol : Sobol, optional
        Sobol indices, where an emulator gave them.
    slopes : mapping of str to Slopes, optional
        Local sensitivities by member's label, where they are computed.
    written : datetime, optional
        When; now otherwise.
    impacts : sequence of dict
        Of the short list, from `optimize.page.impacts.impacts_of`.

    Returns
    -------
    dict
        Of JSON's types; numbers to 7 digits.
    """
    whole, run = run, thinned(run)
    figures = gather(run, more)
    members = members_record(run, found)
    for member in members:
        local = (slopes or {}).get(member["label"])
        member["slopes"] = slopes_record(local) if local else None
    named = dict.fromkeys([*figures.names, *(name for m in members for name in m["figures"])])
    bounds = run.scenario.bounds()
    place = {bound: i for i, bound in enumerate(bounds)}
    needed = run.scenario.figures()
    front = {key for key, _ in run.front}
    shown = {
        "title": run.scenario.name,
        "question": question_of(run),
        "summary": summary_of(whole, len(run.builds)),
        "run": run.id,
        "verdicts": [
            {"title": title, "sentences": sentences}
            for title, sentences in verdict_groups(whole).items()
        ],
        "differences": differences_record(run, found),
        "decisions": decisions_of(run),
        "feasible": run.feasible,
        "goals": [_goal_record(goal) for goal in run.scenario.goal],
        "bounds": [
            {
                **{"figure": b.figure, "side": b.side, "value": b.value, "words": bound_words(b)},
                "stated_in_trade": stated_in_trade(b.value, unit_of(b.figure), b.figure),
            }
            for b in bounds
        ],
        "figures": figures_record(list(named)),
        "axes": axes_record(run, figures),
        "state": [
            _INFEASIBLE if b.excess else _FRONT if b.key in front else _FEASIBLE for b in run.builds
        ],
        "violated": [[place[bound] for bound in build.excess] for build in run.builds],
        "keys": [build.key[:12] for build in run.builds],
        "roles": layer_names(run.scenario),
        "members": members,
        "margins": margins_record(run),
        "prices": [in_words(p.sentence, needed) for p in one_way(run.prices)],
        "relaxations": [in_words(r.sentence, needed) for r in run.relaxations],
        "regression": regression_record(run, figures),
        "sobol": sobol_record(sobol) if sobol else None,
        "flights": flights_record(run, found),
        "impacts": list(impacts),
        "shading": {"stops": SHADES, "softest": SOFTEST, "stiffest": STIFFEST},
        "provenance": provenance_record(whole, found, ledger, written or datetime.now(UTC)),
    }
    return shown | {"units": units_record(shown)}


def _goal_record(goal: Goal) -> dict[str, Any]:
    return goal.model_dump() | {"words": goal_words(goal), "better": better_words(goal)}
