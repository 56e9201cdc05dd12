"""The overall-distance screen of one ball, as an engineer reads it."""

from typing import Any

from layers.estimates import Estimate
from layers.figures import QUANTITIES
from layers.rules.overall_distance import LAUNCH, YARD, DistanceScreen, DistanceTest
from optimize.report.tables import Section, columns, number, signed
from optimize.report.units import chosen


def _metres(screen: DistanceScreen, test: DistanceTest) -> dict[str, float]:
    total, nominal = float(screen.total[0]), float(screen.nominal_total[0])
    return {
        "carry": float(screen.carry[0]),
        "total": total,
        "nominal_total": nominal,
        "beyond_nominal": total - nominal,
        "limit": (test.limit_yd + test.tolerance_yd) * YARD,
    }


_WORDS = {
    "carry": "carry",
    "total": "carry and run",
    "nominal_total": "the same ball at the launch that the test prints",
    "beyond_nominal": "difference from the printed launch",
    "limit": "limit with its tolerance",
}


def _error(screen: DistanceScreen) -> float:
    return QUANTITIES["total_m"].difference_error(float(screen.total[0]))


def distance_section(launch: Estimate, screen: DistanceScreen, test: DistanceTest) -> Section:
    """Tabulate a screen; worded as a screen, not a ruling.

    Parameters
    ----------
    launch : Estimate
        Ball speed, launch angle and spin off the test's robot.
    screen : DistanceScreen
        Carry and totals, m, of one ball.
    test : DistanceTest
        The test's conditions and limit.
    """
    error = _error(screen)
    rows: list[tuple[str, ...]] = []
    for name, metres in _metres(screen, test).items():
        write = signed if name == "beyond_nominal" else number
        spread = number(error, error) if name == "beyond_nominal" else ""
        rows.append((_WORDS[name], write(metres, error), write(metres / YARD, error), spread))
    heads = columns("overall distance", ">m", ">yd", ">± m between builds")
    if chosen() == "trade":  # metres come out as yards
        heads, rows = (*heads[:2], heads[3]), [(*row[:2], row[3]) for row in rows]
    speed, angle, spin = (launch[f"distance test {test.name}.{name}"].value for name in LAUNCH)
    notes = (
        "Trust the difference from the printed launch: law and turf move both totals by tens of "
        "metres.",
        f"Launched at {speed:.1f} m/s, {angle:.1f}°, {spin:.0f} rpm off the shipped swing "
        f"'distance test {test.name}', {test.club_speed_mph:g} mph.",
        f"Status: {test.status}.",
        f"{test.source} ({test.grade}).",
    )
    title = f"Distance test '{test.name}' of {test.as_of}: a screen, not a ruling"
    return Section(title, heads, tuple(rows), notes)


def distance_record(launch: Estimate, screen: DistanceScreen, test: DistanceTest) -> dict[str, Any]:
    """Return plain data for JSON: the test, the launch, metres.

    Parameters
    ----------
    launch, screen, test
        As for `distance_section`.
    """
    return {
        "test": test.model_dump(mode="json"),
        "launch": launch.as_record()["figures"],
        "metres": _metres(screen, test),
        "difference_error_m": _error(screen),
        "outside_share": float(screen.outside_share[0]),
    }
