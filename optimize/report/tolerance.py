"""Tolerance as an engineer reads it: tables, CSV and plain records."""

import math
from typing import Any

from layers.ball import Ball
from optimize.report.ball import version
from optimize.report.tables import Section, columns, csv_text, number
from optimize.tolerance.nominal import Move, Renominal
from optimize.tolerance.pass_rates import LimitRate, Rate, Spread, Tolerance
from optimize.tolerance.study import Source, is_exact, unit_of

_MOST_NAMED = 3
_LEAST_SHARE = 0.005
_JOINT_WORDS = {
    "asked": "all asked for, jointly",
    "rule": "all rules, jointly",
    "window": "all windows, jointly",
    "all": "all of these, jointly",
}


def tolerance_sections(found: Tolerance, shift: Renominal | None) -> list[Section]:
    """Tabulate scatter, distributions, pass rates, what to tighten and where to move."""
    sections = [_scatter_section(found), _spread_section(found)]
    if found.limit:
        sections += [_limit_section(found), _tighten_section(found)]
    if shift:
        sections.append(_shift_section(found, shift))
    return sections


def layer_word(ball: Ball, layer: int) -> str:
    """Return a layer's role, numbered from the centre where two layers have the same."""
    roles = [part.role for part in ball.layer]
    role = roles[layer]
    return role if roles.count(role) == 1 else f"{role} {roles[: layer + 1].count(role)}"


def source_word(ball: Ball, source: Source) -> str:
    """Say what scatters: core diameter."""
    return f"{layer_word(ball, source.layer)} {source.kind}"


def move_words(move: Move) -> str:
    """Write a move in the unit of a lab."""
    if move.source.kind == "diameter":
        return f"{move.by:+.3f} mm"
    by = move.by if move.source.kind == "density" else math.expm1(move.by)
    return f"{100.0 * by:+.2f} %"


def _scatter_section(found: Tolerance) -> Section:
    ball, scatter = found.study.ball, found.study.scatter
    rows = []
    for layer, part in enumerate(ball.layer):
        own = scatter.of(part.role)
        rows.append(
            (
                layer_word(ball, layer),
                f"{own.diameter_mm:g}",
                f"{own.density_percent:g}",
                f"{own.modulus_percent:g}",
                f"{own.concentricity_mm:g}" if layer else "",
            )
        )
    heads = columns(
        "layer", ">diameter, mm", ">density, %", ">modulus, %", ">concentricity, mm an axis"
    )
    note = f"Standard deviations from piece to piece, independent. {scatter.source}."
    return Section("Scatter of the process", heads, tuple(rows), (note.replace("..", "."),))


def _spread_section(found: Tolerance) -> Section:
    ball, sources = found.study.ball, found.study.sources
    rows = []
    for s in found.spread:
        digits = s.deviation / 3.0
        named = sorted(zip(s.shares, sources, strict=False), key=lambda item: -item[0])
        words = [
            f"{100 * share:.0f} % {source_word(ball, source)}"
            for share, source in named[:_MOST_NAMED]
            if share > _LEAST_SHARE
        ]
        nominal = "" if s.nominal is None else number(s.nominal, digits)
        rows.append(
            (
                s.name,
                unit_of(s.name),
                nominal,
                *(number(q, digits) for q in s.quantiles),
                f"{s.deviation:.3g}",
                _off(s),
                "; ".join(words),
            )
        )
    heads = columns(
        "figure",
        "unit",
        ">nominal",
        ">5 %",
        ">50 %",
        ">95 %",
        ">deviation",
        ">surrogate off, % of it",
        "~variance from",
    )
    notes = [
        f"{found.samples} pieces, seed {found.seed}. 'Surrogate off': root mean square against "
        "finite elements over 20 fresh pieces, over the deviation; solvers' ripple is in it.",
        "Finite elements take every piece as centred; balance, moments and walls do not.",
    ]
    notes += [f"not computed: {name}: {why}" for name, why in found.study.failed.items()]
    return Section("Figures from piece to piece", heads, tuple(rows), tuple(notes))


def _off(s: Spread) -> str:
    if is_exact(s.name):
        return "exact"
    return f"{100 * s.check_error / s.deviation:.1f}" if s.deviation else ""


def _percent(rate: Rate) -> tuple[str, ...]:
    return f"{100 * rate.value:.2f}", f"{100 * rate.low:.2f} to {100 * rate.high:.2f}"


def _range(span: tuple[float, float]) -> str:
    return f"{100 * span[0]:.1f} to {100 * span[1]:.1f}"


def _errors(row: LimitRate) -> tuple[str, str]:
    if is_exact(row.limit.figure):
        return "exact", "exact"
    return _range(row.surrogate), _range(row.model)


def _limit_section(found: Tolerance) -> Section:
    rows = [
        (
            f"{row.limit.figure} {row.limit.words}",
            row.limit.origin,
            *_percent(row.rate),
            *_errors(row),
        )
        for row in found.limit
    ]
    # One limit, or all of one origin: said once.
    shown = {k: v for k, v in found.joint.items() if k != "all" or len(found.joint) > 2}
    rows += [(f"**{_JOINT_WORDS[k]}**", "", *_percent(rate), "", "") for k, rate in shown.items()]
    heads = columns("limit", "of", ">pass, %", ">sampling 95 %", ">surrogate, %", ">model, %")
    note = (
        "'Sampling': Wilson's interval of the draw. 'Surrogate': if all values were off by its "
        "error. 'Model': if they were off by the figure's absolute error, which only calibration "
        "narrows; closed forms are exact of the piece as made. A screen, not a ruling."
    )
    return Section("Share of pieces that pass", heads, tuple(rows), (note,))


def _tighten_section(found: Tolerance) -> Section:
    rows = tuple(
        (
            f"{layer_word(found.study.ball, t.layer)} {t.what}",
            f"{100 * t.gain + 0.0:+.2f}",
            f"{100 * t.error:.2f}",
        )
        for t in found.tighten
    )
    heads = columns("deviation halved", ">pass, points", ">error")
    return Section("What to tighten first", heads, rows, ("Of the joint rate over all limits.",))


def _shift_section(found: Tolerance, shift: Renominal) -> Section:
    title = f"Nominal moved for {100 * shift.wanted:g} % of pieces within all limits"
    now = f"Now {100 * shift.now.value:.2f} %."
    if not shift.move:
        return Section(title, notes=(f"{now} The build reaches it as it is.",))
    rows = tuple(
        (
            source_word(found.study.ball, m.source),
            move_words(m),
            *_percent(m.rate),
            "yes" if m.reached else "no, the best there is",
            f"{100 * m.off:.1f}",
        )
        for m in shift.move
    )
    heads = columns(
        "moved alone", ">by", ">pass, %", ">sampling 95 %", "reached", ">off, % of deviation"
    )
    notes = [
        f"{now} Smallest in practice first. 'Off': surrogate less finite elements at the moved "
        "nominal, over the deviation of the worst figure, after correction."
    ]
    if not shift.move[0].reached:
        notes.append("No number moved alone reaches it: move two, tighten, or widen a limit.")
    if shift.check_error:
        worst = max(shift.check_error.values())
        notes.append(
            f"Over 20 fresh pieces of the first row's build the surrogate is off by up to "
            f"{100 * worst:.1f} % of a figure's deviation."
        )
    return Section(title, heads, rows, tuple(notes))


def tolerance_record(found: Tolerance, shift: Renominal | None) -> dict[str, Any]:
    """Return the same as plain data for JSON."""
    ball = found.study.ball
    record: dict[str, Any] = {
        "orbwright": version(),
        "ball": ball.model_dump(mode="json"),
        "scatter": found.study.scatter.model_dump(mode="json"),
        "samples": found.samples,
        "seed": found.seed,
        "figures": [_spread_record(found, s) for s in found.spread],
        "failed": dict(found.study.failed),
        "limits": [_limit_record(row) for row in found.limit],
        "joint": {origin: _rate_record(rate) for origin, rate in found.joint.items()},
        "tighten": [
            {"layer": t.layer + 1, "what": t.what, "gain": t.gain, "gain_error": t.error}
            for t in found.tighten
        ],
    }
    if shift:
        record["shift"] = {
            "wanted": shift.wanted,
            "now": _rate_record(shift.now),
            "moves": [
                {
                    "layer": m.source.layer + 1,
                    "moved": m.source.kind,
                    "by": move_words(m),
                    "reached": m.reached,
                    **_rate_record(m.rate),
                    "off_over_deviation": m.off,
                }
                for m in shift.move
            ],
            "check_error_over_deviation": dict(shift.check_error),
        }
    return record


def _spread_record(found: Tolerance, s: Spread) -> dict[str, Any]:
    low, middle, high = s.quantiles
    sources = found.study.sources
    return {
        "figure": s.name,
        "unit": unit_of(s.name),
        "nominal": s.nominal,
        "mean": s.mean,
        "deviation": s.deviation,
        "q05": low,
        "q50": middle,
        "q95": high,
        "surrogate_error": s.check_error,
        "absolute_error": s.absolute_error,
        "variance_share": {
            f"layer {source.layer + 1} {source.kind}": share
            for source, share in zip(sources, s.shares, strict=False)
        },
    }


def _rate_record(rate: Rate) -> dict[str, float]:
    return {
        "pass": rate.value,
        "standard_error": rate.error,
        "wilson_low": rate.low,
        "wilson_high": rate.high,
    }


def _limit_record(row: LimitRate) -> dict[str, Any]:
    return {
        "figure": row.limit.figure,
        "at_least": row.limit.low,
        "at_most": row.limit.high,
        "of": row.limit.origin,
        **_rate_record(row.rate),
        "surrogate_range": list(row.surrogate),
        "model_range": list(row.model),
    }


def tolerance_csv(found: Tolerance) -> str:
    """Write one row a figure, then one a limit."""
    heads = ["kind", "name", "unit", "nominal", "mean", "deviation", "q05", "q50", "q95"]
    heads += ["surrogate_error", "limit", "pass", "wilson_low", "wilson_high"]
    rows: list[list[object]] = []
    for s in found.spread:
        numbers = [s.nominal, s.mean, s.deviation, *s.quantiles, s.check_error]
        rows.append(["figure", s.name, unit_of(s.name), *numbers, "", "", "", ""])
    for row in found.limit:
        rate, name = row.rate, row.limit.figure
        passed = [row.limit.words, rate.value, rate.low, rate.high]
        rows.append([row.limit.origin, name, unit_of(name), *[""] * 7, *passed])
    for origin, rate in found.joint.items():
        rows.append(["joint", origin, "", *[""] * 8, rate.value, rate.low, rate.high])
    return csv_text(heads, rows)
