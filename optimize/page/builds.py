"""Every computed build of a run as columns: what the page plots, filters and compares."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.estimation import estimate
from layers.figures import Figure
from optimize.page.influence import influence, varying
from optimize.report.ball import thicknesses_mm
from optimize.report.words import label_of, layer_names, unit_of
from optimize.scenario.brief import Scenario
from optimize.scenario.space import Row, Space
from optimize.search.judge import is_closed_form
from optimize.search.result import Build, Run

# Closed forms of the whole ball, which every build can be given at once.
_ALWAYS = ("mass_g", "moi_g_cm2", "moi_ratio", "mean_density_g_cm3")
# A figure that fewer builds than this share have is no axis: most points would be missing.
_LEAST_SHARE = 0.5
# More builds than this are slow to filter and say no more.
MOST_SHOWN = 5000
_DIGITS = 7

_LAYER_AXES = (
    ("thickness", "mm"),
    ("diameter", "mm"),
    ("modulus", "MPa"),
    ("density", "g/cm³"),
    ("material", ""),
)


@dataclass(frozen=True)
class Figures:
    """Figures of every build by name, and the names in the order that the page offers them."""

    of_build: tuple[dict[str, Figure], ...]
    names: tuple[str, ...]


def thinned(run: Run, most: int = MOST_SHOWN) -> Run:
    """Leave out builds that a page cannot hold.

    The front and the short list stay, and of the others as many as there is room for, evenly over
    the course of the search.
    """
    if len(run.builds) <= most:
        return run
    front = {key for key, _ in run.front} | {member.key for member in run.short_list}
    kept = {i for i, build in enumerate(run.builds) if build.key in front}
    others = [i for i in range(len(run.builds)) if i not in kept]
    room = max(0, most - len(kept))
    kept.update(others[int(k)] for k in np.linspace(0, len(others) - 1, room))
    return replace(run, builds=tuple(run.builds[i] for i in sorted(kept)))


def gather(run: Run, more: Mapping[str, Mapping[str, Figure]] | None = None) -> Figures:
    """Join what goals and limits needed, closed forms, and what else is known of each build.

    Parameters
    ----------
    run : Run
        A finished search.
    more : mapping of str to (mapping of str to Figure), optional
        Further figures by the build's key, such as those in the ledger.
    """
    needed = run.scenario.figures()
    found = []
    for build in run.builds:
        known = {**(more or {}).get(build.key, {}), **build.figures}
        missing = [name for name in _ALWAYS if name not in known]
        found.append({**estimate(build.ball, missing).figures, **known})
    least = _LEAST_SHARE * len(found)
    seen = dict.fromkeys((*needed, *_ALWAYS, *(name for one in found for name in one)))
    shared = [name for name in seen if sum(name in one for one in found) >= least]
    return Figures(tuple(found), tuple(shared))


def places_of(space: Space, row: Row) -> list[int]:
    """Return which layers of the scenario a build has, centre outward."""
    out = {
        gene.layer
        for gene, k in zip(space.genes, row, strict=True)
        if gene.what == "present" and not gene.values[k]
    }
    return [i for i in range(len(space.scenario.layer)) if i not in out]


def rounded(value: float) -> float:
    """Keep the digits that any reading of the page could use."""
    return float(f"{value:.{_DIGITS}g}")


def axes_record(run: Run, figures: Figures) -> list[dict[str, Any]]:
    """Return the columns of all builds: figures with their errors, then the layers' quantities."""
    goals = [goal.figure for goal in run.scenario.goal]
    needed = run.scenario.figures()
    axes = []
    for name in figures.names:
        found = [one.get(name) for one in figures.of_build]
        group = "Goals" if name in goals else "Limits" if name in needed else "Other figures"
        axes.append(
            {
                "id": name,
                "label": label_of(name),
                "unit": unit_of(name),
                "group": group,
                "values": [None if f is None else rounded(f.value) for f in found],
                "errors": [
                    None if f is None else float(f"{f.difference_error:.3g}") for f in found
                ],
            }
        )
    return axes + _layer_axes(run)


def _layer_axes(run: Run) -> list[dict[str, Any]]:
    space = Space(run.scenario)
    rows = [_by_layer(build.ball, places_of(space, build.row)) for build in run.builds]
    axes = []
    for i, role in enumerate(layer_names(run.scenario)):
        for k, (what, unit) in enumerate(_LAYER_AXES):
            cells = [row[i][k] if i in row else None for row in rows]
            axis: dict[str, Any] = {
                "id": f"layer{i + 1}.{what}",
                "label": f"{role} {what}",
                "unit": unit,
                "group": "Layers",
            }
            if what == "material":
                axis["choices"] = list(dict.fromkeys(cell for cell in cells if cell is not None))
                place = {choice: n for n, choice in enumerate(axis["choices"])}
                axis["values"] = [None if cell is None else place[cell] for cell in cells]
            else:
                axis["values"] = [None if cell is None else rounded(float(cell)) for cell in cells]
            axes.append(axis)
    return axes


def _by_layer(ball: Ball, places: Iterable[int]) -> dict[int, tuple[float | str, ...]]:
    return {
        place: (
            thick,
            layer.outer_diameter_mm,
            layer.material.youngs_modulus_mpa.value,
            layer.material.density_g_cm3.value,
            layer.material.label,
        )
        for place, layer, thick in zip(places, ball.layer, thicknesses_mm(ball), strict=True)
    }


def influence_record(run: Run, figures: Figures) -> dict[str, Any] | None:
    """Fit the figures of goals and limits over the layers' free quantities; None if too few."""
    names = [name for name in run.scenario.figures() if not is_closed_form(name)]
    names = names or list(run.scenario.figures())
    builds = [one for one in figures.of_build if all(name in one for name in names)]
    if not builds or len(builds) != len(run.builds):
        return None
    labels, freedoms = _freedoms(run.scenario, run.builds)
    values = np.array([[one[name].value for name in names] for one in builds]).reshape(
        -1, len(names)
    )
    found = influence(freedoms, values)
    if found is None:
        return None
    return {
        "freedoms": labels,
        "figures": [label_of(name) for name in names],
        "strength": np.round(found.strength, 4).tolist(),
        "error": np.round(found.error, 4).tolist(),
        "explained": np.round(found.explained, 4).tolist(),
    }


def _freedoms(scenario: Scenario, builds: Sequence[Build]) -> tuple[list[str], FloatArray]:
    """Return names and columns of what varies: a layer left out has no thickness.

    The centre's size follows from the others, and the filled layer's density from the mass.
    """
    space = Space(scenario)
    rows = [_by_layer(build.ball, places_of(space, build.row)) for build in builds]
    filled = scenario.fill.layer - 1 if scenario.fill else None
    labels, columns = [], []
    for i, role in enumerate(layer_names(scenario)):
        present = [row[i] for row in rows if i in row]
        for k, what in enumerate(("thickness", "diameter", "modulus", "density")):
            skipped = what == "diameter" or (what == "thickness" and i == 0)
            if skipped or not present or (what == "density" and i == filled):
                continue
            numbers = [float(cells[k]) for cells in present]
            if what == "modulus":
                numbers = [math.log(value) for value in numbers]
            absent = 0.0 if what == "thickness" else float(np.mean(numbers))
            stand = iter(numbers)
            columns.append(np.array([next(stand) if i in row else absent for row in rows]))
            labels.append(f"{role} {what}")
    kept = varying(columns)
    table = np.array([columns[i] for i in kept]).reshape(len(kept), len(rows))
    return [labels[i] for i in kept], table.T
