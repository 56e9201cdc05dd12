"""Balls side by side, and their differences."""

from collections.abc import Sequence
from typing import Any

from layers.estimates import Difference, Estimate, Figure
from layers.files.escaping import csv_text
from layers.resolution.difference import differences
from optimize.report.ball import TRUST, builds_section, digits_of, spread, version, warnings_section
from optimize.report.profiles import profiles_section
from optimize.report.tables import Section, columns, number, signed
from optimize.report.words import line_of


def comparison_sections(
    estimates: Sequence[Estimate], steps: Sequence[dict[str, Difference]]
) -> list[Section]:
    """Tabulate balls side by side; the first is the reference.

    Parameters
    ----------
    estimates : sequence of Estimate
        Of the balls.
    steps : sequence of dict
        Differences of each other ball from the first, by figure.
    """
    letters = "ABCD"[: len(estimates)]
    first, *others = estimates
    values = [
        (line_of(name), *(_value(e.figures.get(name), figure) for e in estimates))
        for name, figure in first.figures.items()
    ]
    told = [
        (
            line_of(name),
            *(_step(d.get(name), figure) for d in steps),
            _errors([d[name] for d in steps if name in d]),
        )
        for name, figure in first.figures.items()
    ]
    note = (
        "≈: below the numerical resolution; in brackets: below the error with what is not known of "
        "the cards. ± is the error of the difference, of several the largest: what the two builds "
        "do not share of mesh, contact and cards."
    )
    heads = columns("~figure", *(f">{letter}" for letter in letters))
    step_heads = columns(*(f">{letter} - A" for letter in letters[1:]), ">±")
    tables = [
        Section("Figures", heads, tuple(values)),
        Section("Differences from A", (heads[0], *step_heads), tuple(told), (note,)),
    ]
    if len(others) == 1:  # narrow enough for one table
        joined = tuple((*v, *s[1:]) for v, s in zip(values, told, strict=True))
        tables = [Section("Figures", (*heads, *step_heads), joined, (note,))]
    return [
        builds_section(letters, [e.ball for e in estimates], named=True),
        *profiles_section([e.ball for e in estimates], letters),
        *tables,
        *(section for e in estimates for section in warnings_section(e)),
    ]


def _value(figure: Figure | None, first: Figure) -> str:
    return "-" if figure is None else number(figure.value, digits_of(first))


def _step(difference: Difference | None, first: Figure) -> str:
    if difference is None:
        return "-"
    if abs(difference.value) <= difference.numerical_error:
        return "≈"
    if not difference.beyond_error:
        return f"({signed(difference.value, digits_of(first))})"
    return f"**{signed(difference.value, digits_of(first))}**"


def _errors(steps: Sequence[Difference]) -> str:
    return spread(max((step.error for step in steps), default=0.0))


def from_first(estimates: Sequence[Estimate]) -> list[dict[str, Difference]]:
    """Return the differences of each other ball from the first, by figure."""
    return [differences(estimates[0], other) for other in estimates[1:]]


def comparison_record(
    estimates: Sequence[Estimate], steps: Sequence[dict[str, Difference]]
) -> dict[str, Any]:
    """Return plain data for JSON: every estimate and the differences from the first."""
    return {
        "orbwright": version(),
        "reference": estimates[0].ball.name,
        "estimates": [e.as_record() for e in estimates],
        "differences": [
            {
                "ball": e.ball.name,
                "figures": _steps_record(e, step),
            }
            for e, step in zip(estimates[1:], steps, strict=True)
        ],
        "trust": " ".join(TRUST),
    }


def _steps_record(other: Estimate, steps: dict[str, Difference]) -> dict[str, Any]:
    return {
        name: {
            "figure": name,
            "value": other.figures[name].value,
            "difference": step.value,
            "difference_error": step.error,
            "standard_error": step.standard_error,
            "numerical_error": step.numerical_error,
            "parts": dict(step.parts),
            "beyond_error": step.beyond_error,
        }
        for name, step in steps.items()
    }


def comparison_csv(estimates: Sequence[Estimate], steps: Sequence[dict[str, Difference]]) -> str:
    """Write one row a ball and figure, with the difference from the first ball."""
    rows = []
    for e, against in zip(estimates, ({}, *steps), strict=True):
        for name, f in e.figures.items():
            d = against.get(name)
            step = (d.value, d.beyond_error) if d else ("", "")
            errors = (f.difference_error, f.absolute_error)
            words = (f.basis, f.flag, f.caution)
            rows.append((e.ball.name, name, f.value, f.unit, *errors, *step, *words))
    heads = ("ball", "figure", "value", "unit", "difference_error", "absolute_error")
    more = ("difference_from_first", "beyond_error", "basis", "flag", "caution")
    return csv_text((*heads, *more), rows)
