"""Flights of the short list: launches from the ledger or computed now, paths traced for drawing."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from layers.conditions import Conditions
from layers.errors import InputError, SolverError
from layers.estimation import MODEL_VERSION
from layers.figures import QUANTITIES, Figure, parse_figure
from layers.flight.trajectory import path
from layers.mass import inertia
from layers.strike.swings import SwingTable, default_swings
from optimize.compute.one import Request
from optimize.compute.pool import computing
from optimize.ledger.ledger import Known, Ledger
from optimize.report.words import short_of
from optimize.scenario.brief import Scenario
from optimize.scenario.space import content_of, key_of
from optimize.search.result import Member, Run
from optimize.search.run import name_run

FIGURES = (
    "ball_speed_m_s",
    "launch_angle_deg",
    "spin_rpm",
    "carry_m",
    "apex_m",
    "descent_angle_deg",
    "flight_time_s",
    "total_m",
)
Tick = Callable[[int, int], None]


@dataclass(frozen=True)
class Launches:
    """Launch and flight figures of the short list.

    Attributes
    ----------
    swings : tuple of str
        Which swings the builds are struck with.
    known : dict of str to Known
        By member's label: figures, and why others could not be computed.
    model_version : str
        Under which version of the model.
    unkept : str
        Why figures computed now were not written to the ledger; empty if they were.
    """

    swings: tuple[str, ...]
    known: dict[str, Known] = field(default_factory=dict)
    model_version: str = ""
    unkept: str = ""


def named_swings(scenario: Scenario) -> tuple[str, ...]:
    """Return the swings that a scenario's goals and limits name."""
    table = table_of(scenario)
    used: dict[str, None] = {}
    for name in scenario.figures():
        parsed = parse_figure(name)
        if parsed.swing is None:
            continue
        club = QUANTITIES[parsed.quantity].of == "club"
        used.update(dict.fromkeys(table.of_club(parsed.swing) if club else (parsed.swing,)))
    return tuple(used)


def swings_of(scenario: Scenario) -> tuple[str, ...]:
    """Return the swings that a scenario's goals and limits name, or else the whole table's."""
    return named_swings(scenario) or tuple(swing.name for swing in table_of(scenario).swing)


def table_of(scenario: Scenario) -> SwingTable:
    """Return the swings that a scenario's builds are struck with."""
    played = scenario.played()
    return played.swings if played else default_swings()


def launches(
    run: Run,
    ledger: Ledger,
    workers: int = 1,
    swings: Sequence[str] | None = None,
    tick: Tick | None = None,
) -> Launches:
    """Find or compute the launches of the short list.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : Ledger
        Where figures are found, and written if it takes them.
    workers : int
        Processes that compute.
    swings : sequence of str, optional
        Names of swings; those of the scenario's goals and limits, or all, if not given.
    tick : callable, optional
        Called with how many builds are done and how many there are.

    Raises
    ------
    InputError
        If a swing is not in the scenario's table.
    """
    scenario, members = run.scenario, run.short_list
    table = table_of(scenario)
    wanted = swings_of(scenario) if swings is None else swings
    chosen = tuple(table.find(name).name for name in wanted)
    version = name_run(scenario)[1]["model"]
    names = tuple(f"{swing}.{figure}" for swing in chosen for figure in FIGURES)
    keys = [key_of(content_of(member.ball)) for member in members]
    known = ledger.known(list(dict.fromkeys(keys)), version)
    missing = {
        key: tuple(n for n in names if key not in known or not known[key].covers((n,)))
        for key in keys
    }
    jobs: dict[str, Request] = {
        key: (member.ball, missing[key])
        for key, member in zip(keys, members, strict=True)
        if missing[key]
    }
    unkept = ""
    with computing(workers, scenario.played()) as compute:
        for done, (j, found) in enumerate(compute(list(jobs.values())), start=1):
            key = list(jobs)[j]
            known[key] = known.get(key, Known({}, {})).joined(found.figures, found.failed)
            if not unkept:
                unkept = _keep(ledger, key, content_of(jobs[key][0]), version, found)
            if tick:
                tick(done, len(jobs))
    by_label = {
        m.label: Known(
            {n: known[key].figures[n] for n in names if n in known[key].figures},
            {n: known[key].failed[n] for n in names if n in known[key].failed},
        )
        for key, m in zip(keys, members, strict=True)
    }
    return Launches(chosen, by_label, version, unkept)


def _keep(ledger: Ledger, key: str, content: str, version: str, found: Any) -> str:
    """Write figures to the ledger; return why that failed: the page can do without."""
    try:
        ledger.add(key, content, version, found)
    except InputError as error:
        return str(error)
    return ""


def flights_record(run: Run, found: Launches) -> dict[str, Any]:
    """Return every swing with the path of each member, m, and what holds."""
    conditions = run.scenario.played() or Conditions()
    table = run.scenario.conditions
    notes = [table.words() if table else "Shipped swings, still air of 20 °C at sea level."]
    if found.model_version != run.model_version:
        notes.append(
            f"Flights rest on the present version of the model, {found.model_version.split('+')[0]}"
            f"; the search rested on {run.model_version.split('+')[0]}."
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
        "failed": failed,
    }


def _path_record(
    member: Member, known: Known, swing: str, conditions: Conditions
) -> dict[str, Any]:
    speed, angle, spin = (_value(known, f"{swing}.{figure}") for figure in FIGURES[:3])
    body = member.ball.body()
    flown = path(
        speed,
        np.radians(angle),
        max(spin, 0.0) * np.pi / 30.0,
        mass=inertia.mass(body),
        diameter=1e-3 * member.ball.diameter_mm,
        air=conditions.air,
        wind=conditions.wind,
        law=conditions.law,
    )
    # Distance as the carry counts it: along the ground, whichever way the wind turns the ball.
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


def is_present_model(run: Run) -> bool:
    """Whether the run's figures rest on the installed version of the model."""
    return run.model_version.split("+")[0] == MODEL_VERSION
