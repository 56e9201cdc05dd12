"""What an engineer reads of one ball or of several: tables, CSV and plain records."""

from collections.abc import Sequence
from dataclasses import asdict
from functools import cache
from importlib import metadata
from itertools import pairwise
from typing import Any

from layers.ball import Ball
from layers.estimates import Estimate, Figure
from layers.figures import FigureName, parse_figure, printed
from layers.mass.inertia import dimple_mass, layer_volume
from layers.rules.screen import Margin, RuleLimit, RuleSet
from optimize.report.profiles import profiles_section
from optimize.report.tables import Section, columns, number, signed
from optimize.report.words import described_of, label_of, unit_of, with_unit

TRUST = (
    "The model ranks builds: '± between builds' is the numerical error of a figure; near builds "
    "share most of it.",
    "'± absolute' is the error of the number itself; the shipped materials are representative, so "
    "an absolute claim needs calibration on the lab's own measurements.",
)


@cache  # a look through the installed packages
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


def mark(figure: Figure) -> str:
    """Return the sign that points to a figure's warning below its table."""
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
        "",
        "layer",
        ">outer dia., mm",
        ">thickness, mm",
        ">mass, g",
        ">E, MPa",
        ">g/cm³",
        "~material",
    )
    return Section("Layers, centre outward", heads, tuple(rows))


def figure_sections(estimate: Estimate) -> list[Section]:
    """Tabulate the figures, one table a stage."""
    by_title: dict[str, list[tuple[str, ...]]] = {}
    for name, figure in estimate.figures.items():
        parsed = parse_figure(name)
        digits = digits_of(figure)
        row = (
            described_of(name),
            f"{number(figure.value, digits)}{mark(figure)}",
            printed(figure.unit),
            spread(figure.difference_error),
            spread(figure.absolute_error),
            figure.basis,
        )
        by_title.setdefault(_title(estimate.ball, parsed), []).append(row)
    heads = columns("~figure", ">value", "unit", ">± between builds", ">± absolute", "basis")
    return [Section(title, heads, tuple(rows)) for title, rows in by_title.items()]


def _title(ball: Ball, figure: FigureName) -> str:
    if figure.swing:
        return f"Launch and flight: {figure.swing}"
    if figure.stage is None or figure.stage == len(ball.layer):
        return "Figures of the finished ball"
    roles = " + ".join(layer.role for layer in ball.layer[: figure.stage])
    return f"Figures of stage {figure.stage}: {roles}"


def warnings_section(estimate: Estimate) -> list[Section]:
    """List the figures that are flagged, outside their models' range, or not computed."""
    figures = {label_of(name): figure for name, figure in estimate.figures.items()}
    notes = [f"! {label}: {f.flag}" for label, f in figures.items() if f.flag]
    notes += [f"* {label}: {f.caution}" for label, f in figures.items() if f.caution]
    notes += [f"not computed: {label_of(name)}: {why}" for name, why in estimate.failed.items()]
    return [Section("Warnings", notes=tuple(notes))] if notes else []


def rule_words(limit: RuleLimit) -> str:
    """Write a limit's bound with its unit."""
    if limit.at_least is not None:
        return f"at least {with_unit(limit.at_least, limit.figure)}"
    assert limit.at_most is not None  # by validation: exactly one bound
    return f"at most {with_unit(limit.at_most, limit.figure)}"


def verdict_words(margin: Margin) -> str:
    """Say a verdict; one that is not certain says on which side of the limit the value is.

    Parameters
    ----------
    margin : Margin
        Of a build to a limit.
    """
    if margin.verdict == "within":
        return margin.verdict
    if margin.verdict != "within error of the limit" or margin.margin is None:
        return f"**{margin.verdict}**"
    beyond = signed(abs(margin.margin), margin.absolute_error).removeprefix("+")
    side = "inside" if margin.margin >= 0.0 else "over"
    return f"**{side} by {beyond}, within error**"


def screen_words(margin: Margin) -> str:
    """Say a verdict, with the unit of its number.

    Parameters
    ----------
    margin : Margin
        Of a build to a limit.
    """
    words, unit = verdict_words(margin), unit_of(margin.limit.figure)
    return words.replace(", within", f" {unit}, within") if unit else words


def rules_section(rules: RuleSet, margins: Sequence[Margin]) -> Section:
    """Tabulate the margins to a rule set; worded as a screen, not a ruling."""
    rows = []
    for margin in margins:
        limit, error = margin.limit, margin.absolute_error
        known = margin.value is not None and margin.margin is not None
        rows.append(
            (
                label_of(limit.figure),
                rule_words(limit),
                number(margin.value or 0.0, error) if known else "not computed",
                signed(margin.margin or 0.0, error) if known else "",
                number(error, error) if known else "",
                unit_of(limit.figure),
                screen_words(margin),
            )
        )
    notes = [f"{label_of(m.limit.figure)}: {m.limit.source} ({m.limit.grade})." for m in margins]
    heads = columns("figure", "limit", ">value", ">margin", ">± absolute", "unit", "screen")
    title = f"Rule set '{rules.name}' of {rules.as_of}: a screen, not a ruling"
    return Section(title, heads, tuple(rows), (f"Status: {rules.status}.", *notes))


def estimate_sections(
    estimate: Estimate, rules: RuleSet | None, margins: Sequence[Margin]
) -> list[Section]:
    """Put together everything about one ball.

    Parameters
    ----------
    estimate : Estimate
        The ball's figures.
    rules : RuleSet or None
        The rule set of the screen; None for no screen.
    margins : sequence of Margin
        What `layers.rules.screen.screen` gave for both.
    """
    sections = [layers_section(estimate.ball), *profiles_section([estimate.ball])]
    sections += figure_sections(estimate)
    if rules is not None:
        sections.append(rules_section(rules, margins))
    return [*sections, *warnings_section(estimate), Section("", notes=TRUST)]


def estimate_record(
    estimate: Estimate, rules: RuleSet | None, margins: Sequence[Margin]
) -> dict[str, Any]:
    """Return plain data for JSON: the ball, its figures, the margins and the version.

    Parameters
    ----------
    estimate, rules, margins
        As for `estimate_sections`.
    """
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
    """Tabulate the layers of several balls; `named` adds what each label stands for.

    Parameters
    ----------
    labels : sequence of str
        A letter for each ball.
    balls : sequence of Ball
        The builds, as many.
    named : bool
        Whether to add each ball's name under the table.
    """
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
    heads = columns(
        "", "layer", ">outer dia., mm", ">thickness, mm", ">E, MPa", ">g/cm³", "~material"
    )
    names = [f"{label}: {b.name}" for label, b in zip(labels, balls, strict=True)] if named else []
    pairs = [(label, b.dimple_pattern) for label, b in zip(labels, balls, strict=True)]
    if any(pattern for _, pattern in pairs):
        said = "; ".join(f"{label} {pattern or 'none named'}" for label, pattern in pairs)
        names.append(f"Dimple pattern: {said}.")
    return Section("Builds", heads, tuple(rows), tuple(names))
