"""The computed builds of a run, and the figures known of each."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from layers.ball import Ball
from layers.estimates import Figure
from layers.estimation import estimate
from optimize.report.ball import thicknesses_mm
from optimize.scenario.space import Row, Space
from optimize.search.result import Run

# Closed forms of the whole ball, computed for every build.
_ALWAYS = ("mass_g", "moi_g_cm2", "moi_ratio", "mean_density_g_cm3")
# A figure that is known of a smaller fraction of the builds is no axis.
_LEAST_FRACTION = 0.5
# More builds than this are slow to filter.
MOST_SHOWN = 5000
_DIGITS = 7


@dataclass(frozen=True)
class Figures:
    """Figures of every build by name, and the names in the order in which the page lists them."""

    of_build: tuple[dict[str, Figure], ...]
    names: tuple[str, ...]


def thinned(run: Run, most: int = MOST_SHOWN) -> Run:
    """Keep as many builds as a page can show.

    The front and the short list remain, and of the others as many as fit, evenly over the search.

    Parameters
    ----------
    run : Run
        A finished search.
    most : int
        Number of builds that a page shows.
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
    """Collect the figures of goals and limits, closed forms, and others known of each build.

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
    least = _LEAST_FRACTION * len(found)
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
    """Round to the digits that the page carries."""
    return float(f"{value:.{_DIGITS}g}")


def layer_cells(ball: Ball, places: Iterable[int]) -> dict[int, tuple[float | str, ...]]:
    """Return the quantities of `optimize.page.axes` by layer of the scenario.

    Thickness, diameter, modulus, density, material; moduli inside and outside and shape of a
    profile.

    Parameters
    ----------
    ball : Ball
        A build.
    places : iterable of int
        Which layer of the scenario each of its layers is.
    """
    return {
        place: (
            thickness,
            layer.outer_diameter_mm,
            layer.material.youngs_modulus_mpa.value,
            layer.material.density_g_cm3.value,
            layer.material.label,
            *ball.ends_mpa(number),
            layer.profile.shape if layer.profile else 1.0,
        )
        for number, (place, layer, thickness) in enumerate(
            zip(places, ball.layer, thicknesses_mm(ball), strict=True), start=1
        )
    }
