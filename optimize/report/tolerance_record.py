"""A tolerance study as plain data for JSON, and as CSV."""

from typing import Any

from layers.files.escaping import csv_text
from optimize.report.ball import version
from optimize.report.tolerance import move_words
from optimize.tolerance.exact import unit_of
from optimize.tolerance.nominal import Recentred
from optimize.tolerance.pass_rates import LimitRate, Rate, Spread, Tolerance


def tolerance_record(found: Tolerance, recentred: Recentred | None) -> dict[str, Any]:
    """Return a study, and the re-centred nominal if asked for, as plain data."""
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
        "joint": {
            origin: {**_rate_record(rate), "lot_range": list(found.level[origin])}
            for origin, rate in found.joint.items()
        },
        "tighten": [
            {"layer": t.layer + 1, "what": t.what, "gain": t.gain, "gain_error": t.error}
            for t in found.tighten
        ],
    }
    if recentred:
        record["recentred"] = {
            "wanted": recentred.wanted,
            "now": _rate_record(recentred.now),
            "changes": [
                {
                    "layer": m.source.layer + 1,
                    "changed": m.source.kind,
                    "by": move_words(m),
                    "reached": m.reached,
                    **_rate_record(m.rate),
                    "surrogate_error_over_deviation": m.surrogate_error,
                }
                for m in recentred.move
            ],
            "check_error_over_deviation": dict(recentred.check_error),
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
        "yield": rate.value,
        "standard_error": rate.error,
        "wilson_low": rate.low,
        "wilson_high": rate.high,
    }


def _limit_record(row: LimitRate) -> dict[str, Any]:
    return {
        "figure": row.limit.figure,
        "at_least": row.limit.low,
        "at_most": row.limit.high,
        "origin": row.limit.origin,
        **_rate_record(row.rate),
        "surrogate_range": list(row.surrogate),
        "model_range": list(row.model),
        "lot_range": list(row.level),
        "level_deviation": row.level_deviation,
    }


def tolerance_csv(found: Tolerance) -> str:
    """Write one row for each figure, then one for each limit."""
    heads = ["kind", "name", "unit", "nominal", "mean", "deviation", "q05", "q50", "q95"]
    heads += ["surrogate_error", "limit", "yield", "wilson_low", "wilson_high"]
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
