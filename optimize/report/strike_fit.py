"""A fitted swing and a tester's score, as tables."""

import math

from layers.compression.tester import Score, SpringTester
from optimize.calibration.strike_fit import WARN, StrikeFit
from optimize.report.tables import Section, columns, number


def fit_sections(fit: StrikeFit) -> list[Section]:
    """Tabulate the fitted numbers, and each mean with the model before and after."""
    numbers = tuple(
        (
            f.field,
            number(f.value, f.error if math.isfinite(f.error) else f.value),
            number(f.error, f.error) if math.isfinite(f.error) else "",
            "fitted" if f.identified else "not identifiable from these launches: unchanged",
        )
        for f in fit.fitted
    )
    rows = tuple(
        (
            o.build,
            o.figure,
            number(o.measured, o.model_error),
            number(o.before, o.model_error),
            number(o.after, o.model_error),
            number(o.model_error, o.model_error),
        )
        for o in fit.launch
    )
    wide = tuple(
        (quantity, number(half, 0.1 * half)) for quantity, half in fit.interval_percent.items()
    )
    notes = [
        "± is one standard deviation: scatter of the robot's replicates and the model's numerical "
        "error. Friction is valid for this cover and state of the face only."
    ]
    if fit.degrees_of_freedom:
        notes.insert(0, _misfit(fit))
    return [
        Section("Numbers of the swing", columns("number", ">value", ">±", "~result"), numbers),
        Section(
            "Launches",
            columns("build", "figure", ">measured", ">before", ">after", ">±"),
            rows,
            tuple(notes),
        ),
        Section(
            "Another ball off this club, 95 % interval",
            columns("figure", ">± %"),
            wide,
            ("For balls of the kind that were hit; the order of near balls is closer than this.",),
        ),
    ]


def _misfit(fit: StrikeFit) -> str:
    told = f"Weighted misfit {fit.chi_square:.1f} with {fit.degrees_of_freedom} degrees of freedom"
    if fit.misfit > WARN:
        return (
            f"{told}: this head does not make these launches. Set loft, attack or height free, "
            "correct the head's inertia and depth, or check the builds' cards."
        )
    return told + (
        f": standard errors are multiplied by the Birge ratio, {fit.misfit:.2f}."
        if fit.misfit > 1.0
        else "."
    )


def score_sections(score: Score, tester: SpringTester) -> list[Section]:
    """Tabulate a score and the calibrated tester."""
    known = tester.calibration
    assert known is not None  # scores are of calibrated testers
    rows = (
        ("score", number(score.points, score.error), number(score.error, score.error), ""),
        ("force", f"{score.force:.0f}", "", "N"),
        (
            "tester's spring",
            number(known.spring_rate * 1e-3, known.spring_rate_error * 1e-3),
            number(known.spring_rate_error * 1e-3, known.spring_rate_error * 1e-3),
            "N/mm",
        ),
        (
            "tester's travel",
            number(known.travel * 1e3, known.travel_error * 1e3),
            number(known.travel_error * 1e3, known.travel_error * 1e3),
            "mm",
        ),
    )
    note = (
        "The mechanism's dead travel (0.05 in) and the size of a point (0.001 in) are from memory. "
        "± includes one point of error in each reference's score."
    )
    return [Section("Spring-type tester", columns("", ">value", ">±", "unit"), rows, (note,))]
