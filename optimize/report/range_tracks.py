"""A reduced session of the range, as tables and as plain data."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from layers.range.checks import LITTLE_SPIN, Checked
from layers.range.reduction import Outlier, Reduction
from layers.range.session import Session
from layers.range.windows import Window
from optimize.report.tables import Section, columns, number

MOST_SHOWN = 60
_RPM = 30.0 / math.pi
# A check that is farther than this from nothing is said to be off.
_OFF = 3.0


def session_sections(session: Session) -> list[Section]:
    """Tabulate launches, what was left out, the window of the track, and the checks."""
    r = session.reduction
    found = [_launches(session)]
    if r.outliers:
        found.append(_outliers(r))
    if r.refused:
        found.append(Section("Not reduced", notes=tuple(f"{why}." for why in r.refused.values())))
    if session.windows:
        found.append(_windows(session.windows))
    notes = (*check_sentences(session), *_no_surface(session), *r.tracks.notes)
    return [*found, Section("Checks of the range", notes=notes)]


def _no_surface(session: Session) -> list[str]:
    """Say why a session has no surface of its own."""
    if session.surface or not session.rows:
        return []
    balls = len({*session.rows.ball})
    why = (
        f"rows of {balls} balls: 'orbwright range surface --ball NAME' fits each"
        if balls > 1
        else f"{len(session.rows.launch)} rows"
    )
    return [f"No surface was fitted to {why}; truncation is under a published law."]


def _launches(session: Session) -> Section:
    r, spins = session.reduction, session.reduction.spins
    errors = session.errors
    rows = tuple(
        (
            r.tracks.launch[i],
            f"{r.reynolds[i] / 1e5:.3f}",
            *_pair(r.spin_ratio[i], r.spin_ratio_sd[i]),
            *_pair(r.drag[i], errors[i, 0]),
            *_pair(r.lift[i], errors[i, 1]),
            *_pair(r.side[i], r.side_sd[i]),
            f"{r.speed[i]:.2f}",
            "" if np.isnan(spins.spin[i]) else f"{spins.spin[i] * _RPM:.0f}",
            *_pair(1e5 * spins.decay[i], 1e5 * spins.decay_sd[i]),
        )
        for i in range(min(len(r.speed), MOST_SHOWN))
    )
    heads = columns(
        "launch",
        ">Re, 1e5",
        *(">S", ">±", ">CD", ">±", ">CL", ">±", ">side", ">±"),
        *(">speed, m/s", ">spin, rpm", ">decay, 1e-5", ">±"),
    )
    notes = [
        "A launch stands for the middle of its track, the mean time of its readings. ± is one "
        "standard error, of the readings and, in CD and CL, of the track's length."
    ]
    if len(r.speed) > MOST_SHOWN:
        notes.append(f"{MOST_SHOWN} of {len(r.speed)} launches are shown; --out writes them all.")
    notes += _missing(session)
    return Section("Launches", heads, rows, tuple(notes))


def _missing(session: Session) -> list[str]:
    """Say what the tracks do not tell."""
    r, said = session.reduction, []
    flat = int(np.isnan(r.lift).sum())
    if flat:
        said.append(
            f"{flat} launches have no heights, so no lift: drag takes a level start and a "
            "published law's lift, and ± holds "
            f"{math.degrees(r.setup.climb_sd):g} deg of unknown climb."
        )
    blind = [n for n, s in zip(r.tracks.launch, r.spins.spin, strict=True) if np.isnan(s)]
    if blind:
        said.append(
            f"{len(blind)} launches have no spin that is certain (first {blind[0]}): they are no "
            "rows of a table; give spin_rpm."
        )
    twice = np.flatnonzero(np.isfinite(r.spins.ambiguous))
    for i in twice[:3]:
        said.append(
            f"launch {r.tracks.launch[i]}: the mark's angles fit more than one spin, one of them "
            f"{r.spins.ambiguous[i] * _RPM:.0f} rpm; a reading of spin_rpm decides."
        )
    return said


def _outliers(r: Reduction) -> Section:
    rows = tuple(
        (o.launch, str(o.line), o.column, f"{o.deviation * 1e3:+.2f}", f"{o.sigmas:.1f}")
        for o in r.outliers
    )
    heads = columns("launch", ">row", "column", ">off by, mm", ">standard deviations")
    note = (
        "Each is farther from its launch's path than any of a session's readings should be, one "
        "session in fifty aside. They are left out of the fit unless --keep-outliers is given."
    )
    return Section("Outliers", heads, rows, (note,))


def _windows(windows: Sequence[Window]) -> Section:
    rows = tuple(
        (
            f"{100.0 * w.share:.0f}",
            f"{w.length:.1f}",
            f"{w.readings:.0f}",
            *(
                "" if np.isnan(v) else f"{100.0 * v:.2f}"
                for pair in zip(w.measurement, w.truncation, w.total, strict=True)
                for v in pair
            ),
        )
        for w in windows
    )
    heads = columns(
        ">readings used, %",
        ">length, m",
        ">readings",
        *(">CD: measurement, %", ">truncation, %", ">both, %"),
        *(">CL: measurement, %", ">truncation, %", ">both, %"),
    )
    best = min(windows, key=lambda w: float(np.nansum(w.total**2)))
    note = (
        "Errors of a launch by the part of the track that is used, round its middle: measurement "
        "from the readings, truncation because the coefficients change along it. Both together "
        f"are least over {best.length:.1f} m."
    )
    if best is windows[-1]:
        note += " That is the whole track: a longer one would measure better."
    return Section("Window of the track", heads, rows, (note,))


def check_sentences(session: Session) -> list[str]:
    """Say what the checks found, a sentence each."""
    r, checks = session.reduction, session.checks
    said = [_scatter_sentence(r)]
    g = r.setup.gravity
    if np.isnan(checks.gravity.value):
        said.append(
            f"Gravity was taken as {g:g} m/s2, not checked: it takes six launches of spin ratio "
            f"below {LITTLE_SPIN:g} and Reynolds number above 1e5: lift vanishes with spin."
        )
    else:
        said.append(
            f"Gravity: lift vanishes with spin at {g + checks.gravity.value:.3f} ± "
            f"{checks.gravity.error:.3f} m/s2, {g:g} was taken{_verdict(checks.gravity)}."
        )
    if np.isnan(checks.drift.value):
        said.append("Drift of the air across is not known: it takes side positions, z_m.")
    else:
        said.append(
            f"Drift of the air across: {checks.drift.value:+.3f} ± {checks.drift.error:.3f} m/s "
            f"to the right{_verdict(checks.drift)}; common tilt of the spin axis "
            f"{math.degrees(checks.tilt.value):+.2f} ± {math.degrees(checks.tilt.error):.2f} deg"
            f"{_verdict(checks.tilt)}. A drift along the range is not identifiable from launches "
            "of one direction."
        )
    for name, trend in zip(("drag", "lift"), checks.trend, strict=True):
        if not np.isnan(trend.value):
            said.append(
                f"Trend of {name} from first to last launch: {100 * trend.value:+.2f} ± "
                f"{100 * trend.error:.2f} %{_verdict(trend)}."
            )
    return said


def _verdict(check: Checked) -> str:
    return " (OFF: look for the cause)" if abs(check.sigmas) > _OFF else " (nothing off)"


def _scatter_sentence(r: Reduction) -> str:
    known = [
        (name, s)
        for name, s in zip(("along", "up", "to the right"), r.scatter, strict=True)
        if np.isfinite(s)
    ]
    if not known:
        return (
            "The readings are too few to show their scatter: standard errors rest on the stated "
            f"{r.setup.position_sd * 1e3:g} mm and {r.setup.time_sd * 1e6:g} us."
        )
    parts = ", ".join(f"{s:.2f} {name}" for name, s in known)
    return (
        f"Scatter of the readings over the stated {r.setup.position_sd * 1e3:g} mm and "
        f"{r.setup.time_sd * 1e6:g} us: {parts}; standard errors follow the scatter found."
    )


def session_record(session: Session) -> dict[str, Any]:
    """Return a session as plain data; what is not known is null."""
    r = session.reduction
    left = {name: 0 for name in r.tracks.launch}
    for outlier in r.outliers:
        left[outlier.launch] += 1
    arrays = {
        "reynolds": r.reynolds,
        "spin_ratio": r.spin_ratio,
        "spin_ratio_standard_error": r.spin_ratio_sd,
        "drag_coefficient": r.drag,
        "drag_standard_error": session.errors[:, 0],
        "lift_coefficient": r.lift,
        "lift_standard_error": session.errors[:, 1],
        "side_coefficient": r.side,
        "side_standard_error": r.side_sd,
        "drag_truncation": session.truncation[:, 0],
        "lift_truncation": session.truncation[:, 1],
        "speed_m_s": r.speed,
        "spin_rpm": r.spins.spin * _RPM,
        "spin_decay": r.spins.decay,
        "spin_decay_standard_error": r.spins.decay_sd,
    }
    launches = [
        {
            "launch": name,
            "ball": r.tracks.ball[i],
            "orientation": r.tracks.orientation[i],
            **{key: plain(values[i]) for key, values in arrays.items()},
            "readings": int(r.used[i, :, 0].sum()),
            "outliers": left[name],
        }
        for i, name in enumerate(r.tracks.launch)
    ]
    return {
        "launches": launches,
        "outliers": [_outlier_record(o) for o in r.outliers],
        "not_reduced": list(r.refused.values()),
        "scatter": [plain(s) for s in r.scatter],
        "windows": [_window_record(w) for w in session.windows],
        "checks": [*check_sentences(session), *_no_surface(session)],
        "notes": list(r.tracks.notes),
    }


def _outlier_record(outlier: Outlier) -> dict[str, Any]:
    return {
        "launch": outlier.launch,
        "row": outlier.line,
        "column": outlier.column,
        "deviation_mm": outlier.deviation * 1e3,
        "standard_deviations": outlier.sigmas,
    }


def _window_record(window: Window) -> dict[str, Any]:
    return {
        "share": window.share,
        "length_m": window.length,
        "readings": window.readings,
        "measurement": [plain(v) for v in window.measurement],
        "truncation": [plain(v) for v in window.truncation],
    }


def plain(value: float) -> float | None:
    """Return a number of an array for JSON; null where it is not known."""
    return float(value) if np.isfinite(value) else None


def _pair(value: float, error: float) -> tuple[str, str]:
    if np.isnan(value):
        return "", ""
    if np.isnan(error) or error <= 0.0:
        return f"{value:.4g}", ""
    return number(value, error), number(error, error)
