"""What rules a build out, before and after its figures are computed. Kinds: structure, limits."""

from pathlib import Path

import pytest

from layers.estimates import Figure
from layers.figures import parse_figure
from optimize.ledger.rows import Known
from optimize.scenario.brief import read_scenario
from optimize.scenario.space import Candidate, Space
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.search.judge import Judge, is_closed_form
from optimize.search.result import Failed, Feasible, Infeasible
from tests.helpers.briefs import four_layers, two_layers


def known(**values: float) -> Known:
    return Known({n: Figure(n, v, "g", "closed form", 0.0, 0.0) for n, v in values.items()}, {})


def test_which_bounds_closed_forms_decide():
    limit = [
        {"figure": "deflection_mm", "at_least": 2.0},
        {"figure": "stage1.mass_g", "at_most": 40.0},
        {"figure": "cover.thickness_mm", "at_least": 0.6},
        {"figure": "stage2.mass_g - stage1.mass_g", "at_least": 1.0},
        {"figure": "deflection_mm - stage1.deflection_mm", "at_most": 9.0},
    ]
    judge = Judge.of(four_layers(limit=limit))
    closed = {bound.figure for bound in judge.closed_bounds}
    assert {"stage1.mass_g", CENTRE_DIAMETER, FILL_DENSITY, "mass_g", "diameter_mm"} <= closed
    assert {"stage2.mass_g - stage1.mass_g", "cover.thickness_mm"} <= closed
    assert not any("deflection" in figure for figure in closed)
    assert "deflection_mm" in judge.names
    assert "deflection_mm" not in judge.closed_names
    assert set(judge.closed_names) < set(judge.names)
    assert set(judge.closed_bounds) < set(judge.bounds)


@pytest.mark.parametrize(
    ("name", "closed"),
    [("mass_g", True), ("deflection_mm", False), ("stage2.mass_g / stage1.mass_g", True),
     ("mass_g - stage1.mass_g", True), ("core.thickness_mm", True)],
)  # fmt: skip
def test_which_measures_need_no_finite_elements(name, closed):
    assert is_closed_form(name) == closed


def test_a_build_beyond_a_closed_form_is_ruled_out_by_how_much():
    scenario = two_layers(limit=[{"figure": "mass_g", "at_most": 45.0, "margin": 0.1}])
    judge, space = Judge.of(scenario), Space(scenario)
    broken = 0
    for row in ((0, 0), (10, 0), (10, 15), (5, 7)):
        outcome = judge.before(space.decode(row))
        found = judge.after(space.decode(row), known(mass_g=1.0, moi_g_cm2=80.0))
        assert isinstance(found, Feasible)
        if outcome is None:
            continue
        broken += 1
        mass = outcome.figures["mass_g"].value
        ((bound, excess),) = outcome.excess.items()
        assert (bound.figure, bound.side, outcome.complete) == ("mass_g", "at most", False)
        assert excess == pytest.approx(mass - 44.9)
        assert outcome.values == {}
    assert 0 < broken < 4


def test_numbers_that_make_no_ball_are_ruled_out_by_what_makes_none():
    judge = Judge.of(four_layers())
    lost = Candidate((0,) * 9, None, 3.0, None)
    outcome = judge.before(lost)
    assert isinstance(outcome, Infeasible)
    assert {bound.figure for bound in outcome.excess} == {CENTRE_DIAMETER}
    assert (outcome.figures, outcome.complete) == ({}, False)
    heavy = Candidate((0,) * 9, None, 25.0, 3.0)
    assert {bound.figure for bound in judge.before(heavy).excess} == {FILL_DENSITY}


def test_what_failed_or_is_flagged_is_no_figure():
    scenario = two_layers()
    judge, one = Judge.of(scenario), Space(scenario).decode((0, 0))
    failed = Known(known(mass_g=45.0).figures, {"moi_g_cm2": "no answer"})
    assert judge.after(one, failed) == Failed("moi_g_cm2: no answer")
    flagged = known(mass_g=45.0, moi_g_cm2=80.0)
    flag = Figure("mass_g", 45.0, "g", "closed form", 0.0, 0.0, flag="off by 2 %")
    flagged.figures["mass_g"] = flag
    assert judge.after(one, flagged) == Failed("mass_g: off by 2 %")


def test_a_computed_build_keeps_the_wanted_figures_and_all_that_is_bounded():
    scenario = two_layers(limit=[{"figure": "moi_g_cm2", "at_least": 81.0}])
    judge, one = Judge.of(scenario), Space(scenario).decode((0, 0))
    good = judge.after(one, known(mass_g=45.0, moi_g_cm2=81.5, cor=0.8))
    assert isinstance(good, Feasible)
    assert set(good.figures) == {"mass_g", "moi_g_cm2"}
    assert good.values["moi_g_cm2"] == 81.5
    assert good.values[CENTRE_DIAMETER] == one.centre_diameter_mm
    assert FILL_DENSITY not in good.values
    broken = judge.after(one, known(mass_g=45.0, moi_g_cm2=80.5))
    assert isinstance(broken, Infeasible)
    assert (broken.complete, list(broken.excess.values())) == (True, [pytest.approx(0.5)])
    assert set(broken.figures) == {"mass_g", "moi_g_cm2"}
    assert broken.values["mass_g"] == 45.0
    assert isinstance(judge.after(one, known(mass_g=45.0, moi_g_cm2=81.0)), Feasible)


PATTERNS = Path(__file__).parents[3] / "scenarios" / "three_layer_pattern_choice.toml"


def test_patterns_are_compared_by_mass_size_and_launch_of_the_goals_swings():
    scenario = read_scenario(PATTERNS)
    assert len(scenario.patterns) == 2
    swings = list(
        dict.fromkeys(
            parsed.swing for goal in scenario.goal if (parsed := parse_figure(goal.figure)).swing
        )
    )
    assert swings
    of_launch = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")
    wanted = ["mass_g", "diameter_mm", *(f"{s}.{name}" for s in swings for name in of_launch)]
    known = scenario.figures()
    more = tuple(name for name in wanted if name not in known)
    assert len(more) >= 3
    assert Judge.of(scenario).names == (*known, *more)
    # Goals of the body alone have no launch; one pattern, or none, is compared with nothing.
    body = scenario.model_copy(update={"goal": two_layers().goal})
    assert Judge.of(body).names == body.figures()
    assert Judge.of(two_layers()).names == two_layers().figures()
