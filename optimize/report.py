"""What an engineer reads of one ball or of several: tables, CSV and plain records."""

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from importlib import metadata
from itertools import pairwise
from typing import Any

from layers.ball import Ball
from layers.figures import QUANTITIES, Estimate, Figure, FigureName, parse_figure
from layers.inertia import dimple_mass, layer_volume
from layers.materials import Catalogue
from layers.rules import Margin, RuleLimit, RuleSet, rule_sets
from layers.swings import default_swings
from optimize.tables import Section, columns, number, signed

TRUST = (
    "Ranking builds is what the model is good for: '± between builds' is how far a difference is "
    "trusted between builds of the same materials.",
    "'± by itself' is how far the number is trusted alone; the shipped materials are "
    "representative, so an absolute claim needs calibration on the lab's own measurements.",
)


def version() -> str:
    """Return the installed version of orbwright."""
    return metadata.version("orbwright")


def layer_masses_g(ball: Ball) -> list[float]:
    """Return each layer's mass, g; the dimples are taken from the outermost."""
    body = ball.body()
    grams = [float(m) * 1e3 for m in layer_volume(body) * body.density]
    grams[-1] -= dimple_mass(body) * 1e3
    return grams


def thicknesses_mm(ball: Ball) -> list[float]:
    """Return each layer's thickness, mm; a core's is its radius."""
    radii = [0.0] + [layer.outer_diameter_mm / 2.0 for layer in ball.layer]
    return [outer - inner for inner, outer in pairwise(radii)]


def spread(error: float) -> str:
    """Write an error's half width."""
    return "exact" if error == 0.0 else number(error, error)


def _unit(unit: str) -> str:
    return "" if unit == "1" else unit


def mark(figure: Figure) -> str:
    """Return the sign that sends the reader to what is said of a figure below its table."""
    return " !" if figure.flag else " *" if figure.caution else ""


def digits_of(figure: Figure) -> float:
    """Return the error that decides how many digits of a figure are shown."""
    return figure.difference_error or figure.absolute_error


def layers_section(ball: Ball) -> Section:
    """Tabulate the layers, centre outward."""
    rows = []
    for count, (layer, thick, grams) in enumerate(
        zip(ball.layer, thicknesses_mm(ball), layer_masses_g(ball), strict=True), start=1
    ):
        card = layer.material
        rows.append(
            (
                str(count),
                layer.role,
                f"{layer.outer_diameter_mm:.2f}",
                f"{thick:.2f}",
                f"{grams:.2f}",
                f"{card.youngs_modulus_mpa.value:g}",
                f"{card.density_g_cm3.value:.4g}",
                card.label,
            )
        )
    heads = columns(
        "", "layer", ">across, mm", ">thick, mm", ">mass, g", ">E, MPa", ">g/cm3", "~material"
    )
    return Section("Layers, centre outward", heads, tuple(rows))


def figure_sections(estimate: Estimate) -> list[Section]:
    """Tabulate the figures, one table a stage."""
    by_title: dict[str, list[tuple[str, ...]]] = {}
    for name, figure in estimate.figures.items():
        parsed = parse_figure(name)
        digits = digits_of(figure)
        row = (
            name.partition(".")[2] if parsed.stage or parsed.swing else name,
            f"{number(figure.value, digits)}{mark(figure)}",
            _unit(figure.unit),
            spread(figure.difference_error),
            spread(figure.absolute_error),
            figure.basis,
        )
        by_title.setdefault(_title(estimate.ball, parsed), []).append(row)
    heads = columns("figure", ">value", "unit", ">± between builds", ">± by itself", "basis")
    return [Section(title, heads, tuple(rows)) for title, rows in by_title.items()]


def _title(ball: Ball, figure: FigureName) -> str:
    if figure.swing:
        return f"Figures of the strike '{figure.swing}'"
    if figure.stage is None or figure.stage == len(ball.layer):
        return "Figures of the finished ball"
    roles = " + ".join(layer.role for layer in ball.layer[: figure.stage])
    return f"Figures of stage {figure.stage}: {roles}"


def warnings_section(estimate: Estimate) -> list[Section]:
    """List figures that should not be relied on, or only so far, or could not be computed."""
    notes = [f"! {name}: {f.flag}" for name, f in estimate.figures.items() if f.flag]
    notes += [f"* {name}: {f.caution}" for name, f in estimate.figures.items() if f.caution]
    notes += [f"not computed: {name}: {why}" for name, why in estimate.failed.items()]
    return [Section("Take care", notes=tuple(notes))] if notes else []


def bound_words(limit: RuleLimit) -> str:
    """Write a limit's bound."""
    if limit.at_least is not None:
        return f"at least {limit.at_least:g}"
    return f"at most {limit.at_most:g}"


def rules_section(rules: RuleSet, margins: Sequence[Margin]) -> Section:
    """Tabulate the margins to a rule set; worded as a screen, not a ruling."""
    rows = []
    for margin in margins:
        limit, error = margin.limit, margin.absolute_error
        known = margin.value is not None and margin.margin is not None
        rows.append(
            (
                limit.figure,
                bound_words(limit),
                number(margin.value or 0.0, error) if known else "not computed",
                signed(margin.margin or 0.0, error) if known else "",
                number(error, error) if known else "",
                margin.verdict if margin.verdict == "within" else f"**{margin.verdict}**",
            )
        )
    notes = [f"{m.limit.figure}: {m.limit.source} ({m.limit.grade})." for m in margins]
    heads = columns("figure", "limit", ">value", ">margin", ">± by itself", "screen")
    title = f"Rule set '{rules.name}' of {rules.as_of}: a screen, not a ruling"
    return Section(title, heads, tuple(rows), (f"Status: {rules.status}.", *notes))


def estimate_sections(
    estimate: Estimate, rules: RuleSet | None, margins: Sequence[Margin]
) -> list[Section]:
    """Put together everything about one ball."""
    sections = [layers_section(estimate.ball), *figure_sections(estimate)]
    if rules is not None:
        sections.append(rules_section(rules, margins))
    return [*sections, *warnings_section(estimate), Section("", notes=TRUST)]


def estimate_record(
    estimate: Estimate, rules: RuleSet | None, margins: Sequence[Margin]
) -> dict[str, Any]:
    """Return plain data for JSON: the ball, its figures, the margins and the version."""
    record = {"orbwright": version(), **estimate.as_record(), "trust": " ".join(TRUST)}
    if rules is not None:
        record["rule_screen"] = {
            "rule_set": rules.name,
            "as_of": rules.as_of.isoformat(),
            "status": rules.status,
            "margins": [asdict(m) | {"limit": m.limit.model_dump(mode="json")} for m in margins],
        }
    return record


@dataclass(frozen=True)
class Difference:
    """How a figure of one ball stands to the same figure of the first.

    `beyond_error` says that the difference is larger than what the model resolves between builds.
    """

    figure: str
    value: float
    difference: float
    difference_error: float
    beyond_error: bool


def differences(reference: Estimate, other: Estimate) -> dict[str, Difference]:
    """Compare the figures that both balls have.

    Parameters
    ----------
    reference, other : Estimate
        The first ball and one that is held against it.

    Returns
    -------
    dict of str to Difference
        By figure; the larger of the two figures' errors decides what is resolved.
    """
    found = {}
    for name, figure in other.figures.items():
        if name not in reference.figures:
            continue
        first = reference.figures[name]
        step = figure.value - first.value
        error = max(first.difference_error, figure.difference_error)
        found[name] = Difference(name, figure.value, step, error, abs(step) > error)
    return found


def comparison_sections(estimates: Sequence[Estimate]) -> list[Section]:
    """Tabulate balls side by side; the first is the reference."""
    letters = "ABCD"[: len(estimates)]
    first, *others = estimates
    values = [
        (name, *(_value(e.figures.get(name), figure) for e in estimates))
        for name, figure in first.figures.items()
    ]
    against = [differences(first, other) for other in others]
    steps = [
        (name, *(_step(d.get(name), figure) for d in against), spread(figure.difference_error))
        for name, figure in first.figures.items()
    ]
    note = (
        "≈: less than the model resolves between builds of the same materials (± between builds)."
    )
    heads = columns("figure", *(f">{letter}" for letter in letters))
    step_heads = columns(*(f">{letter} - A" for letter in letters[1:]), ">± between builds")
    tables = [
        Section("Figures", heads, tuple(values)),
        Section("Differences from A", (heads[0], *step_heads), tuple(steps), (note,)),
    ]
    if len(others) == 1:  # narrow enough to stand in one table
        joined = tuple((*v, *s[1:]) for v, s in zip(values, steps, strict=True))
        tables = [Section("Figures", (*heads, *step_heads), joined, (note,))]
    return [
        builds_section(letters, [e.ball for e in estimates], named=True),
        *tables,
        *(section for e in estimates for section in warnings_section(e)),
    ]


def _value(figure: Figure | None, first: Figure) -> str:
    return "-" if figure is None else number(figure.value, digits_of(first))


def _step(difference: Difference | None, first: Figure) -> str:
    if difference is None:
        return "-"
    if not difference.beyond_error:
        return "≈"
    return f"**{signed(difference.difference, digits_of(first))}**"


def builds_section(labels: Sequence[str], balls: Sequence[Ball], named: bool = False) -> Section:
    """Tabulate the layers of several balls; `named` adds what each label stands for."""
    rows = [
        (
            label if i == 0 else "",
            layer.role,
            f"{layer.outer_diameter_mm:.2f}",
            f"{thick:.2f}",
            f"{layer.material.youngs_modulus_mpa.value:g}",
            f"{layer.material.density_g_cm3.value:.4g}",
            layer.material.label,
        )
        for label, ball in zip(labels, balls, strict=True)
        for i, (layer, thick) in enumerate(zip(ball.layer, thicknesses_mm(ball), strict=True))
    ]
    heads = columns("", "layer", ">across, mm", ">thick, mm", ">E, MPa", ">g/cm3", "~material")
    names = [f"{label}: {b.name}" for label, b in zip(labels, balls, strict=True)] if named else []
    return Section("Builds", heads, tuple(rows), tuple(names))


def comparison_record(estimates: Sequence[Estimate]) -> dict[str, Any]:
    """Return plain data for JSON: every estimate and the differences from the first."""
    return {
        "orbwright": version(),
        "reference": estimates[0].ball.name,
        "estimates": [e.as_record() for e in estimates],
        "differences": [
            {
                "ball": e.ball.name,
                "figures": {k: asdict(d) for k, d in differences(estimates[0], e).items()},
            }
            for e in estimates[1:]
        ],
        "trust": " ".join(TRUST),
    }


def comparison_csv(estimates: Sequence[Estimate]) -> str:
    """Write one row a ball and figure, with the difference from the first ball."""
    rows = []
    for index, e in enumerate(estimates):
        against = differences(estimates[0], e)
        for name, f in e.figures.items():
            d = against.get(name) if index else None
            step = (d.difference, d.beyond_error) if d else ("", "")
            errors = (f.difference_error, f.absolute_error)
            words = (f.basis, f.flag, f.caution)
            rows.append((e.ball.name, name, f.value, f.unit, *errors, *step, *words))
    heads = ("ball", "figure", "value", "unit", "difference_error", "absolute_error")
    more = ("difference_from_first", "beyond_error", "basis", "flag", "caution")
    return csv_text((*heads, *more), rows)


def csv_text(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Write rows as CSV text with a heading line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows(rows)
    return text.getvalue()


def figures_sections() -> list[Section]:
    """List what can be asked for."""
    titles = {
        "body": "Figures of a ball or a stage",
        "swing": "Figures of a swing",
        "club": "Figures of a club, over its swings",
    }
    sections = []
    for of, title in titles.items():
        asked = {name: q for name, q in QUANTITIES.items() if q.of == of}
        if of == "body":
            heads = columns("name", "unit", "basis", "at", "~meaning")
            rows = [(n, q.unit, q.basis, _at(q.default), q.help) for n, q in asked.items()]
            sections.append(Section(title, heads, tuple(rows)))
        else:
            heads = columns("name", "unit", "basis", "~meaning")
            plain = [(n, q.unit, q.basis, q.help) for n, q in asked.items()]
            sections.append(Section(title, heads, tuple(plain)))
    swings = default_swings().swing
    clubs = dict.fromkeys(swing.club for swing in swings)
    notes = (
        "Another condition stands after @: speed_ratio@45 (m/s), deflection_mm@98-1275 (N).",
        "A stage, the innermost layers as a body of its own, stands before a dot: "
        "stage1.deflection_mm.",
        f"So does a swing, 'driver fast.spin_rpm', or a club: 'driver.carry_spread_m'. Swings: "
        f"{', '.join(swing.name for swing in swings)}. Clubs: {', '.join(clubs)}.",
        "Rule sets: " + ", ".join(f"'{rules.name}'" for rules in rule_sets()) + ".",
    )
    return [*sections, Section("Names", notes=notes)]


def _at(values: tuple[float, ...]) -> str:
    return "-".join(f"{value:.5g}" for value in values)


def materials_sections(catalogue: Catalogue, sources: bool) -> list[Section]:
    """List the cards; with `sources`, where every number comes from."""
    rows = [
        (
            card.name,
            f"{card.youngs_modulus_mpa.value:g}",
            f"{card.poisson_ratio.value:g}",
            f"{card.density_g_cm3.value:g}",
            f"{card.dynamic_stiffening.value:g}",
            f"{card.friction.value:g}",
            card.youngs_modulus_mpa.grade,
        )
        for card in catalogue.material
    ]
    heads = columns(
        "material", ">E, MPa", ">Poisson", ">g/cm3", ">stiffening", ">friction", "grade of E"
    )
    table = Section("Materials", heads, tuple(rows))
    if not sources:
        hint = "Where each number comes from: orbwright materials --sources (or --json)."
        return [table, Section("", notes=(hint,))]
    return [table, *(_sources_section(catalogue, i) for i in range(len(catalogue.material)))]


def _sources_section(catalogue: Catalogue, index: int) -> Section:
    card = catalogue.material[index]
    rows = []
    for field, value in card:
        if hasattr(value, "source"):
            rows.append((field, f"{value.value:g}", value.grade, value.source))
    pairs = ", ".join(f"{p.strength:g} in {p.time_us:g} us" for p in card.relaxation) or "none"
    rows.append(("relaxation", pairs, card.relaxation_grade, card.relaxation_source))
    return Section(card.name, columns("number", ">value", "grade", "~source"), tuple(rows))
