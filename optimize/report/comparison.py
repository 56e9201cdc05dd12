"""Balls side by side, and their differences."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from layers.figures import Estimate, Figure
from optimize.report.ball import TRUST, builds_section, digits_of, spread, version, warnings_section
from optimize.report.tables import Section, columns, csv_text, number, signed


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
