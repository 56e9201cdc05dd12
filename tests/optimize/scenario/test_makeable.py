"""Which rows can be made: all at once against one by one."""

import numpy as np
import pytest

from optimize.scenario.brief import Scenario
from optimize.scenario.fences import Fence, FenceRange
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Space
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.search.judge import Judge
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


def test_fences_without_finite_elements_are_kept_to_as_the_search_does():
    brief = four_layers()
    thin = Fence(name="thin", range=(FenceRange(figure="cover.thickness_mm", at_most=0.8),))
    light = Fence(
        name="inertia",
        range=(
            FenceRange(figure="moi_ratio", at_least=0.39),
            FenceRange(figure="cover.youngs_modulus_mpa", at_least=10.0),
        ),
    )
    computed = Fence(name="hard", range=(FenceRange(figure="deflection_mm", at_least=0.1),))
    fenced = brief.model_copy(update={"fence": (thin, light, computed)})
    space, free = Space(fenced), Space(brief)
    rows = np.random.default_rng(0).integers(space.sizes, size=(200, len(space.genes)))
    made, before = can_be_made(space, rows), can_be_made(free, rows)
    judge = Judge.of(fenced)
    truth = [judge.before(space.decode(tuple(row.tolist()))) is None for row in rows]
    plain = Judge.of(brief)
    other = [plain.before(free.decode(tuple(row.tolist()))) is None for row in rows]
    assert made[other].tolist() == np.array(truth)[other].tolist()
    assert 0.05 < made.mean() < before.mean()
    assert not made[~before].any()
