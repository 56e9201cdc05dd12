"""What a run says of itself: frame, line, notebook. Kinds: structure, analytic."""

from dataclasses import replace

import numpy as np
import pytest

from layers.estimates import Estimate, Figure
from layers.graded.profile import Profile
from optimize.scenario.goals import Bound
from optimize.search.result import Build, Feasible, Infeasible, Member, Run
from tests.helpers.briefs import four_layers
from tests.helpers.builds import random_balls
from tests.helpers.staircase import graded_ball

BALLS = random_balls(3, seed=4)  # of two, three and four layers
BROKEN = Bound("mass_g", "at most", 45.0, 0.0, "limit")


def figures(i: int) -> dict[str, Figure]:
    return {
        "moi_g_cm2": Figure("moi_g_cm2", 80.0 + i, "g cm2", "closed form", 0.1, 0.5),
        "stage1.mass_g": Figure("stage1.mass_g", 30.0 - i, "g", "closed form", 0.1, 0.5),
    }


@pytest.fixture
def run() -> Run:
    builds = tuple(
        Build(f"k{i}", (i,), ball, figures(i), {BROKEN: 0.1} if i == 1 else {})
        for i, ball in enumerate(BALLS)
    )
    estimate = Estimate(BALLS[2], figures(2))
    member = Member("A", "k2", BALLS[2], estimate, (estimate,), {}, "best <b>", ())
    return Run(
        id="r1", scenario=four_layers(), seed=1, model_version="1", evaluated=3, feasible=2,
        infeasible=1, ruled_out=0, failed={}, short_list=(member,),
        front=(("k2", (82.0, 28.0)), ("k0", (80.0, 30.0))), prices=(), relaxations=(), checks=(),
        cloud=np.zeros((3, 2)), cloud_feasible=np.array([True, False, True]), builds=builds,
        reused=0, seconds=0.0,
    )  # fmt: skip


def test_a_frame_has_a_row_a_build_and_layers_first_outward(run):
    frame = run.to_frame()
    assert list(frame.index) == ["k0", "k1", "k2"]
    assert frame.index.name == "build"
    of_layer = ("role", "outer_diameter_mm", "material", "youngs_modulus_mpa", "density_g_cm3")
    layers = [f"layer{n}_{what}" for n in range(1, 5) for what in of_layer]
    assert list(frame.columns) == [
        *layers, "moi_g_cm2", "stage1.mass_g", "feasible", "on_front", "label"
    ]  # fmt: skip
    assert frame["feasible"].tolist() == [True, False, True]
    assert frame["on_front"].tolist() == [True, False, True]
    assert frame["label"].tolist() == ["", "", "A"]
    assert frame["moi_g_cm2"].tolist() == [80.0, 81.0, 82.0]
    for i, ball in enumerate(BALLS):
        for n, layer in enumerate(ball.layer, start=1):
            card = layer.material
            wanted = (layer.role, layer.outer_diameter_mm, card.name,
                      card.youngs_modulus_mpa.value, card.density_g_cm3.value)  # fmt: skip
            assert tuple(frame.iloc[i][f"layer{n}_{what}"] for what in of_layer) == wanted
    assert frame["layer4_role"].isna().tolist() == [True, True, False]


def test_graded_layers_and_patterns_have_columns_too(run):
    ball = graded_ball(Profile(surface_over_centre=4.0, shape=2.0))
    ball = ball.model_copy(update={"dimple_pattern": "p1"})
    frame = replace(run, builds=(Build("k9", (0,), ball, {}, {}),)).to_frame()
    assert (frame["layer1_surface_over_centre"].iloc[0], frame["layer1_shape"].iloc[0]) == (
        4.0,
        2.0,
    )
    assert "layer2_surface_over_centre" not in frame
    assert frame["dimple_pattern"].iloc[0] == "p1"


def test_a_run_in_lines_and_in_a_notebook(run):
    head, line = repr(run).split("\n")
    assert head == "Run of 'Inertia against core mass': 3 builds evaluated, 2 feasible"
    estimate = run.short_list[0].estimate
    assert line == f"  A: {estimate['moi_g_cm2']!r}, {estimate['stage1.mass_g']!r}"
    html = run._repr_html_()
    assert "Short list of Inertia against core mass" in html
    assert "best &lt;b&gt;" in html
    assert html.index(">moi_g_cm2<") < html.index(">stage1.mass_g<") < html.index(">why<")
    assert html.count("moi_g_cm2") == 1  # in the head: cells have the value alone


def test_runs_are_equal_by_their_answers_whatever_it_took(run):
    assert replace(run, seconds=9.0, reused=3, builds=(), cloud=np.ones((3, 2))) == run
    assert replace(run, feasible=3) != run
    assert replace(run, lacking="something") != run


def test_analytic_distance_sums_the_excesses_over_their_bounds():
    other = Bound("cor", "at least", 0.8, 0.0, "limit")
    of_zero = Bound("x", "at least", 0.0, 0.0, "limit")
    scaled = Bound("fence", "at least", 0.0, 0.0, "fence", 100.0)
    excess = {BROKEN: 4.5, other: 0.08, of_zero: 0.3, scaled: 5.0}
    assert Infeasible(excess, {}, True).distance == pytest.approx(0.1 + 0.1 + 0.3 + 0.05)
    assert Infeasible({}, {}, True).distance == 0.0
    assert Feasible({}).values == {}
