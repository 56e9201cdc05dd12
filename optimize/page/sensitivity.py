"""Sensitivity on the page: regression over the run's builds, Sobol indices over its space."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from optimize.page.builds import Figures, layer_cells, places_of
from optimize.page.regression import standardised_regression, varying
from optimize.page.sobol import Sobol
from optimize.report.words import label_of, layer_names
from optimize.scenario.brief import Scenario
from optimize.scenario.space import Space
from optimize.search.judge import is_closed_form
from optimize.search.result import Build, Run


def regression_record(run: Run, figures: Figures) -> dict[str, Any] | None:
    """Regress the figures of goals and limits on the variables; None if builds are too few."""
    names = [name for name in run.scenario.figures() if not is_closed_form(name)]
    names = names or list(run.scenario.figures())
    builds = [one for one in figures.of_build if all(name in one for name in names)]
    if not builds or len(builds) != len(run.builds):
        return None
    labels, variables = _design_variables(run.scenario, run.builds)
    values = np.array([[one[name].value for name in names] for one in builds]).reshape(
        -1, len(names)
    )
    found = standardised_regression(variables, values)
    if found is None:
        return None
    return {
        "variables": labels,
        "figures": [label_of(name) for name in names],
        "coefficients": np.round(found.coefficients, 4).tolist(),
        "error": np.round(found.error, 4).tolist(),
        "r2": np.round(found.r2, 4).tolist(),
    }


def _design_variables(scenario: Scenario, builds: Sequence[Build]) -> tuple[list[str], FloatArray]:
    """Return names and columns of what varies; a layer that is left out has thickness 0.

    The innermost layer's size follows from the others, the filled layer's density from the mass.
    """
    space = Space(scenario)
    rows = [layer_cells(build.ball, places_of(space, build.row)) for build in builds]
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
            present_values = iter(numbers)
            columns.append(np.array([next(present_values) if i in row else absent for row in rows]))
            labels.append(f"{role} {what}")
        if scenario.layer[i].surface_over_centre is not None and present:
            ends = np.array([[float(cells[k]) for k in (5, 6, 7)] for cells in present])
            graded = (np.log(ends[:, 1] / ends[:, 0]), np.log(ends[:, 2]))
            for what, ratios in zip(("surface over centre", "shape"), graded, strict=True):
                present_values = iter(ratios.tolist())
                absent = float(ratios.mean())
                columns.append(
                    np.array([next(present_values) if i in row else absent for row in rows])
                )
                labels.append(f"{role} {what}")
    kept = varying(columns)
    table = np.array([columns[i] for i in kept]).reshape(len(kept), len(rows))
    return [labels[i] for i in kept], table.T


def sobol_record(sobol: Sobol) -> dict[str, object]:
    """Return Sobol indices as plain data."""
    return {
        "figures": list(sobol.figures),
        "variables": list(sobol.variables),
        "first": np.round(sobol.first, 4).tolist(),
        "total": np.round(sobol.total, 4).tolist(),
        "low": np.round(sobol.low, 4).tolist(),
        "high": np.round(sobol.high, 4).tolist(),
        "source": sobol.source,
        "sentences": list(sobol.sentences),
        "notes": list(sobol.notes),
        "maps": list(sobol.maps),
    }
