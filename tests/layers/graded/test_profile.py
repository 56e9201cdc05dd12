"""Profiles: their means, the ways to state one, what is refused, and balls that carry them."""

import math

import numpy as np
import pytest
from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.ball_file import ball_from_table, ball_toml
from layers.errors import InputError
from layers.files.toml import parse_toml
from layers.graded.curve import RadialCurve, along, element_means
from layers.graded.profile import Profile
from layers.hardness import modulus_from_hardness
from layers.materials import default_catalogue
from tests.helpers.staircase import graded_ball


def read(profile: str, diameter: float = 36.0) -> Ball:
    """Read a two-layer ball whose core has this profile."""
    text = f"""
[[layer]]
role = "core"
outer_diameter_mm = {diameter}
material = "core rubber, medium"
[layer.profile]
{profile}
[[layer]]
role = "cover"
outer_diameter_mm = 42.7
material = "ionomer, firm"
"""
    return ball_from_table(parse_toml(text, "ball.toml"), default_catalogue(), "ball.toml")


def by_sum(curve: RadialCurve, inner: float, outer: float) -> float:
    r = np.linspace(inner, outer, 200_001)
    r = 0.5 * (r[1:] + r[:-1])
    return float((curve.at(r) * r**2).sum() / (r**2).sum())


@pytest.mark.parametrize(
    "curve",
    [
        RadialCurve((0.0, 0.018), (1.0, 6.0), 1.5),
        RadialCurve((0.002, 0.009, 0.015), (2.0, 1.0, 4.0)),
    ],
)
def test_analytic_mean_by_volume(curve):
    assert curve.mean(0.0, 0.018) == pytest.approx(by_sum(curve, 0.0, 0.018), rel=1e-8)
    # Guard: a mean over the radius is another.
    assert abs(curve.mean(0.0, 0.018) / np.mean(curve.at(np.linspace(0, 0.018, 99))) - 1) > 0.01


def test_limits_a_constant_is_exactly_one():
    for profile in (
        Profile(surface_over_centre=1.0, shape=2.3),
        Profile(relative_knots=((0.1, 0.3), (0.7, 0.3), (0.9, 0.3))),
    ):
        curve = profile.modulus_curve(0.003, 0.0181)
        assert set(curve.value) == {1.0}
        assert profile.loss_curve(0.003, 0.0181) is None


def test_ends_set_the_mean_by_volume():
    ball = read("centre_mpa = 20\nsurface_mpa = 120\nshape = 2")
    # <x^2> over a sphere is 3/5.
    assert ball.layer[0].material.youngs_modulus_mpa.value == pytest.approx(20 + 100 * 3 / 5)
    assert ball.ends_mpa(1) == pytest.approx((20.0, 120.0))
    assert "mean by volume" in ball.layer[0].material.youngs_modulus_mpa.source


def test_knots_are_millimetres_from_the_centre():
    ball = read("knots = [[0, 20, 1.0], [9, 40, 1.5], [18, 120, 2.0]]")
    curve, mean = ball.modulus_curve(1), ball.layer[0].material.youngs_modulus_mpa.value
    assert mean * curve.at(np.array([0.0, 0.0045, 0.009, 0.018])) == pytest.approx(
        [20, 30, 40, 120]
    )
    loss = ball.body().loss_curve[0]
    assert loss.mean(0.0, 0.018) == pytest.approx(1.0)
    assert loss.value[-1] / loss.value[0] == pytest.approx(2.0)


def test_readings_of_a_cut_core_carry_their_scatter():
    ball = read('scale = "shore_c"\nreadings = [[0, 47], [9, 70], [17, 86]]')
    ends = [modulus_from_hardness("C", s) for s in (47, 86)]
    assert ball.ends_mpa(1) == pytest.approx(ends)
    card, profile = ball.layer[0].material, ball.layer[0].profile
    assert "+-40 %" in card.youngs_modulus_mpa.source
    assert card.youngs_modulus_mpa.grade == "published example"
    assert profile.ratio_scatter_percent == pytest.approx(100 * math.hypot(0.4, 0.4))
    assert "Shore C" in profile.source


def test_a_file_gives_every_number_back():
    for stated in (
        "centre_mpa = 20.3\nsurface_mpa = 121\nshape = 1.7\nloss_surface_over_centre = 0.7",
        "knots = [[0.4, 20.1], [9.3, 40.7], [18, 120]]",
        'scale = "shore_c"\nreadings = [[0, 47.5], [9, 70], [17, 86]]',
        "surface_over_centre = 3.3",
        "relative_knots = [[0, 1], [1, 2]]\nsource = 'a lab'",
    ):
        ball = read(stated)
        again = ball_from_table(parse_toml(ball_toml(ball), ""), default_catalogue(), "again")
        assert again == ball


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        ("shape = 2", "give one of"),
        ("centre_mpa = 20", "go together"),
        ("centre_mpa = 20\nsurface_mpa = 60\nknots = [[0, 20], [18, 60]]", "not centre_mpa"),
        ("knots = [[0, 20], [19, 60]]", "from 0 to 18 mm"),
        ("knots = [[9, 20], [9, 60]]", "further out than"),
        ("knots = [[9, 20]]", "two or more"),
        ("knots = [[0, 20], [18, -60]]", "must be at least 0"),
        ("knots = [[0, 20], [18, 0]]", "must be positive"),
        ("knots = [[0, 20], [18, 60, 1]]", "three in each"),
        ("knots = [[0, 10], [18, 600]]", "50 times"),
        ("relative_knots = [[0, 1], [1.2, 2]]", "from 0 (the layer's inner"),
        ("readings = [[0, 47], [17, 86]]", "go together"),
        ('scale = "C"\nreadings = [[0, 20], [17, 86]]', "from 30 to 95"),
        ('scale = "Q"\nreadings = [[0, 47], [17, 86]]', "is not in the list"),
        ("surface_over_centre = 60", "at most 50"),
        ("centre = 20", "is not a known field"),
        ("knots = [[0, 20], [18, 60]]\nshape = 2", "goes with the ends"),
    ],
)
def test_bad_profiles_end_in_a_sentence(stated, told):
    with pytest.raises(InputError) as caught:
        read(stated)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    "stated",
    [
        {"centre_mpa": 5000, "surface_mpa": 10},
        {"knots": [[0, 10], [30, 20]]},
        {"scale": "C", "readings": [[0, 10], [18, 80]]},
        {"centre": 1},
    ],
)
def test_a_bad_profile_in_python_is_an_input_error(stated):
    with pytest.raises(InputError):
        graded_ball().replace("core", profile=stated)


def test_a_profile_and_a_modulus_of_the_layer_exclude_each_other():
    text = ball_toml(read("surface_over_centre = 2"))
    own = "shore_c = 60\n[layer.profile]\ncentre_mpa = 20\nsurface_mpa = 60"
    both = text.replace("[layer.profile]\nsurface_over_centre = 2.0", own, 1)
    with pytest.raises(InputError, match="not both"):
        ball_from_table(parse_toml(both, ""), default_catalogue(), "ball.toml")


def test_a_changed_modulus_scales_the_whole_profile():
    ball = read("centre_mpa = 20\nsurface_mpa = 120\nshape = 2")
    doubled = ball.replace("core", youngs_modulus_mpa=160.0)
    assert doubled.ends_mpa(1) == pytest.approx((40.0, 240.0))
    stretched = ball.replace("core", outer_diameter_mm=38.0)
    assert stretched.ends_mpa(1) == pytest.approx((20.0, 120.0))
    stated = ball.replace("core", profile={"centre_mpa": 30, "surface_mpa": 90})
    assert stated.ends_mpa(1) == pytest.approx((30.0, 90.0))


def test_a_modulus_that_a_profile_carries_out_of_range_is_refused():
    with pytest.raises(InputError, match=r"modulus goes from 66.67 to 3333 MPa"):
        read("surface_over_centre = 50\nshape = 3").replace("core", youngs_modulus_mpa=1700)


def test_steepening_multiplies_the_contrast():
    for profile in (
        Profile(surface_over_centre=3.0, shape=2.0),
        Profile(relative_knots=((0.1, 1.0), (0.5, 2.5), (1.0, 3.0))),
    ):
        assert profile.steepened(math.log(1.1)).contrast == pytest.approx(3.3)


def test_layers_in_python_refuse_a_steep_profile():
    with pytest.raises(ValidationError, match="less than or equal to 50"):
        Layer(role="core", outer_diameter_mm=38.0, material="core rubber, soft",
              profile={"surface_over_centre": 70})  # fmt: skip


def test_convergence_of_element_means_is_second_order():
    curve = RadialCurve((0.0, 1.0), (1.0, 6.0), 3.0)
    errors = []
    for h in (0.1, 0.05):
        square = np.array([[0.5, 0.5 + h, 0.5 + h, 0.5], [0.0, 0.0, h, h]])
        mean = element_means((curve,), np.array([0]), square, np.array([[0], [1], [2], [3]]))[0]
        middle = np.hypot(0.5 + 0.5 * h, 0.5 * h)
        errors.append(abs(mean - curve.at(np.array([middle]))[0]))
    assert 3.6 < errors[0] / errors[1] < 4.4


def test_a_shell_without_a_curve_is_one():
    curve = RadialCurve((0.0, 1.0), (1.0, 2.0))
    found = along((curve, None), np.array([0, 1]), np.array([1.0, 1.5]))
    assert found.tolist() == [2.0, 1.0]


def test_a_stage_keeps_its_profile():
    ball = graded_ball(Profile(surface_over_centre=4.0))
    assert ball.stage(1).body().modulus_curve == ball.body().modulus_curve[:1]
