"""What an engineer reads of a finished search: short list, reasons, prices, provenance.

The same tables serve the terminal and the Markdown report; CSV and plain records serve scripts.
"""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from layers.ball import Ball
from layers.estimates import Estimate, Figure
from layers.files.escaping import csv_text
from layers.rules.screen import rule_set, screen
from optimize.ledger.decisions import starters
from optimize.report.ball import (
    TRUST,
    builds_section,
    digits_of,
    mark,
    rule_words,
    screen_words,
    spread,
    thicknesses_mm,
    version,
    warnings_section,
)
from optimize.report.decisions import decisions_record, decisions_sections, who_words
from optimize.report.profiles import profiles_section
from optimize.report.tables import Section, columns, number
from optimize.report.verdicts import verdict_sections, verdicts_record
from optimize.report.windows import fence_sections, fences_record
from optimize.report.words import (
    bound_words,
    goal_words,
    heading_of,
    in_words,
    label_of,
    line_of,
)
from optimize.scenario.brief import Scenario
from optimize.search.result import Member, Price, Run
from optimize.verdicts.verdicts import verdicts_of

# More columns than this do not fit 80 characters.
_MEMBERS_A_TABLE = 5


def brief_sections(run: Run, ledger: str) -> list[Section]:
    """Put together what is looked at first: verdicts, short list, its builds, the provenance."""
    sections = [*verdict_sections(run), _answer_section(run)]
    if run.short_list:
        sections += _builds_sections(run.short_list)
    sections += [*_check_sections(run), *decisions_sections(run.events)]
    return [*sections, _provenance_section(run, ledger)]


def run_sections(run: Run, ledger: str) -> list[Section]:
    """Put together everything about a run, the answer first.

    Parameters
    ----------
    run : Run
        The finished search.
    ledger : str
        The file with its evaluations.

    Returns
    -------
    list of Section
        The verdicts, the short list, its builds and figures, the price of each goal, the closest
        infeasible builds and which limit to relax, the brief, decisions and notes, and the
        provenance.
    """
    members = run.short_list
    sections = [*verdict_sections(run), _answer_section(run)]
    if members:
        sections += _builds_sections(members)
        sections += _figure_sections(run)
        sections += _stage_sections(members)
        sections += _rule_sections(run)
    sections += fence_sections(run)
    for member in members:
        sections += warnings_section(member.estimate)
    sections += [_brief_section(run.scenario), *_check_sections(run)]
    sections += decisions_sections(run.events)
    return [*sections, _provenance_section(run, ledger)]


def _builds_sections(members: Sequence[Member]) -> list[Section]:
    labels, balls = [m.label for m in members], [m.ball for m in members]
    return [builds_section(labels, balls), *profiles_section(balls, labels)]


def _answer_section(run: Run) -> Section:
    goals = [goal.figure for goal in run.scenario.goal]
    alike = any(member.indistinguishable_from for member in run.short_list)
    rows = []
    for member in run.short_list:
        figures = [_value(member.estimate.figures.get(name)) for name in goals]
        same = [" ".join(member.indistinguishable_from)] if alike else []
        rows.append((member.label, *figures, *same, _in_words(member.reason, run)))
    heads = columns(
        "", *(f">~{heading_of(name)}" for name in goals), *(["same as"] if alike else []), "~why"
    )
    notes = [_in_words(relaxation.sentence, run) for relaxation in run.relaxations]
    notes += [_in_words(price.sentence, run) for price in one_way(run.prices)]
    if alike:
        notes.append("same as: the same within the model's resolution in every goal.")
    notes += [run.lacking] if run.lacking else []
    title = (
        "Short list"
        if run.feasible
        else "No build meets all constraints; the closest infeasible builds"
    )
    if run.mesh == "fine":
        title += ", on the fine mesh"
        notes.append("All other builds are on the default mesh.")
    return Section(title, heads if rows else (), tuple(rows), tuple(notes))


def _in_words(sentence: str, run: Run) -> str:
    return in_words(sentence, run.scenario.figures())


def one_way(prices: Sequence[Price]) -> list[Price]:
    """Keep one price of two that say the same step of the same goals in both directions."""
    kept: dict[tuple[frozenset[str], frozenset[str]], Price] = {}
    for price in prices:
        step = (frozenset((price.goal, price.other)), frozenset((price.better, price.worse)))
        kept.setdefault(step, price)
    return sorted(kept.values(), key=lambda price: sorted((price.better, price.worse)))


def _value(figure: Figure | None) -> str:
    if figure is None:
        return "-"
    return f"{number(figure.value, digits_of(figure))}{mark(figure)}"


def _figure_sections(run: Run) -> list[Section]:
    """Tabulate every figure of the members, a few members a table."""
    sections = []
    for start in range(0, len(run.short_list), _MEMBERS_A_TABLE):
        some = run.short_list[start : start + _MEMBERS_A_TABLE]
        names = list(dict.fromkeys(name for m in some for name in m.estimate.figures))
        rows = []
        for name in names:
            found = [m.estimate.figures.get(name) for m in some]
            first = next(f for f in found if f is not None)
            rows.append((line_of(name), *map(_value, found), spread(first.difference_error)))
        heads = columns("~figure", *(f">{m.label}" for m in some), ">± between")
        sections.append(Section("Figures of the short list", heads, tuple(rows)))
    return sections


def _stage_sections(members: Sequence[Member]) -> list[Section]:
    """Tabulate what the lab measures of each stage while it makes a build."""
    rows = []
    for member in members:
        for count, stage in enumerate(member.stages, start=1):
            roles = member.ball.layer[count - 1].role
            cells = [_value(_by_quantity(stage, q)) for q in _STAGE_QUANTITIES]
            rows.append((member.label if count == 1 else "", f"{count}: to {roles}", *cells))
    heads = columns("", "stage", *(f">{heading_of(name)}" for name in _STAGE_QUANTITIES))
    return [Section("Stages, for control in production", heads, tuple(rows))]


_STAGE_QUANTITIES = ("diameter_mm", "mass_g", "moi_g_cm2", "deflection_mm")


def _by_quantity(stage: Estimate, quantity: str) -> Figure | None:
    for name, figure in stage.figures.items():
        if name.rpartition(".")[2].partition("@")[0] == quantity:
            return figure
    return None


def _rule_sections(run: Run) -> list[Section]:
    """Screen the members against the scenario's rule set: one row a limit and verdict."""
    if run.scenario.rules is None:
        return []
    rules = rule_set(run.scenario.rules)
    screens = {m.label: screen(m.estimate, rules) for m in run.short_list}
    rows = []
    for i, limit in enumerate(rules.limit):
        by_verdict: dict[str, list[str]] = {}
        for label, margins in screens.items():
            by_verdict.setdefault(screen_words(margins[i]), []).append(label)
        for verdict, labels in by_verdict.items():
            rows.append((label_of(limit.figure), rule_words(limit), verdict, " ".join(labels)))
    notes = (f"Status: {rules.status}.",)
    title = f"Rule set '{rules.name}' of {rules.as_of}: a screen, not a ruling"
    return [Section(title, columns("figure", "limit", "screen", "builds"), tuple(rows), notes)]


def _brief_section(scenario: Scenario) -> Section:
    rows = [("goal", goal_words(goal), "") for goal in scenario.goal]
    rows += [("limit", bound_words(bound), bound.source) for bound in scenario.bounds()]
    rows += [("start", build.name, "computed first") for build in scenario.start]
    if scenario.conditions:
        rows.append(("conditions", scenario.conditions.words(), "launch and flight figures"))
    notes = (scenario.question,) if scenario.question else ()
    return Section("The brief", columns("", "wanted", "~from"), tuple(rows), notes)


CHECK_HEADS = ("figure", "builds", "error", "in 68 %", "in 95 %")
CHECK_NOTES = (
    "Each of these builds was predicted before it was computed. error: root mean square.",
    "in 68 %, in 95 %: share within the intervals that should cover that share.",
    "The emulator chose the builds. Every figure above is computed; none is a prediction.",
)


def check_rows(run: Run) -> list[tuple[str, ...]]:
    """Say how accurate the emulator's predictions were, by figure; empty for a direct search."""
    return [
        (
            label_of(check.figure),
            str(check.builds),
            f"{100.0 * check.error:.2g} %",
            f"{100.0 * check.within_68:.0f} %",
            f"{100.0 * check.within_95:.0f} %",
        )
        for check in run.checks
    ]


def _check_sections(run: Run) -> list[Section]:
    if not run.checks:
        return []
    first, *others = CHECK_HEADS
    heads = columns(first, *(f">{name}" for name in others))
    return [Section("Accuracy of the emulator", heads, tuple(check_rows(run)), CHECK_NOTES)]


def _provenance_section(run: Run, ledger: str) -> Section:
    notes = [
        f"Run {run.id}, seed {run.seed}, orbwright {version()}, model {run.model_version}.",
        f"{run.evaluated} builds evaluated{_reused(run)}: {run.feasible} meet all constraints, "
        f"{run.infeasible} do not{_ruled_out(run)}.",
        f"Started by {who_words(started_by(run))}. All evaluations are in {ledger}.",
    ]
    notes += [f"{count} builds failed: {why}" for why, count in run.failed.items()]
    return Section("Provenance", notes=(*notes, *TRUST))


def started_by(run: Run) -> tuple[str, ...]:
    """Return who started a run or went on with it, each once; "" where the system knew no name."""
    return starters(run.events).get(run.id, ())


def _reused(run: Run) -> str:
    return f" ({run.reused} results taken from the ledger)" if run.reused else ""


def _ruled_out(run: Run) -> str:
    return f"; {run.ruled_out} more were ruled out by closed forms" if run.ruled_out else ""


def run_record(run: Run, ledger: str) -> dict[str, Any]:
    """Return plain data for JSON."""
    goals = [goal.figure for goal in run.scenario.goal]
    return {
        "orbwright": version(),
        "run": run.id,
        "seed": run.seed,
        "model_version": run.model_version,
        "lacking": run.lacking,
        "ledger": ledger,
        "scenario": run.scenario.model_dump(mode="json", exclude_none=True),
        "evaluated": run.evaluated,
        "feasible": run.feasible,
        "infeasible": run.infeasible,
        "ruled_out": run.ruled_out,
        "failed": dict(run.failed),
        "reused": run.reused,
        "verdicts": verdicts_record(verdicts_of(run)),
        "mesh": run.mesh,
        "short_list": [_member_record(member) for member in run.short_list],
        "front": [
            {"key": key, "goals": dict(zip(goals, values, strict=True))}
            for key, values in run.front
        ],
        "prices": [asdict(price) for price in run.prices],
        "relaxations": [asdict(relaxation) for relaxation in run.relaxations],
        "emulator_checks": [asdict(check) for check in run.checks],
        "started_by": list(started_by(run)),
        **decisions_record(run.events),
        "fences": fences_record(run),
        "trust": " ".join(TRUST),
    }


def _member_record(member: Member) -> dict[str, Any]:
    return {
        "label": member.label,
        "key": member.key,
        **member.estimate.as_record(),
        "stages": [
            {"figures": {name: asdict(f) for name, f in stage.figures.items()}}
            for stage in member.stages
        ],
        "violations": dict(member.violations),
        "reason": member.reason,
        "indistinguishable_from": list(member.indistinguishable_from),
    }


def short_list_csv(run: Run) -> str:
    """Write one row a member: its layers, its figures with their errors, the reason."""
    most = max((len(m.ball.layer) for m in run.short_list), default=0)
    layered = _layer_heads(run.scenario)
    heads = ["label", "key", "reason", "indistinguishable_from", "violations"]
    for count in range(1, most + 1):
        heads += [f"layer{count}_{name}" for name in layered]
    figures = list(dict.fromkeys(name for m in run.short_list for name in m.estimate.figures))
    for name in figures:
        heads += [name, f"{name}_difference_error", f"{name}_absolute_error"]
    return csv_text(heads, [_member_row(m, most, layered, figures) for m in run.short_list])


_PROFILE_HEADS = ("surface_over_centre", "shape")
_LAYER_HEADS = (
    "role",
    "outer_diameter_mm",
    "thickness_mm",
    "material",
    "youngs_modulus_mpa",
    "density_g_cm3",
)


def _layer_heads(scenario: Scenario) -> tuple[str, ...]:
    """Return the columns of a layer; those of a profile only where some layer is graded."""
    graded = any(layer.surface_over_centre for layer in scenario.layer)
    return _LAYER_HEADS + (_PROFILE_HEADS if graded else ())


def _member_row(
    member: Member, most: int, heads: Sequence[str], figures: Sequence[str]
) -> list[object]:
    broken = "; ".join(f"{what} by {over:.6g}" for what, over in member.violations.items())
    same = " ".join(member.indistinguishable_from)
    row: list[object] = [member.label, member.key, member.reason, same, broken]
    row += _layer_cells(member.ball, most, heads)
    for name in figures:
        figure = member.estimate.figures.get(name)
        if figure is None:
            row += ["", "", ""]
        else:
            row += [figure.value, figure.difference_error, figure.absolute_error]
    return row


def _layer_cells(ball: Ball, most: int, heads: Sequence[str]) -> list[object]:
    """Return the cells of the layers, those of layers that a ball lacks empty."""
    cells: list[object] = []
    for layer, thick in zip(ball.layer, thicknesses_mm(ball), strict=True):
        card = layer.material
        cells += [layer.role, layer.outer_diameter_mm, round(thick, 6), card.label]
        cells += [card.youngs_modulus_mpa.value, card.density_g_cm3.value]
        if len(heads) > len(_LAYER_HEADS):
            profile = layer.profile
            cells += [profile.contrast, profile.shape] if profile else ["", ""]
    return cells + [""] * (len(heads) * (most - len(ball.layer)))


def evaluations_csv(run: Run) -> str:
    """Write every evaluated build in the order of evaluation: layers, figures of goals and limits.

    A build that leaves optional layers out has its layers in the first columns.
    """
    most = max((len(build.ball.layer) for build in run.builds), default=0)
    layered = _layer_heads(run.scenario)
    heads = ["evaluation", "key"]
    heads += [f"layer{n}_{name}" for n in range(1, most + 1) for name in layered]
    figures = run.scenario.figures()
    rows: list[list[object]] = []
    for index, build in enumerate(run.builds, start=1):
        cells = _layer_cells(build.ball, most, layered)
        values = [build.figures[name].value for name in figures]
        rows.append([index, build.key, *cells, *values, not build.excess])
    return csv_text([*heads, *figures, "keeps_every_limit"], rows)
