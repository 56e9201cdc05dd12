"""What an engineer reads of one ball or of several: tables, CSV and plain records."""

from collections.abc import Sequence
from dataclasses import asdict
from importlib import metadata
from itertools import pairwise
from typing import Any

from layers.ball import Ball
from layers.figures import Estimate, Figure, FigureName, parse_figure
from layers.mass.inertia import dimple_mass, layer_volume
from layers.rules.screen import Margin, RuleLimit, RuleSet
from optimize.report.tables import Section, columns, number, signed

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
