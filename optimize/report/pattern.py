"""What drag and lift players want, and what launch a pattern wants, as an engineer reads it."""

from dataclasses import asdict
from typing import Any

import numpy as np

from optimize.pattern.wants import CARRY, WANTED, SwingWants, Wants
from optimize.report.tables import Section, columns, number, signed

# Regions with less than this share of every flight's time are left out of tables.
_LEAST_TIME = 0.02
_RPM = 30.0 / np.pi


def pattern_sections(found: Wants) -> list[Section]:
    """Tabulate flights, the wanted changes by region, and the wanted launch.

    Parameters
    ----------
    found : Wants
        What was computed.
    """
    sections = [_flights(found), _band(found)]
    sections += [_regions(found, swing) for swing in found.swings]
    return [*sections, _launches(found)]


def _flights(found: Wants) -> Section:
    rows = []
    for swing in found.swings:
        everywhere = [*swing.drag.sum(axis=1), *swing.lift.sum(axis=1)]
        carry, total, apex, angle, drift = swing.values
        rows.append(
            (
                swing.swing,
                f"{carry:.1f}",
                f"{total:.1f}",
                f"{apex:.1f}",
                f"{angle:.1f}",
                f"{drift:.1f}",
                signed(-everywhere[CARRY], 0.1),
                signed(everywhere[len(WANTED) + CARRY], 0.1),
            )
        )
    heads = columns(
        "swing",
        ">carry, m",
        ">total, m",
        ">apex, m",
        ">descent angle, °",
        ">drift, m",
        ">carry by CD -0.01, m",
        ">carry by CL +0.01, m",
    )
    notes = [f"Drift in a cross-wind of {found.cross_wind_m_s:g} m/s."]
    notes += [
        f"The law does not cover {100.0 * s.outside_share:.0f} % of the flight of {s.swing}: its "
        "regions there are those of the law's edge."
        for s in found.swings
        if s.outside_share > 0.05
    ]
    return Section("Flights", heads, tuple(rows), tuple(notes))


def _flown(found: Wants) -> np.typing.NDArray[np.bool_]:
    """Say in which regions some flight spends time."""
    shares = np.array([swing.time / swing.time.sum() for swing in found.swings])
    return np.asarray(shares.max(axis=0) >= _LEAST_TIME)


def _band(found: Wants) -> Section:
    band, rows = found.band, []
    gains = np.mean([_gain(swing, band) for swing in found.swings], axis=0)
    shown = _flown(found)
    for place in np.argsort(-gains, kind="stable"):
        if shown[place]:
            re, spin_ratio = found.regions[place]
            rows.append(
                (
                    f"{re / 1e5:.2f}",
                    f"{spin_ratio:.2f}",
                    _change(band.drag[place]),
                    _change(band.lift[place]),
                    _two(gains[place]),
                )
            )
    heads = columns(">Re, 1e5", ">spin ratio", ">CD", ">CL", ">mean carry, m")
    notes = [
        f"Changes of at most {band.reach:g} that add the most carry: "
        + ", ".join(
            f"{signed(float(gain), 0.1)} m for {swing.swing}"
            for gain, swing in zip(band.gains, found.swings, strict=True)
        )
        + "."
    ]
    if found.test:
        room = found.test.limit - found.test.total
        notes.append(
            f"The printed launch of distance test '{found.test.name}' gains "
            f"{number(abs(band.test_gain), 0.1)} m of {band.allowed:g} m allowed; under this law "
            f"it totals {found.test.total:.1f} m, {abs(room):.1f} m "
            f"{'below' if room >= 0.0 else 'above'} the limit. A screen, not a ruling."
        )
    notes.append(
        "A region reaches from one middle to the next; changes add up. They hold to first order: "
        "check a pattern by its own table."
    )
    return Section("Wanted changes of drag and lift", heads, tuple(rows), tuple(notes))


def _gain(swing: SwingWants, band: Any) -> Any:
    """Return what a swing's carry gains by the band in each region, m."""
    return 100.0 * (swing.drag[CARRY] * band.drag + swing.lift[CARRY] * band.lift)


def _change(value: float) -> str:
    return signed(float(value), 0.001) if abs(value) > 1e-6 else "0"


def _regions(found: Wants, swing: SwingWants) -> Section:
    """Tabulate one swing's regions: time, way, and what a hundredth of drag and lift does."""
    rows, share = [], swing.time / swing.time.sum()
    for place in np.flatnonzero(share >= _LEAST_TIME):
        re, spin_ratio = found.regions[place]
        cells = [f"{re / 1e5:.2f}", f"{spin_ratio:.2f}", f"{100.0 * share[place]:.0f}"]
        cells.append(f"{100.0 * swing.distance[place] / swing.distance.sum():.0f}")
        cells += [_two(v) for part in (swing.drag, swing.lift) for v in part[:, place]]
        rows.append(tuple(cells))
    whole = [_two(v) for part in (swing.drag, swing.lift) for v in part.sum(axis=1)]
    rows.append(("all", "", "100", "100", *whole))
    heads = columns(
        ">Re, 1e5",
        ">spin ratio",
        ">time, %",
        ">way, %",
        *(f">{name} by {c} +0.01" for c in ("CD", "CL") for name in _SHORT),
    )
    note = "All: the whole plane, regions left out above included."
    return Section(f"Regions of {swing.swing}", heads, tuple(rows), (note,))


def _two(value: float) -> str:
    """Write a change with its sign to two decimals."""
    return f"{float(value):+.2f}"


_SHORT = ("carry, m", "total, m", "apex, m", "angle, °", "drift, m")


def _launches(found: Wants) -> Section:
    rows = []
    for swing in found.swings:
        shot, best = swing.shot, swing.best
        rows.append(
            (
                swing.swing,
                f"{shot.ball_speed:.1f}",
                f"{np.degrees(shot.launch_angle):.1f}",
                f"{shot.spin * _RPM:.0f}",
                *map(_two, swing.launch[CARRY]),
                f"{best.spin * _RPM:.0f}",
                signed(best.carry_by_spin - float(swing.values[CARRY]), 0.1),
                f"{np.degrees(best.launch_angle):.1f}",
                f"{best.spin_with_loft * _RPM:.0f}",
                signed(best.carry - float(swing.values[CARRY]), 0.1),
            )
        )
    heads = columns(
        "swing",
        ">speed, m/s",
        ">launch, °",
        ">spin, rpm",
        ">carry by +1 m/s, m",
        ">by +1°, m",
        ">by +100 rpm, m",
        ">best spin, rpm",
        ">gains, m",
        ">best launch with loft, °",
        ">spin, rpm",
        ">gains, m",
    )
    notes = ["Best spin: at the loft as it is, what the construction can do alone; within ± 50 %."]
    notes.append(
        "With loft: within ± 6°, speed and spin following as of a rigid head (Penner 2001)."
    )
    edge = [swing.swing for swing in found.swings if swing.best.at_edge]
    if edge:
        notes.append(f"At an edge of what was tried: {', '.join(edge)}.")
    return Section("Wanted launch", heads, tuple(rows), tuple(notes))


def pattern_record(found: Wants) -> dict[str, Any]:
    """Return plain data for JSON; figures in the order of `figures`, regions as listed.

    Parameters
    ----------
    found : Wants
        What was computed.
    """
    return {
        "ball": found.ball,
        "figures": [{"name": name, "unit": unit} for name, _, unit in WANTED],
        "per": {
            "coefficient": 0.01,
            "ball_speed_m_s": 1.0,
            "launch_angle_deg": 1.0,
            "spin_rpm": 100,
        },
        "cross_wind_m_s": found.cross_wind_m_s,
        "regions": [{"reynolds": re, "spin_ratio": s} for re, s in found.regions.tolist()],
        "swings": [_plain(asdict(swing)) for swing in found.swings],
        "distance_test": _plain(asdict(found.test)) if found.test else None,
        "band": _plain(asdict(found.band)),
    }


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return value
