"""Candidates for a wanted profile and the next trials as tables and plain data."""

from collections.abc import Sequence
from typing import Any

from optimize.cure.candidates import Candidate
from optimize.cure.trials import Trial
from optimize.cure.wanted import Wanted
from optimize.report.tables import Section, columns


def find_sections(
    wanted: Wanted, found: Sequence[Candidate], trials: Sequence[Trial]
) -> list[Section]:
    """Tabulate the trade-off between misfit and time in the press, and the next trials.

    Parameters
    ----------
    wanted : Wanted
        The profile.
    found : sequence of Candidate
        Quickest first.
    trials : sequence of Trial
        In the order in which they were chosen.
    """
    rows = tuple(_row(number, c) for number, c in enumerate(found, start=1))
    heads = columns(
        "",
        ">press, min",
        "cycle",
        "peroxide",
        ">phr",
        ">co-agent, phr",
        ">filler, phr",
        ">misfit, Shore C",
        ">centre",
        ">surface",
        "~warnings",
    )
    source = found[0].profile.source
    notes = (
        f"Wanted: {wanted.shore_c[0]:g} Shore C at {wanted.position_mm[0]:g} mm, "
        f"{wanted.shore_c[-1]:g} at {wanted.position_mm[-1]:g} mm from the centre. Misfit: root "
        "mean square over the wanted places; to a centre or surface its 95 % interval.",
        f"Hardness map: {source}.",
    )
    sections = [Section("Recipes and cycles, quickest first", heads, rows, notes)]
    if trials:
        sections.append(_trials(trials))
    return sections


def _row(number: int, c: Candidate) -> tuple[str, ...]:
    low, high = c.profile.interval
    return (
        str(number),
        f"{c.cycle.minutes:.1f}",
        c.cycle.name,
        ", ".join(c.stock.peroxide),
        f"{c.recipe.phr('peroxide'):.2f}",
        f"{c.recipe.phr('co-agent'):.1f}",
        f"{c.recipe.phr('filler'):.1f}",
        f"{c.misfit:.1f}",
        *(f"{c.profile.shore_c[i]:.0f} ({low[i]:.0f} to {high[i]:.0f})" for i in (0, -1)),
        "; ".join(c.flags),
    )


def _trials(trials: Sequence[Trial]) -> Section:
    rows = tuple(
        (
            str(number),
            f"{t.settings['platen_celsius']:g}",
            f"{t.settings['minutes']:g}",
            f"{t.settings['coagent_phr']:g}",
            f"{t.settings['peroxide_phr']:.2f}",
            f"{t.before:.1f}",
            f"{t.after:.1f}",
        )
        for number, t in enumerate(trials, start=1)
    )
    heads = columns(
        "",
        ">platen, C",
        ">min",
        ">co-agent, phr",
        ">peroxide, phr",
        ">interval before, Shore C",
        ">after",
    )
    places = ", ".join(f"{r:.1f}" for r in trials[0].position_mm)
    notes = (
        f"Cut each core through its centre and read it at {places} mm. The interval is the half "
        "width, 95 %, that the map leaves to the profile of the closest candidate.",
    )
    return Section("Make and cut next", heads, rows, notes)


def find_record(
    wanted: Wanted, found: Sequence[Candidate], trials: Sequence[Trial]
) -> dict[str, Any]:
    """Return candidates and trials as plain data.

    Parameters
    ----------
    wanted, found, trials
        As for `find_sections`.
    """
    return {
        "wanted": [
            {"position_mm": float(r), "shore_c": float(s)}
            for r, s in zip(wanted.position_mm, wanted.shore_c, strict=True)
        ],
        "hardness_map": found[0].profile.source,
        "candidates": [_candidate(c) for c in found],
        "next_trials": [
            {
                **t.settings,
                "position_mm": t.position_mm.tolist(),
                "half_width_shore_c": {"before": t.before, "after": t.after},
            }
            for t in trials
        ],
    }


def _candidate(c: Candidate) -> dict[str, Any]:
    low, high = c.profile.interval
    return {
        "press_minutes": c.cycle.minutes,
        "cycle": c.cycle.model_dump(mode="json"),
        "peroxide": list(c.stock.peroxide),
        "parts_phr": {part.ingredient.name: part.phr for part in c.recipe.part},
        "misfit_shore_c": c.misfit,
        "shore_c": c.profile.shore_c.tolist(),
        "low_95": low.tolist(),
        "high_95": high.tolist(),
        "warnings": list(c.flags),
    }
