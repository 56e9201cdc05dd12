"""The short list on the page: cards and margins to every limit."""

from itertools import combinations
from typing import Any

from layers.ball_file import ball_toml
from layers.estimates import Estimate, Figure
from optimize.ledger.rows import Known
from optimize.page.builds import places_of, rounded
from optimize.page.launches import Launches
from optimize.report.ball import digits_of
from optimize.report.tables import number, signed
from optimize.report.units import number_in_trade
from optimize.report.words import (
    bound_words,
    help_of,
    in_words,
    label_of,
    owner_of,
    short_of,
    unit_of,
    with_unit,
)
from optimize.scenario.goals import Bound
from optimize.scenario.space import Space
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.scenario.windows import bounded_figure
from optimize.search.judge import is_closed_form
from optimize.search.result import Member, Run
from optimize.verdicts.rivals import resolution

_NOTHING = Known({}, {})


def members_record(run: Run, found: Launches) -> list[dict[str, Any]]:
    """Return the short list: place among the builds, figures, reason, stages."""
    place = {build.key: i for i, build in enumerate(run.builds)}
    names = run.scenario.figures()
    records = []
    for member in run.short_list:
        flown = found.known.get(member.label, _NOTHING)
        figures = _figures_of(member, found)
        records.append(
            {
                "label": member.label,
                "build": place[member.key],
                "key": member.key,
                "toml": ball_toml(member.ball),
                "reason": in_words(member.reason, names) + _pattern_words(member),
                "alike": list(member.indistinguishable_from),
                "figures": {name: _figure_cells(figure) for name, figure in figures.items()},
                "failed": {**member.estimate.failed, **flown.failed},
                "stages": [
                    {name: _figure_cells(f) for name, f in stage.figures.items()}
                    for stage in member.stages
                ],
            }
        )
    return records


def _pattern_words(member: Member) -> str:
    pattern = member.ball.dimple_pattern
    return f"; dimple pattern {pattern}" if pattern else ""


def _figures_of(member: Member, found: Launches) -> dict[str, Figure]:
    return {**member.estimate.figures, **found.known.get(member.label, _NOTHING).figures}


def differences_record(run: Run, found: Launches) -> dict[str, list[float | None]]:
    """Return by figure the error of the difference of every two members.

    Pairs are in the order (first, second), (first, third), ..., (second, third), ...; None where
    one of the two lacks the figure. Figures without any error are left out.
    """
    balls = [Estimate(m.ball, _figures_of(m, found)) for m in run.short_list]
    records = {}
    for name in dict.fromkeys(name for ball in balls for name in ball.figures):
        errors = [_error(a, b, name) for a, b in combinations(balls, 2)]
        if any(errors):
            records[name] = [None if e is None else float(f"{e:.3g}") for e in errors]
    return records


def _error(a: Estimate, b: Estimate, name: str) -> float | None:
    """Return the error of a difference; none where it is that of rounding the figure itself."""
    if name not in a.figures or name not in b.figures:
        return None
    error = resolution(a, b, name)
    return error if error > 1e-9 * abs(a.figures[name].value) else 0.0


def _figure_cells(figure: Figure) -> list[Any]:
    """Value, error of a difference, absolute error, basis, and its flag or caution."""
    errors = (figure.difference_error, figure.absolute_error)
    note = figure.flag or figure.caution
    return [rounded(figure.value), *(float(f"{e:.3g}") for e in errors), figure.basis, note]


def figures_record(names: list[str]) -> dict[str, dict[str, str]]:
    """Describe figures: label, unit, meaning, and the swing or stage that they are of."""
    return {
        name: {
            "label": label_of(name),
            "short": short_of(name),
            "owner": owner_of(name),
            "unit": unit_of(name),
            "help": help_of(name),
        }
        for name in names
    }


def margins_record(run: Run) -> list[dict[str, Any]]:
    """Return each member's margin to each bound, those of rules and limits first.

    A positive margin is inside. A sentence names the members within the figure's error of a bound.
    """
    bounds = sorted(
        run.scenario.bounds(), key=lambda b: b.figure in (CENTRE_DIAMETER, FILL_DENSITY)
    )
    records = []
    for bound in bounds:
        cells = [_margin(run, member, bound) for member in run.short_list]
        records.append(
            {
                "words": bound_words(bound),
                "source": bound.source,
                "cells": cells,
                "near": _near(run, bound, cells),
            }
        )
    return records


def _margin(run: Run, member: Member, bound: Bound) -> dict[str, Any]:
    found = _bounded_figure(run, member, bound.figure)
    if found is None:
        return {"label": member.label, "text": "not computed"}
    inward = bound.value - found.value if bound.side == "at most" else found.value - bound.value
    margin = inward - bound.margin
    digits = digits_of(found) or 0.01
    met = bound.excess(found.value) == 0.0
    text = f"{number(found.value, digits)} ({signed(margin, digits)})"
    return {
        "label": member.label,
        "text": text,
        "trade": number_in_trade(text, unit_of(bound.figure), bound.figure),
        "margin": rounded(margin),
        "error": found.absolute_error,
        "met": met,
        "near": abs(margin) < found.absolute_error,
    }


def _near(run: Run, bound: Bound, cells: list[dict[str, Any]]) -> str:
    """Name the members within their figure's error of a bound; empty if none."""
    near = [cell for cell in cells if cell.get("near")]
    if not near:
        return ""
    who = " ".join(cell["label"] for cell in near)
    error = with_unit(float(f"{max(cell['error'] for cell in near):.2g}"), bound.figure)
    exact = is_closed_form(bound.figure)  # only figures with an error get here
    why = "a made ball may differ by that much" if exact else "the verdict is not certain"
    return f"{bound_words(bound)}: {who} within the figure's error of ±{error}; {why}"


def _bounded_figure(run: Run, member: Member, figure: str) -> Figure | None:
    """Return the figure of a bound; two that no estimate gives follow from the layers."""
    if figure == CENTRE_DIAMETER:
        value = member.ball.layer[0].outer_diameter_mm
        return Figure(figure, value, "mm", "closed form", 0.0, 0.0)
    if figure == FILL_DENSITY:
        value = _filled_density(run, member)
        return Figure(figure, value, "g/cm3", "closed form", 0.0, 0.0)
    return bounded_figure(figure, run.scenario.fence, member.ball, member.estimate.figures)


def _filled_density(run: Run, member: Member) -> float:
    fill = run.scenario.fill
    assert fill is not None  # otherwise nothing bounds it
    row = next(build.row for build in run.builds if build.key == member.key)
    layer = places_of(Space(run.scenario), row).index(fill.layer - 1)
    return member.ball.layer[layer].material.density_g_cm3.value
