"""Impacts of the short list on the page: the deformed section, and the energy by layer."""

from collections.abc import Callable
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.conditions import Conditions
from layers.energy.impact import record_impact
from layers.energy.record import ImpactRecord
from layers.energy.section import section_of
from layers.errors import InputError, SolverError
from optimize.report.impact import impact_record, impact_words
from optimize.report.pictures.impact import edges_of
from optimize.search.result import Run

# Steps of the shading, of even width up to the end; colours of general use, dark to light.
_STEPS = 12
_FRAMES = 2  # first touch and greatest compression


def impacts_of(
    run: Run, swing: str | None, tell: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Record an impact of every build of the short list.

    Parameters
    ----------
    run : Run
        A finished search.
    swing : str or None
        Name of a swing; None for a rigid barrier.
    tell : callable, optional
        Called with how many of how many are done.

    Returns
    -------
    list of dict
        A record each, of JSON's types; one that broke down says so under `failed`.
    """
    conditions = run.scenario.estimate_conditions() or Conditions()
    found = []
    for done, member in enumerate(run.short_list, start=1):
        try:
            seen = record_impact(member.ball, swing, conditions=conditions, frames=_FRAMES)
        except (SolverError, InputError) as error:
            found.append({"label": member.label, "failed": str(error)})
            continue
        energy = impact_record(seen, member.ball)
        found.append({"label": member.label, "words": impact_words(seen), **energy, **_view(seen)})
        if tell:
            tell(done, len(run.short_list))
    return found


def _view(seen: ImpactRecord) -> dict[str, Any]:
    """Shapes of the section at greatest compression, mm, up being negative as in SVG."""
    section, frame = section_of(seen, seen.peak), seen.frames[seen.peak]
    strain = 100.0 * section.shear_strain
    top = float(f"{max(float(np.quantile(strain, 0.995)), 1e-6):.2g}")
    step = np.clip((strain / top * _STEPS).astype(int), 0, _STEPS - 1)
    corners = section.points[:, section.quads].transpose(2, 1, 0)  # (q, 4, 2)
    edges = edges_of(section)
    return {
        "strain_top_percent": top,
        "shades": ["".join(map(_closed, corners[step == k])) for k in range(_STEPS)],
        "interfaces": "".join(map(_open, edges["interface"])),
        "surface": "".join(map(_open, edges["surface"])),
        "face": _open(section.face.T),
        "contact": _open(section.patch.T),
        "time_us": round(1e6 * frame.time),
        "contact_mm2": round(1e6 * frame.contact_area),
    }


def _open(line: FloatArray) -> str:
    """Write a line as an SVG path."""
    return "M" + "L".join(f"{1e3 * x:.2f} {-1e3 * y:.2f}" for x, y in line) if len(line) else ""


def _closed(line: FloatArray) -> str:
    return _open(line) + "Z"
