"""The columns that the page plots, filters and compares: figures and quantities of the layers."""

from typing import Any

from optimize.page.builds import Figures, layer_cells, places_of, rounded
from optimize.report.words import label_of, layer_names, unit_of
from optimize.scenario.space import Space
from optimize.search.result import Run

_LAYER_AXES = (
    ("thickness", "mm"),
    ("diameter", "mm"),
    ("modulus", "MPa"),
    ("density", "g/cm³"),
    ("material", ""),
    ("modulus inside", "MPa"),
    ("modulus outside", "MPa"),
    ("shape", ""),
)
# Those of graded layers alone.
_OF_PROFILE = ("modulus inside", "modulus outside", "shape")


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
    return axes + _layer_axes(run) + _pattern_axis(run)


def _pattern_axis(run: Run) -> list[dict[str, Any]]:
    """Return the dimple pattern as a column where there are several to choose from."""
    patterns = run.scenario.patterns
    if len(patterns) < 2:
        return []
    axis = {"id": "dimple_pattern", "label": "dimple pattern", "unit": "", "group": "Layers"}
    values = [patterns.index(build.ball.dimple_pattern) for build in run.builds]
    return [{**axis, "choices": list(patterns), "values": values}]


def _layer_axes(run: Run) -> list[dict[str, Any]]:
    space = Space(run.scenario)
    rows = [layer_cells(build.ball, places_of(space, build.row)) for build in run.builds]
    axes = []
    for i, role in enumerate(layer_names(run.scenario)):
        for k, (what, unit) in enumerate(_LAYER_AXES):
            if what in _OF_PROFILE and run.scenario.layer[i].surface_over_centre is None:
                continue
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
