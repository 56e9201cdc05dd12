"""Which rows can be made: all at once against one by one."""

import numpy as np
import pytest

from optimize.scenario.brief import Scenario
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Space
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from tests.helpers.briefs import four_layers, two_layers


def one_by_one(space: Space, rows: np.ndarray) -> list[bool]:
    bounds = [b for b in space.scenario.bounds() if b.figure in (CENTRE_DIAMETER, FILL_DENSITY)]
    made = []
    for row in rows:
        found = space.decode(tuple(row.tolist()))
        values = {CENTRE_DIAMETER: found.centre_diameter_mm, FILL_DENSITY: 1.0}
        if found.fill_density_g_cm3 is not None:
            values[FILL_DENSITY] = found.fill_density_g_cm3
        kept = all(bound.excess(values[bound.figure]) == 0.0 for bound in bounds)
        made.append(found.ball is not None and kept)
    return made


def filled_outside() -> Scenario:
    """Fill the outer core, whose neighbours have densities of their own."""
    brief = four_layers()
    fill = brief.fill.model_copy(update={"layer": 4, "density_g_cm3": (0.9, 1.3)})
    cover = brief.layer[3].model_copy(update={"optional": False})
    return brief.model_copy(update={"fill": fill, "layer": (*brief.layer[:3], cover)})


def optional_cover() -> Scenario:
    """Fill the inner core where the cover may be left out: the mantle then has the dimples."""
    brief = four_layers()
    cover = brief.layer[3].model_copy(update={"optional": True})
    fill = brief.fill.model_copy(update={"density_g_cm3": (1.1, 1.2)})
    return brief.model_copy(update={"fill": fill, "layer": (*brief.layer[:3], cover)})


@pytest.mark.parametrize("brief", [four_layers(), filled_outside(), optional_cover(), two_layers()])
def test_all_at_once_is_one_by_one(brief):
    """Optional layers, a filled centre or cover under dimples, densities of cards and of genes."""
    space = Space(brief)
    rows = np.random.default_rng(0).integers(space.sizes, size=(400, len(space.genes)))
    made = can_be_made(space, rows)
    assert made.tolist() == one_by_one(space, rows)
    if brief.fill:
        assert 0.1 < made.mean() < 0.9
    else:
        assert made.all()
