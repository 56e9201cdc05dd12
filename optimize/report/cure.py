"""A cure as tables, as CSV and as plain data."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from layers.cure.fit import Calibrated
from layers.cure.hardening import NAMES, PARAMETERS, HardnessProfile, log_slope
from layers.cure.history import History
from layers.files.escaping import csv_text
from layers.hardness import HARDNESS_SCATTER
from optimize.cure.in_a_ball import Spread
from optimize.report.tables import Section, columns, number
from optimize.report.words import label_of

# Rows of the table over time.
_TIMES = 10


def cure_sections(
    history: History, profile: HardnessProfile, fitted: Calibrated | None
) -> list[Section]:
    """Tabulate a cure: course over time, profile at the end, what is wrong, what the map rests on.

    Parameters
    ----------
    history : History
        The cure by the map's law.
    profile : HardnessProfile
        Expected hardness and modulus.
    fitted : Calibrated or None
        The calibration, if there is one.
    """
    sections = [_course(history), _profile(history, profile)]
    flags = history.flags()
    if flags:
        notes = tuple(f"{flag[:1].upper()}{flag[1:]}." for flag in flags)
        sections.append(Section("Warnings", notes=notes))
    if fitted:
        sections.append(calibration_section(fitted))
    return sections


def _course(history: History) -> Section:
    """Temperature and state over time, at centre, half radius and surface."""
    places = np.array([0.0, 0.5, 1.0]) * history.outer_mm
    rows = []
    for minutes in np.linspace(0.0, history.minutes[-1], _TIMES)[1:]:
        k = int(np.searchsorted(history.minutes, minutes - 1e-9))
        t, x = (
            history.at(places, field[k]) for field in (history.temperature_c, history.conversion)
        )
        index = history.at(places[[0, 2]], history.crosslink_index[k])
        rows.append(
            (
                f"{history.minutes[k]:.1f}",
                f"{history.outside_c[k]:.0f}",
                *(f"{value:.0f}" for value in t),
                *(f"{100.0 * value:.0f}" for value in x[[0, 2]]),
                *(f"{value:.2f}" for value in index),
            )
        )
    hottest, where, when = history.peak
    scorch = history.scorch()
    stored, taken, made = history.heat_balance()
    notes = (
        f"Hottest {hottest:.0f} C, {where:.1f} mm from the centre, at {when:.1f} min; demoulded at "
        f"{history.cycle.minutes:.1f} min.",
        f"Crosslink index {scorch.index:.3f} when the mould closes.",
        f"Heat of polymerisation {made:.0f} J, through the surface {taken:.0f} J, stored "
        f"{stored:.0f} J.",
        f"{history.cycle.source[:1].upper()}{history.cycle.source[1:]}.",
    )
    heads = columns(
        ">min",
        ">platen or air, C",
        ">centre, C",
        ">half radius, C",
        ">surface, C",
        ">conversion at centre, %",
        ">at surface, %",
        ">crosslink index at centre",
        ">at surface",
    )
    return Section(f"{history.stock.name}, {history.cycle.name}", heads, tuple(rows), notes)


def _profile(history: History, profile: HardnessProfile) -> Section:
    at = profile.position_mm
    conversion = history.at(at, history.conversion[-1])
    index = history.at(at, history.crosslink_index[-1])
    peak = history.at(at, history.temperature_c.max(axis=0))
    rows = tuple(
        (
            f"{r:.1f}",
            f"{t:.0f}",
            f"{100.0 * x:.0f}",
            f"{i:.2f}",
            f"{s:.1f}",
            f"{low:.1f} to {high:.1f}",
            f"{e:.0f}",
        )
        for r, t, x, i, s, low, high, e in zip(
            at,
            peak,
            conversion,
            index,
            profile.shore_c,
            *profile.interval,
            profile.modulus_mpa,
            strict=True,
        )
    )
    difference, half = profile.difference
    heads = columns(
        ">mm from centre",
        ">peak, C",
        ">conversion, %",
        ">crosslink index",
        ">Shore C",
        ">95 % interval",
        ">modulus, MPa",
    )
    notes = (
        f"Hardness map: {profile.source}.",
        f"Outermost less innermost {difference:+.1f} Shore C, +- {half:.1f} (95 %).",
        f"Intervals are of a new core; that of the modulus adds +- {100 * HARDNESS_SCATTER:.0f} % "
        "of the hardness relation, common to the whole profile.",
    )
    return Section("Hardness along the radius", heads, rows, notes)


def calibration_section(fitted: Calibrated) -> Section:
    """Tabulate the map's parameters before and after the cut cores."""
    deviation = np.sqrt(np.diag(fitted.hardening.covariance))
    rows = tuple(
        (p.name, f"{p.mean:.3f}", f"{p.deviation:.3f}", f"{m:.3f}", f"{d:.3f}", p.help)
        for p, m, d in zip(PARAMETERS, fitted.hardening.mean, deviation, strict=True)
    )
    noise = fitted.hardening.noise
    notes = [
        f"The map is {fitted.hardening.source}; a reading scatters by {noise.reading:.1f} points, "
        f"a core by {noise.core:.1f}, its shape by {noise.shape:.1f}.",
    ]
    notes += [
        f"Outlier: core {r.core} at {r.position_mm:g} mm reads {r.measured:g}, expected "
        f"{r.predicted:.1f}."
        for r in fitted.outliers
    ]
    heads = columns("parameter", ">from memory", ">+-", ">calibrated", ">+-", "~what it is")
    return Section("Hardness map before and after the cut cores", heads, rows, tuple(notes))


def cure_record(
    history: History,
    profile: HardnessProfile,
    fitted: Calibrated | None,
    spreads: Sequence[Spread] = (),
) -> dict[str, Any]:
    """Return a cure as plain data.

    Parameters
    ----------
    history, profile, fitted
        As for `cure_sections`.
    spreads : sequence of Spread
        Figures of a ball with this core.
    """
    hottest, where, when = history.peak
    scorch = history.scorch()
    late = scorch.minutes_left
    stored, taken, made = history.heat_balance()
    return {
        "recipe": history.stock.name,
        "peroxides": list(history.stock.peroxide),
        "cycle": history.cycle.model_dump(mode="json"),
        "press_minutes": history.cycle.minutes,
        "core_diameter_mm": 2.0 * history.outer_mm,
        "hottest": {"celsius": hottest, "radius_mm": where, "minutes": when},
        "scorch": {
            "crosslink_index": scorch.index,
            "celsius": scorch.celsius,
            "index_before_the_mould": scorch.before,
            "minutes_until_scorched": late if np.isfinite(late) else None,
        },
        "heat_j": {"stored": stored, "through_surface": taken, "polymerisation": made},
        "warnings": list(history.flags()),
        **_hardness_record(profile, fitted),
        "figures": [
            {
                "name": s.name,
                "unit": s.unit,
                "value": s.value,
                "half_95_by_map": s.by_map,
                "half_95_with_relation": s.with_relation,
            }
            for s in spreads
        ],
    }


def _hardness_record(profile: HardnessProfile, fitted: Calibrated | None) -> dict[str, Any]:
    difference, half = profile.difference
    keys = ("position_mm", "shore_c", "low_95", "high_95", "modulus_mpa")
    return {
        "hardness_map": {
            "source": profile.source,
            "calibrated": fitted is not None,
            "parameters": dict(zip(NAMES, map(float, _mean(fitted)), strict=True)),
            "outliers": [vars(r) for r in fitted.outliers] if fitted else [],
        },
        "profile": [
            dict(zip(keys, map(float, row), strict=True))
            for row in zip(
                profile.position_mm,
                profile.shore_c,
                *profile.interval,
                profile.modulus_mpa,
                strict=True,
            )
        ],
        "surface_less_centre_shore_c": {"value": difference, "half_95": half},
    }


def _mean(fitted: Calibrated | None) -> Any:
    return fitted.hardening.mean if fitted else [p.mean for p in PARAMETERS]


def profile_csv(history: History, profile: HardnessProfile) -> str:
    """Write the state along the radius as CSV, a row a shell of the history.

    Parameters
    ----------
    history : History
        The cure.
    profile : HardnessProfile
        At the middles of its shells.
    """
    heads = (
        "radius_mm",
        "peak_celsius",
        "peroxide_left",
        "conversion",
        "crosslink_index",
        "shore_c",
        "shore_c_standard_error",
        "modulus_mpa",
        "modulus_standard_error_mpa",
        "source",
    )
    points = np.sqrt(np.diag(profile.covariance))
    stack = np.column_stack(
        [
            history.radius_mm,
            history.temperature_c.max(axis=0),
            history.left[-1],
            history.conversion[-1],
            history.crosslink_index[-1],
            profile.shore_c,
            points,
            profile.modulus_mpa,
            profile.modulus_mpa * points * log_slope(profile.modulus_mpa),
        ]
    )
    return csv_text(heads, [[*(f"{v:.6g}" for v in row), profile.source] for row in stack])


def history_csv(history: History) -> str:
    """Write temperature, conversion and crosslink index over time as CSV, at five radii."""
    places = np.linspace(0.0, 1.0, 5) * history.outer_mm
    fields = {
        "celsius": history.temperature_c,
        "conversion": history.conversion,
        "crosslink_index": history.crosslink_index,
    }
    heads = ["minutes", "outside_celsius"]
    heads += [f"{name}_at_{r:.2f}_mm" for name in fields for r in places]
    rows = [
        [
            f"{minutes:.5g}",
            f"{outside:.5g}",
            *(f"{v:.5g}" for f in fields.values() for v in history.at(places, f[k])),
        ]
        for k, (minutes, outside) in enumerate(zip(history.minutes, history.outside_c, strict=True))
    ]
    return csv_text(heads, rows)


def spreads_section(spreads: Sequence[Spread], name: str) -> Section:
    """Tabulate figures of a ball with the cured core.

    Parameters
    ----------
    spreads : sequence of Spread
        Of `optimize.cure.in_a_ball.figure_spreads`.
    name : str
        The ball's.
    """
    rows = tuple(
        (
            label_of(s.name),
            number(s.value, s.by_map),
            number(s.by_map, s.by_map),
            number(s.with_relation, s.by_map),
            s.unit,
        )
        for s in spreads
    )
    heads = columns("figure", ">value", ">+- by map and core", ">+- with hardness relation", "unit")
    notes = ("Half widths of 95 %; the model's own error is not in them: see orbwright estimate.",)
    return Section(f"{name} with this core", heads, rows, notes)
