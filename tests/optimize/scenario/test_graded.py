"""Design variables of a profile, from the brief to the ledger's columns."""

import numpy as np
import pytest

from layers.errors import InputError
from layers.graded.profile import Profile
from optimize.emulator.encoding import Encoding
from optimize.ledger.columns import build_cells
from optimize.scenario.brief import scenario_from_toml
from optimize.scenario.measures import parse_measure
from optimize.scenario.space import Space, content_of
from optimize.scenario.start import start_of, start_rows
from tests.helpers.staircase import graded_ball

BRIEF = """
name = "Graded core"
seed = 1
evaluations = 40
population = 8

[ball]
outer_diameter_mm = 42.7

[[layer]]
role = "core"
diameter_mm = [30.0, 41.0]
material = "core rubber, medium"
youngs_modulus_mpa = [30, 60]
surface_over_centre = [1, 6]
surface_over_centre_increment = 0.5
shape = [0.5, 3]

[[layer]]
role = "cover"
thickness_mm = [1.0, 2.0]
material = "ionomer, firm"

[[goal]]
figure = "stage1.hardness_difference"
aim = "maximize"

[[limit]]
figure = "core.inner_mpa"
at_least = 8.0

[[limit]]
figure = "core.surface_over_centre"
at_most = 5.0
"""


@pytest.fixture(scope="module")
def space() -> Space:
    return Space(scenario_from_toml(BRIEF))


def test_a_profile_is_two_genes(space):
    assert [g.what for g in space.genes] == [
        "youngs_modulus_mpa",
        "surface_over_centre",
        "shape",
        "thickness_mm",
    ]


def test_rows_and_balls_of_a_graded_space_match(space):
    rng = np.random.default_rng(0)
    for _ in range(20):
        row = tuple(int(rng.integers(1, n)) for n in space.sizes)
        ball = space.decode(row).ball
        assert ball.layer[0].profile.surface_over_centre == space.genes[1].values[row[1]]
        assert space.encode(ball) == row
        assert start_rows_of(space, row) == (row,)


def test_a_contrast_of_one_is_an_even_layer_whatever_the_shape(space):
    ball = space.decode((3, 0, 4, 2)).ball
    assert ball.layer[0].profile is None
    assert space.decode((3, 0, 4, 2)).row == (3, 0, 0, 2) == space.encode(ball)
    assert content_of(ball) == content_of(space.decode((3, 0, 1, 2)).ball)


def start_rows_of(space, row):
    build = start_of(space, row, "again")
    return start_rows(Space(space.scenario.model_copy(update={"start": (build,)})))


def test_the_emulator_sees_ratios_by_their_logarithms(space):
    low, middle = (0, 0, 0, 0), (0, 5, 0, 0)
    names = Encoding(space).names
    place = names.index("core: surface_over_centre")
    x = Encoding(space)([low, middle])[:, place]
    assert x[0] == 0.0
    assert x[1] == pytest.approx(np.log(3.5) / np.log(6.0))


def test_limits_on_a_profile_are_read_off_the_ball(space):
    ball = graded_ball(Profile(surface_over_centre=6.0, shape=2.0))
    inner, outer = (parse_measure(f"core.{what}").value_of(ball, {}) for what in
                    ("inner_mpa", "outer_mpa"))  # fmt: skip
    assert outer / inner == pytest.approx(6.0)
    assert parse_measure("core.surface_over_centre").value_of(ball, {}) == 6.0
    assert parse_measure("cover.surface_over_centre").value_of(ball, {}) == 1.0
    row = (0, 10, 0, 0)
    bounds = {bound.figure for bound in space.scenario.bounds()}
    assert {"core.inner_mpa", "core.surface_over_centre"} <= bounds
    assert space.decode(row).ball.layer[0].profile.contrast == 6.0


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("surface_over_centre = [1, 6]\nsurface_over_centre_increment = 0.5\n", "", "shape needs"),
        ("surface_over_centre = [1, 6]", "surface_over_centre = [1, 60]", "at most 50"),
        ("youngs_modulus_mpa = [30, 60]", "youngs_modulus_mpa = [30, 900]", "narrow one of them"),
        ("shape = [0.5, 3]", "shape = [0.5, 30]", "at most 20"),
    ],
)
def test_bad_ranges_end_in_a_sentence(old, new, told):
    with pytest.raises(InputError, match=told):
        scenario_from_toml(BRIEF.replace(old, new))


def test_content_has_the_profile_and_even_builds_keep_theirs():
    even, graded = graded_ball(), graded_ball(Profile(surface_over_centre=2.0))
    assert "profiles" not in content_of(even)
    assert content_of(graded) != content_of(graded_ball(Profile(surface_over_centre=2.1)))
    # Where a profile comes from changes no figure.
    told = graded_ball(Profile(surface_over_centre=2.0, source="a lab"))
    assert content_of(told) == content_of(graded)


def test_ledger_columns_of_a_profile():
    cells = build_cells(content_of(graded_ball(Profile(surface_over_centre=2.0, shape=1.5))))
    assert cells["layer1_surface_over_centre"] == 2.0
    assert cells["layer1_shape"] == 1.5
    knots = Profile(relative_knots=((0, 2), (1, 3)))
    cells = build_cells(content_of(graded_ball(knots)))
    assert cells["layer1_surface_over_centre"] == 1.5
    assert "layer1_shape" not in cells
