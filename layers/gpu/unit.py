"""What the masses and surfaces of all builds of one mesh follow from, in the order of its plan."""

from dataclasses import replace
from functools import lru_cache

from layers.gpu.plan import plan_of
from layers.numerics.cubed_sphere import Counts
from layers.strike import masses


@lru_cache(maxsize=16)
def unit_of(counts: Counts, points: int) -> masses.Unit:
    """Gather what masses and surfaces follow from; `points` along each edge of a face."""
    plan, unit = plan_of(counts), masses.unit_of(counts, points)
    first = plan.node[: plan.inner + len(plan.column)]
    return replace(
        unit,
        core=unit.core[first],
        column=unit.column[plan.column],
        place=unit.place[:, first],
        surface=unit.surface._replace(area=unit.surface.area[plan.column]),
    )
