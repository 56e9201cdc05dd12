"""Flights of the short list on the page: paths traced for drawing."""

from typing import Any

import numpy as np

from layers.conditions import Conditions
from layers.errors import InputError, SolverError
from layers.estimates import Figure
from layers.flight.trajectory import path
from layers.mass import inertia
from optimize.ledger.rows import Known
from optimize.page.launches import FIGURES, Launches
from optimize.page.regions import regions_record
from optimize.report.words import short_of
from optimize.search.result import Member, Run


def flights_record(run: Run, found: Launches) -> dict[str, Any]:
    """Return every swing with the path of each member, m, and the conditions."""
    conditions = run.scenario.estimate_conditions() or Conditions()
    table = run.scenario.conditions
    notes = [table.words() if table else "Shipped swings, still air of 20 °C at sea level."]
    if found.model_version != run.model_version:
        notes.append(
            f"Flights are computed by model version {found.model_version.split('+')[0]}; "
            f"the search used version {run.model_version.split('+')[0]}."
        )
    return {
        "swings": [_swing_record(run, found, name, conditions) for name in found.swings],
        "notes": notes,
    }


def _swing_record(run: Run, found: Launches, name: str, conditions: Conditions) -> dict[str, Any]:
    swing = conditions.swings.find(name)
    words = (
        f"{swing.club_speed_m_s:g} m/s, loft {swing.dynamic_loft_deg:g}° at impact, "
        f"attack {swing.attack_angle_deg:+g}°"
    )
    paths, failed = [], []
    for member in run.short_list:
        try:
            paths.append(_path_record(member, found.known[member.label], name, conditions))
        except (SolverError, InputError) as error:
            failed.append(f"{member.label}: {error}")
    return {
        "name": name,
        "words": words,
        "source": f"Source ({swing.grade}): {swing.source}.",
        "figures": [f"{name}.{figure}" for figure in FIGURES],
        "heads": [short_of(f"{name}.{figure}") for figure in FIGURES],
        "paths": paths,
        "regions": _regions_record(run, found, name, conditions),
        "failed": failed,
    }


def _regions_record(
    run: Run, found: Launches, name: str, conditions: Conditions
) -> list[dict[str, Any]]:
    """Return where drag and lift count for the first build of each dimple pattern."""
    first: dict[str, Member] = {}
    for member in run.short_list:
        first.setdefault(member.ball.dimple_pattern, member)
    records = (
        regions_record(member, found.known[member.label], name, conditions)
        for member in first.values()
    )
    return [record for record in records if record is not None]


def _path_record(
    member: Member, known: Known, swing: str, conditions: Conditions
) -> dict[str, Any]:
    speed, angle, spin = (_value(known, f"{swing}.{figure}") for figure in FIGURES[:3])
    body = member.ball.body()
    weather = conditions.weather(swing)
    flown = path(
        speed,
        np.radians(angle),
        max(spin, 0.0) * np.pi / 30.0,
        mass=inertia.mass(body),
        diameter=1e-3 * member.ball.diameter_mm,
        air=weather.air,
        wind=weather.wind,
        law=conditions.law_of(member.ball.dimple_pattern),
    )
    # Distance as in the carry: along the ground, also where wind turns the ball.
    along = np.hypot(flown.position[:, 0], flown.position[:, 2])
    return {
        "label": member.label,
        "x": np.round(along, 2).tolist(),
        "z": np.round(flown.position[:, 1], 2).tolist(),
    }


def _value(known: Known, name: str) -> float:
    if name in known.failed:
        raise SolverError(known.failed[name])
    figure: Figure = known.figures[name]
    if figure.flag:
        raise SolverError(figure.flag)
    return figure.value
