"""Differences of builds: near ones share the error of the mesh, equal cards their own.

Kind: limits. No solver runs: the figures are made up.
"""

import math

import numpy as np
import pytest

from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.figures import QUANTITIES, parse_figure
from layers.materials import default_catalogue
from layers.resolution.difference import difference, differences, half_widths
from layers.resolution.grades import deviation
from layers.resolution.nearness import nearness

SPIN = "driver fast.spin_rpm"


def ball(core: float = 39.0, cover: str = "urethane, soft", modulus: float | None = None) -> Ball:
    rubber = default_catalogue().find("core rubber, medium")
    if modulus:
        rubber = rubber.with_values("set here", youngs_modulus_mpa=modulus)
    return Ball(
        layer=(
            Layer(role="core", outer_diameter_mm=core, material=rubber),
            Layer(role="cover", outer_diameter_mm=42.7, material=cover),
        )
    )


def built(build: Ball, value: float, name: str = "cor", **more) -> Estimate:
    known = QUANTITIES[parse_figure(name).quantity]
    told = {
        "basis": "finite element",
        "difference_error": known.difference_error(value),
        "absolute_error": abs(value) * known.absolute_percent / 100.0,
    } | more
    return Estimate(build, {name: Figure(name, value, known.unit, **told)})


def error(one: Estimate, two: Estimate, part: str, name: str = "cor") -> float:
    return difference(one, two, name).parts.get(part, 0.0)


def test_the_mesh_error_grows_with_the_distance_up_to_that_of_far_builds():
    base = built(ball(39.0), 0.78)
    meshes = [error(base, built(ball(core), 0.78), "mesh") for core in (38.9, 38.5, 37.0, 30.0)]
    assert meshes == sorted(meshes)
    far = error(base, built(ball(39.0).stage(1), 0.78), "mesh")
    assert meshes[0] < 0.5 * far
    assert meshes[-1] <= far


def test_a_modulus_set_apart_parts_the_meshes_but_not_the_card():
    base, stiff = built(ball(), 0.78), built(ball(modulus=60.0), 0.78)
    assert 0.0 < error(base, built(ball(modulus=51.0), 0.78), "mesh") < error(base, stiff, "mesh")
    assert error(base, stiff, "materials") == 0.0


def test_cards_that_only_one_build_has_widen_the_difference_by_their_grade():
    base = built(ball(), 3000.0, SPIN)
    kin = error(base, built(ball(cover="urethane, medium"), 3000.0, SPIN), "materials", SPIN)
    other = error(base, built(ball(cover="ionomer, medium"), 3000.0, SPIN), "materials", SPIN)
    assert 0.0 < kin < other  # of one family, dynamic modulus, loss and friction are common


def test_a_better_grade_narrows():
    card = default_catalogue().find("urethane, medium")
    told = card.model_copy(
        update={
            "youngs_modulus_mpa": card.youngs_modulus_mpa.model_copy(update={"grade": "measured"})
        }
    )
    assert deviation(told, "youngs_modulus_mpa") < deviation(card, "youngs_modulus_mpa")
    base = built(ball(), 3000.0, SPIN)
    widths = [
        error(base, built(ball(cover=cover), 3000.0, SPIN), "materials", SPIN)
        for cover in (told, card)
    ]
    assert widths[0] < widths[1]


def test_what_both_builds_share_puts_the_difference_in_error_by_its_own_size():
    base, other = built(ball(), 3000.0, SPIN), built(ball(38.0), 3200.0, SPIN)
    part = error(base, other, "shared law", SPIN)
    assert part == pytest.approx(2.0 * QUANTITIES["spin_rpm"].absolute_percent)
    assert error(base, built(ball(38.0), 3000.0, SPIN), "shared law", SPIN) == 0.0


def test_the_parts_add_as_a_root_sum_of_squares_and_the_sign_is_of_the_other():
    found = differences(built(ball(), 0.78), built(ball(38.0, "ionomer, soft"), 0.77))["cor"]
    assert found.value == pytest.approx(-0.01)
    assert found.error == pytest.approx(math.hypot(*found.parts.values()))
    assert found.standard_error == pytest.approx(found.error / 1.96)


def test_the_numerical_error_leaves_out_the_cards():
    other = built(ball(38.0, "ionomer, soft"), 0.77)
    found = difference(built(ball(), 0.78), other, "cor")
    assert found.numerical_error == found.parts["mesh"]
    assert (other["cor"] - built(ball(), 0.78)["cor"]).numerical_error > found.numerical_error


def test_an_emulator_s_own_error_does_not_cancel():
    wide = 5.0 * QUANTITIES["cor"].difference_error(0.78)
    pair = [built(ball(), 0.78, basis="emulator", difference_error=wide) for _ in range(2)]
    assert error(*pair, "prediction") > 1.2 * wide


def test_a_figure_that_was_not_fitted_is_taken_as_of_far_builds():
    club = "driver.carry_range_m"
    one, two = built(ball(), 20.0, club), built(ball(), 20.0, club)
    mesh = error(one, two, "mesh", club)
    assert mesh == pytest.approx(math.sqrt(2.0) * one[club].difference_error)


def test_a_stage_is_compared_by_its_own_layers():
    name = "stage1.deflection_mm"
    one = built(ball(), 3.0, name)
    same, thinner = built(ball(cover="ionomer, firm"), 3.0, name), built(ball(38.0), 3.0, name)
    assert error(one, same, "mesh", name) < error(one, thinner, "mesh", name)
    assert error(one, same, "materials", name) == 0.0


def test_half_widths_are_those_of_the_pairs():
    builds = [built(ball(core), 0.78) for core in (39.0, 38.5, 37.0)]
    found = half_widths(builds, "cor")
    assert np.array_equal(found, found.T)
    assert found[0, 2] == difference(builds[0], builds[2], "cor").error
    assert np.all(np.diag(found) == 0.0)


def test_a_figure_that_one_lacks_is_refused():
    with pytest.raises(InputError, match="deflection_mm was not asked for"):
        difference(built(ball(), 0.78), built(ball(), 0.78), "deflection_mm")


def test_nearness_goes_from_the_floor_to_one():
    assert nearness(0.0, 0.1, 0.8) == pytest.approx(0.1)
    assert nearness(math.inf, 0.1, 0.8) == 1.0


def test_two_patterns_add_what_their_tables_leave_open_and_one_cancels():
    build = ball()
    judged = 0.11 * 240.0

    def carry(pattern, value, own):
        figure = Figure(
            "driver fast.carry_m", value, "m", "finite element", 0.8, math.hypot(judged, own)
        )
        named = build.model_copy(update={"dimple_pattern": pattern})
        return Estimate(named, {"driver fast.carry_m": figure})

    same = difference(carry("a", 240.0, 1.5), carry("a", 240.0, 1.5), "driver fast.carry_m")
    other = difference(carry("a", 240.0, 1.5), carry("b", 240.0, 2.0), "driver fast.carry_m")
    assert "drag and lift" not in same.parts
    assert other.parts["drag and lift"] == pytest.approx(2.5, rel=1e-6)
    exact = difference(carry("a", 240.0, 0.0), carry("b", 240.0, 0.0), "driver fast.carry_m")
    assert "drag and lift" not in exact.parts


def test_a_finer_mesh_errs_less_in_every_figure_and_never_by_less_than_nothing():
    for name, known in QUANTITIES.items():
        assert 0.0 < known.fine_share <= 1.0, name
