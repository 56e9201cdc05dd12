"""A calibration as tables."""

import math

from optimize.calibration.result import WIDTH, Calibrated, Calibration
from optimize.report.tables import Section, columns, number
from optimize.report.words import label_of

_UNITS = {
    "youngs_modulus_mpa": "MPa",
    "density_g_cm3": "g/cm3",
    "dynamic_modulus_ratio": "",
    "relaxation_strength": "",
}


def left_out_errors(calibration: Calibration) -> dict[str, tuple[float, float]]:
    """Return rms relative errors by figure: with nominal cards, and of left-out builds.

    The second predicts each build from the others: it estimates the error of an unmeasured build
    of the same materials.
    """
    return {
        key: (
            _rms([math.log(o.measured / o.before) for o in observations]),
            _rms([math.log(o.measured / o.left_out) for o in observations]),
        )
        for key, observations in calibration.by_figure().items()
    }


def _rms(values: list[float]) -> float:
    return math.sqrt(sum(v * v for v in values) / len(values))


def calibration_sections(calibration: Calibration) -> list[Section]:
    """Tabulate cards, model discrepancy, and every mean with its predictions."""
    return [
        _cards(calibration),
        _errors(calibration),
        _observations(calibration),
        *_notes(calibration),
    ]


def _ends(p: Calibrated, sd: float, theta: float) -> tuple[float, float]:
    return p.parameter.value(theta - WIDTH * sd), p.parameter.value(theta + WIDTH * sd)


def _cards(calibration: Calibration) -> Section:
    rows = []
    for p in calibration.parameter:
        low, high = _ends(p, p.sd, p.theta)
        first, last = _ends(p, p.prior_sd, 0.0)
        digits = max((high - low) / 4.0, 1e-6)
        rows.append(
            (
                p.material,
                p.number,
                number(p.nominal, digits),
                f"{number(first, digits)} to {number(last, digits)}",
                number(p.parameter.value(p.theta), digits),
                f"{number(low, digits)} to {number(high, digits)}",
                _UNITS[p.number],
                "measured" if p.identified else "not identifiable from these data",
            )
        )
    heads = columns(
        "material", "number", ">nominal", ">prior, 95 %", ">calibrated", ">95 %", "unit", "grade"
    )
    return Section("Cards", heads, tuple(rows))


def _errors(calibration: Calibration) -> Section:
    left_out = left_out_errors(calibration)
    rows = []
    for d in calibration.discrepancy:
        before, after = left_out[d.key]
        rows.append(
            (
                label_of(d.key),
                f"{100 * math.expm1(d.bias):+.2f}",
                f"{100 * WIDTH * d.sd:.2f}",
                f"{100 * d.scatter:.2f}",
                f"{100 * d.noise:.2f}",
                str(d.readings),
                str(d.builds),
                f"{100 * before:.2f}",
                f"{100 * after:.2f}",
            )
        )
    heads = columns(
        "figure",
        ">bias, %",
        ">±, 95 %",
        ">scatter, %",
        ">noise, %",
        ">readings",
        ">builds",
        ">nominal error, %",
        ">left-out error, %",
    )
    notes = (
        "Bias: measured over predicted with calibrated cards, less 1. Scatter: its standard "
        "deviation from build to build. Noise: standard deviation of one reading.",
        "Nominal error: rms with nominal cards. Left-out error: rms of each build predicted from "
        "the others alone.",
    )
    return Section("Model discrepancy", heads, tuple(rows), notes)


def _observations(calibration: Calibration) -> Section:
    rows = []
    for o in calibration.observation:
        digits = o.measured * max(o.noise, 1e-4)
        away = math.log(o.measured / o.left_out) / o.left_out_sd
        rows.append(
            (
                o.build,
                label_of(o.figure),
                str(o.readings),
                number(o.measured, digits),
                number(o.before, digits),
                number(o.after, digits),
                number(o.left_out, digits),
                f"{away:+.1f}",
            )
        )
    heads = columns(
        "build",
        "figure",
        ">readings",
        ">measured",
        ">nominal",
        ">calibrated",
        ">left out",
        ">z-score",
    )
    return Section("Measured and predicted", heads, tuple(rows))


def _notes(calibration: Calibration) -> list[Section]:
    return [Section("Warnings", notes=calibration.note)] if calibration.note else []
