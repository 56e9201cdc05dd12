"""Rows of choices <-> balls."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.errors import InputError
from layers.estimation import estimate
from optimize.scenario import space as space_of_builds
from optimize.scenario.space import Space, content_of, key_of
from tests.helpers.briefs import four_layers, two_layers

SPACE = Space(four_layers())
ROWS = st.tuples(*(st.integers(0, int(n) - 1) for n in SPACE.sizes))
PLACE = {(gene.layer, gene.what): i for i, gene in enumerate(SPACE.genes)}


def row_with(**values: int) -> tuple[int, ...]:
    row = [0] * len(SPACE.genes)
    row[PLACE[2, "present"]] = 1
    for name, k in values.items():
        what, _, layer = name.rpartition("_of_")
        row[PLACE[int(layer), what]] = k
    return tuple(row)


def test_freedoms_of_one_value_are_no_genes():
    assert [(g.layer, g.what, len(g.values)) for g in SPACE.genes] == [
        (0, "youngs_modulus_mpa", 51),
        (0, "material", 2),
        (1, "thickness_mm", 51),
        (1, "density_g_cm3", 21),
        (2, "present", 2),
        (2, "thickness_mm", 13),
        (2, "material", 3),
        (3, "thickness_mm", 31),
        (3, "material", 3),
    ]


@given(ROWS)
def test_a_row_is_found_again_from_its_ball(row):
    candidate = SPACE.decode(row)
    if candidate.ball is not None:
        assert SPACE.encode(candidate.ball) == candidate.row
        assert SPACE.decode(candidate.row) == candidate


@given(st.lists(st.floats(0.0, 1.0), min_size=9, max_size=9))
def test_snapping_a_point_twice_is_snapping_it_once(x):
    once = SPACE.snap(np.array([x]))
    assert np.array_equal(SPACE.snap(once), once)
    assert np.all((once > 0.0) & (once < 1.0))
    assert SPACE.row_of(once[0]) == SPACE.row_of(np.array(x))


@given(ROWS)
def test_diameters_nest_and_thicknesses_keep_their_increment(row):
    ball = SPACE.decode(row).ball
    if ball is None:
        return
    diameters = [layer.outer_diameter_mm for layer in ball.layer]
    assert diameters[-1] == 42.7
    cover = (diameters[-1] - diameters[-2]) / 2.0
    assert math.isclose(cover / 0.05, round(cover / 0.05), abs_tol=1e-6)
    assert 0.5 - 1e-9 <= cover <= 2.0 + 1e-9


@given(ROWS)
def test_the_fill_gives_the_mass_dimples_included(row):
    ball = SPACE.decode(row).ball
    if ball is not None:
        assert estimate(ball, ("mass_g",))["mass_g"].value == pytest.approx(45.5, rel=1e-12)


def test_the_fill_of_a_cover_by_hand():
    scenario = two_layers(fill={"mass_g": 45.0, "layer": 2, "density_g_cm3": [0.5, 2.0]})
    space = Space(scenario)
    sphere = math.pi / 6.0 * 4.27**3
    for row in ((0, 0), (5, 10)):
        candidate = space.decode(row)
        core, cover = candidate.ball.layer
        inner = math.pi / 6.0 * (core.outer_diameter_mm / 10.0) ** 3
        rest = 45.0 - core.material.density_g_cm3.value * inner
        by_hand = rest / (sphere * (1.0 - 0.007) - inner)
        assert candidate.fill_density_g_cm3 == pytest.approx(by_hand, rel=1e-12)
        assert cover.material.density_g_cm3.value == candidate.fill_density_g_cm3


def test_equal_builds_are_one_row_when_a_layer_is_left_out():
    one = SPACE.decode(row_with(present_of_2=0, thickness_mm_of_2=3, material_of_2=1))
    other = SPACE.decode(row_with(present_of_2=0, thickness_mm_of_2=9, material_of_2=2))
    assert one == other
    assert len(one.ball.layer) == 3


def test_every_number_of_a_build_changes_its_key():
    base = SPACE.decode(row_with()).ball
    changed = [
        SPACE.decode(row_with(**{name: 1})).ball
        for name in ("youngs_modulus_mpa_of_0", "thickness_mm_of_1", "density_g_cm3_of_1")
    ]
    changed.append(base.model_copy(update={"dimple_depth_mm": 0.2}))
    keys = {key_of(content_of(ball)) for ball in (base, *changed)}
    assert len(keys) == 1 + len(changed)
    assert key_of(content_of(base.model_copy(update={"name": "another"}))) in keys


def test_numbers_that_make_no_ball_are_told_not_raised():
    thick = two_layers(
        layer=[
            {"role": "core", "material": "core rubber, soft"},
            {"role": "cover", "thickness_mm": [1.0, 21.0], "material": "ionomer, soft"},
        ]
    )
    space = Space(thick)
    candidate = space.decode((int(space.sizes[0]) - 1,))
    assert candidate.ball is None
    assert candidate.centre_diameter_mm == pytest.approx(0.7)
    heavy = Space(two_layers(fill={"mass_g": 95, "layer": 2, "density_g_cm3": [1, 2]}))
    candidate = heavy.decode((0, 0))
    assert candidate.ball is None
    assert candidate.fill_density_g_cm3 > 12.0
    light = Space(two_layers(fill={"mass_g": 35, "layer": 2, "density_g_cm3": [0.4, 2]}))
    candidate = light.decode((0, 0))
    assert candidate.ball is None
    assert candidate.fill_density_g_cm3 < 0.4


@given(st.lists(ROWS, min_size=2, max_size=4))
def test_a_decoded_ball_is_valid_and_the_same_whatever_was_decoded_before(rows):
    """Nothing checks it again, and cards are kept from one build to the next."""
    for row in rows:
        candidate = SPACE.decode(row)
        assert candidate == Space(SPACE.scenario).decode(row)
        if candidate.ball is not None:
            candidate.ball.checked()


def test_kept_cards_stay_few(monkeypatch):
    monkeypatch.setattr(space_of_builds, "_MOST_MADE", 2)
    space = Space(four_layers())
    for k in range(5):
        row = row_with(youngs_modulus_mpa_of_0=k)
        assert space.decode(row).ball == SPACE.decode(row).ball
        assert len(space._made) <= 2


def test_a_ball_of_another_space_is_refused():
    foreign = Space(two_layers()).decode((0, 0)).ball
    with pytest.raises(InputError, match="is not among the builds"):
        SPACE.encode(foreign)


@pytest.mark.parametrize("row", [(0,), (99,) * 9, (-1,) * 9])
def test_a_row_that_does_not_fit_is_refused(row):
    with pytest.raises(InputError, match="does not fit"):
        SPACE.decode(row)


def optional_layer(role: str, **changes):
    """Return the four-layer space in which only the layer of this role may be left out."""
    layers = four_layers().model_dump()["layer"]
    changed = [layer | {"optional": layer["role"] == role} for layer in layers]
    return Space(four_layers(layer=changed, **changes))


@pytest.mark.parametrize(
    ("absent", "filled"), [("mantle", 4), ("mantle", 1), ("cover", 1), ("cover", 3)]
)
def test_the_fill_gives_the_mass_when_a_layer_outside_or_inside_it_is_left_out(absent, filled):
    """The dimples then belong to another layer, or the filled layer has another number."""
    fill = {"mass_g": 45.5, "layer": filled, "density_g_cm3": [0.4, 12.0]}
    space = optional_layer(absent, fill=fill)
    place = [gene.what for gene in space.genes].index("present")
    row = [0] * len(space.genes)
    row[place] = 0
    candidate = space.decode(tuple(row))
    roles = [layer.role for layer in candidate.ball.layer]
    assert absent not in roles
    assert estimate(candidate.ball, ("mass_g",))["mass_g"].value == pytest.approx(45.5, rel=1e-12)
    role = space.scenario.layer[filled - 1].role
    card = candidate.ball.layer[roles.index(role)].material
    assert card.density_g_cm3.value == candidate.fill_density_g_cm3
