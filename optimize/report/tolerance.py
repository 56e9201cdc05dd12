"""A tolerance study as tables."""

import math

from layers.ball import Ball
from layers.figures import printed
from optimize.report.tables import Section, columns, number
from optimize.report.words import label_of
from optimize.tolerance.exact import THICKNESS, is_exact, unit_of
from optimize.tolerance.limits import Limit
from optimize.tolerance.nominal import Move, Recentred
from optimize.tolerance.pass_rates import LimitRate, Rate, Spread, Tolerance
from optimize.tolerance.pieces import Source

_MOST_NAMED = 3
_LEAST_SHARE = 0.005
# A yield whose interval is wider than this, percent, is no number.
_UNKNOWN = 50.0
_JOINT_WORDS = {
    "given": "all given limits jointly",
    "rule": "all rules jointly",
    "window": "all windows jointly",
    "all": "all of these jointly",
}


def tolerance_sections(found: Tolerance, recentred: Recentred | None) -> list[Section]:
    """Tabulate scatter, distributions, yields, what to tighten and the re-centred nominal."""
    sections = [_scatter_section(found), _spread_section(found)]
    if found.limit:
        sections += [_limit_section(found), _tighten_section(found)]
    if recentred:
        sections.append(_recentred_section(found, recentred))
    return sections


_BALANCE_WORDS = {
    "imbalance_g_mm": "static imbalance",
    "minimum_moi_g_cm2": "minimum principal MOI",
    "maximum_moi_g_cm2": "maximum principal MOI",
    "moi_asymmetry_percent": "MOI asymmetry",
}


def figure_word(name: str) -> str:
    """Return a figure's label, also of an eccentric piece: minimum thickness of layer 2."""
    match = THICKNESS.fullmatch(name)
    if match:
        return f"{match[2]} thickness of layer {match[1]}"
    return _BALANCE_WORDS.get(name) or label_of(name)


def layer_word(ball: Ball, layer: int) -> str:
    """Return a layer's role, numbered from the centre outward if two layers have it."""
    roles = [part.role for part in ball.layer]
    role = roles[layer]
    return role if roles.count(role) == 1 else f"{role} {roles[: layer + 1].count(role)}"


def source_word(ball: Ball, source: Source) -> str:
    """Name a source, as in 'core diameter'."""
    return f"{layer_word(ball, source.layer)} {source.kind}"


def move_words(move: Move) -> str:
    """Write a change in a lab's units."""
    if move.source.kind == "diameter":
        return f"{move.by:+.3f} mm"
    by = move.by if move.source.kind == "density" else math.expm1(move.by)
    return f"{100.0 * by:+.2f} %"


def _scatter_section(found: Tolerance) -> Section:
    ball, scatter = found.study.ball, found.study.scatter
    kinds = [kind for kind in _RELATIVE if any(s.kind == kind for s in found.study.sources)]
    rows = []
    for layer, part in enumerate(ball.layer):
        own = scatter.of(part.role)
        for lots in (False, True):
            cells = [
                "" if s is None else f"{100.0 * (s.lot if lots else s.deviation):g}"
                for s in (_source(found, layer, kind) for kind in kinds)
            ]
            rows.append(
                (
                    layer_word(ball, layer),
                    "lot to lot" if lots else "piece to piece",
                    "" if lots else f"{own.diameter_mm:g}",
                    *cells,
                    f"{own.concentricity_mm:g}" if layer and not lots else "",
                )
            )
    heads = columns(
        "layer",
        "scatter",
        ">diameter, mm",
        *(f">{kind}, %" for kind in kinds),
        ">eccentricity, mm per axis",
    )
    note = f"Standard deviations, independent. Source: {scatter.source}.".replace("..", ".")
    return Section("Scatter of the process", heads, tuple(rows), (note,))


_RELATIVE = ("density", "modulus", "loss", "dynamic ratio", "friction", "contrast")


def _source(found: Tolerance, layer: int, kind: str) -> Source | None:
    """Return what scatters; None where no figure depends on it."""
    alike = (s for s in found.study.sources if s.layer == layer and s.kind == kind)
    return next(alike, None)


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
                figure_word(s.name),
                printed(unit_of(s.name)),
                nominal,
                *(number(q, digits) for q in s.quantiles),
                f"{s.deviation:.3g}",
                _surrogate_error(s),
                "; ".join(words),
            )
        )
    heads = columns(
        "~figure",
        "unit",
        ">nominal",
        ">5 %",
        ">50 %",
        ">95 %",
        ">std. dev.",
        ">surrogate error, %",
        "~variance from",
    )
    notes = [
        f"{found.samples} pieces, seed {found.seed}. Surrogate error: root mean square against "
        "finite elements over 20 fresh pieces, in percent of the standard deviation; it contains "
        "discretisation noise.",
        "Finite elements take every core as concentric; imbalance, MOI and thickness do not.",
    ]
    notes += [f"Not computed: {name}: {why}" for name, why in found.study.failed.items()]
    return Section("Figures from piece to piece", heads, tuple(rows), tuple(notes))


def _surrogate_error(s: Spread) -> str:
    if is_exact(s.name):
        return "exact"
    return f"{100 * s.check_error / s.deviation:.1f}" if s.deviation else ""


def _percent(rate: Rate) -> tuple[str, ...]:
    return f"{100 * rate.value:.2f}", f"{100 * rate.low:.2f} to {100 * rate.high:.2f}"


def _within(rate: Rate, level: tuple[float, float]) -> tuple[str, str]:
    """Write a yield and its interval with the digits that the interval's width deserves."""
    low, high = min(rate.low, level[0]), max(rate.high, level[1])
    width = 100.0 * (high - low)
    digits = min(2, max(0, -math.floor(math.log10(width)))) if width > 0.0 else 2
    value = f"{100 * rate.value:.{digits}f}"
    if width >= _UNKNOWN:
        value = "not known"
    return value, f"{100 * low:.{digits}f} to {100 * high:.{digits}f}"


def _range(span: tuple[float, float]) -> str:
    return f"{100 * span[0]:.1f} to {100 * span[1]:.1f}"


def _errors(row: LimitRate) -> tuple[str, str]:
    if is_exact(row.limit.figure):
        return "exact", "exact"
    return _range(row.surrogate), _range(row.model)


def _limit_words(limit: Limit) -> str:
    words = limit.words
    if limit.low is not None and limit.high is not None:
        words = f"from {limit.low:.5g} to {limit.high:.5g}"
    return f"{figure_word(limit.figure)} {words} {printed(unit_of(limit.figure))}".rstrip()


def _limit_section(found: Tolerance) -> Section:
    rows: list[tuple[str, ...]] = [
        (
            _limit_words(row.limit),
            row.limit.origin,
            *_within(row.rate, row.level),
            *_errors(row),
        )
        for row in found.limit
    ]
    # With limits of one origin only, the joint yield is shown once.
    shown = {k: v for k, v in found.joint.items() if k != "all" or len(found.joint) > 2}
    rows += [
        (f"**{_JOINT_WORDS[k]}**", "", *_within(rate, found.level[k]), "", "")
        for k, rate in shown.items()
    ]
    heads = columns(
        "~limit", "origin", ">yield, %", ">a lot's, 95 %", ">surrogate, %", ">model, at most, %"
    )
    note = (
        "Yield: of pieces about the nominal. A lot's: Wilson interval of the draw, and 95 % "
        "interval over lots, surrogate and the model's error, which are common to all pieces. "
        "Surrogate: range if all values are off by its error. Model: range if they are off by the "
        "figure's absolute error, which only calibration narrows. Closed forms are exact for the "
        "piece as made. For rules this is a screen, not a ruling."
    )
    return Section("Yield", heads, tuple(rows), (note, *_near_notes(found)))


def _near_notes(found: Tolerance) -> list[str]:
    """Name the limits that are as near to the nominal as the level is uncertain."""
    notes = []
    for row in found.limit:
        nominal = found.study.nominal.get(row.limit.figure)
        if nominal is None:
            continue
        ends = [abs(nominal.value - end) for end in (row.limit.low, row.limit.high) if end]
        margin, error = min(ends, default=math.inf), 1.96 * row.level_deviation
        unit = printed(unit_of(row.limit.figure))
        if margin < error:
            notes.append(
                f"{_limit_words(row.limit)}: the margin of {margin:.2g} {unit}".rstrip()
                + f" is below the uncertainty of the level, {error:.2g} {unit}".rstrip()
                + " (95 %, lots and model): the yield depends on it."
            )
    return notes


def _tighten_section(found: Tolerance) -> Section:
    rows = tuple(
        (
            f"{layer_word(found.study.ball, t.layer)} {t.what}",
            f"{100 * t.gain + 0.0:+.2f}",
            f"{100 * t.error:.2f}",
        )
        for t in found.tighten
    )
    heads = columns("standard deviation halved", ">yield, points", ">std. error")
    return Section(
        "What to tighten first",
        heads,
        rows,
        ("Gain in joint yield over all limits, percentage points.",),
    )


def _recentred_section(found: Tolerance, recentred: Recentred) -> Section:
    title = f"Re-centred nominal for a yield of {100 * recentred.wanted:g} %"
    now = f"Yield now {100 * recentred.now.value:.2f} %."
    if not recentred.move:
        return Section(title, notes=(f"{now} No change is needed.",))
    rows = tuple(
        (
            source_word(found.study.ball, m.source),
            move_words(m),
            *_percent(m.rate),
            "yes" if m.reached else "no, best yield",
            f"{100 * m.surrogate_error:.1f}",
        )
        for m in recentred.move
    )
    heads = columns(
        "changed alone", ">by", ">yield, %", ">sampling, 95 %", "reached", ">surrogate error, %"
    )
    notes = [
        f"{now} Easiest in a lab first. Surrogate error: after correction, against finite elements "
        "at the changed nominal, in percent of the worst figure's standard deviation. These yields "
        "are from piece to piece: lots and the model's error, which give the yield above its "
        "interval, are not in them."
    ]
    if not recentred.move[0].reached:
        notes.append(
            "No single change reaches it: change two, tighten the process, or widen a limit."
        )
    if recentred.check_error:
        worst = max(recentred.check_error.values())
        notes.append(
            f"Over 20 fresh pieces of the first row's build the surrogate error is up to "
            f"{100 * worst:.1f} % of a figure's standard deviation."
        )
    return Section(title, heads, rows, tuple(notes))
