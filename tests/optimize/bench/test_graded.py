"""The bench keeps a graded layer's profile, and its contrast is a slider."""

import pytest

from layers.graded.profile import Profile
from optimize.bench.build import build_of
from optimize.bench.course import recalled
from optimize.bench.sliders import panel_of
from optimize.scenario.space import content_of
from tests.helpers.staircase import graded_ball


@pytest.mark.parametrize(
    "profile",
    [
        Profile(surface_over_centre=4.0, shape=2.0),
        Profile(relative_knots=((0.0, 1.0), (0.5, 1.5), (1.0, 4.0))),
    ],
)
def test_the_contrast_of_a_graded_layer_is_a_slider(profile):
    ball = graded_ball(profile)
    panel = panel_of(ball)
    (place,) = (i for i, s in enumerate(panel.sliders) if s.what == "surface_over_centre")
    assert panel.sliders[place].layer == 1
    values = panel.values(ball)
    assert build_of(panel.setting(values, ball.name), ball) == ball
    values[place] = 5.0
    moved = build_of(panel.setting(values, "moved"), ball)
    assert moved.layer[0].profile.contrast == pytest.approx(5.0)
    assert panel.values(moved)[place] == pytest.approx(5.0)


def test_a_row_of_the_ledger_is_found_again():
    ball = graded_ball(Profile(surface_over_centre=4.0, shape=2.0))
    panel = panel_of(ball)
    assert content_of(recalled(content_of(ball), panel)) == content_of(ball)
    assert recalled(content_of(graded_ball()), panel) is None


def test_an_even_ball_has_no_such_slider():
    assert "surface_over_centre" not in {s.what for s in panel_of(graded_ball()).sliders}
