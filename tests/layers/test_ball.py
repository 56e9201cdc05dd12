"""The ball's data: nesting, stages, TOML and its messages."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.ball import Ball, Body, Layer
from layers.ball_file import ball_from_table, read_ball, write_ball
from layers.errors import InputError
from layers.estimation import estimate
from layers.mass import inertia
from layers.materials import default_catalogue

CATALOGUE = default_catalogue()


def table(diameters=(25.0, 38.0, 42.7), **changes):
    roles = ["core", "mantle", "cover"]
    rows = [
        {"role": role, "outer_diameter_mm": d, "material": "core rubber, soft"}
        for role, d in zip(roles, diameters, strict=True)
    ]
    return {"name": "test", "layer": rows} | changes


def build(*args, **kwargs):
    return ball_from_table(table(*args, **kwargs), CATALOGUE, "ball.toml")


def test_body_is_si():
    ball = build()
    body = ball.body()
    assert body.outer_radius == pytest.approx([0.0125, 0.019, 0.02135])
    card = ball.layer[0].material
    e, nu = card.youngs_modulus_mpa.value * 1e6, card.poisson_ratio.value
    assert body.shear_modulus[0] == pytest.approx(e / 2 / (1 + nu))
    assert body.bulk_modulus[0] == pytest.approx(e / 3 / (1 - 2 * nu))


def test_every_prefix_is_a_stage_and_only_the_ball_has_dimples():
    ball = build()
    assert [ball.stage(k).diameter_mm for k in (1, 2, 3)] == [25.0, 38.0, 42.7]
    assert ball.stage(2).dimple_volume_percent == 0.0
    assert ball.stage(3) is ball
    with pytest.raises(InputError, match="from 1 to 3"):
        ball.stage(4)


def test_a_layer_may_replace_numbers_of_its_card():
    rows = table()
    rows["layer"][0] |= {"youngs_modulus_mpa": 44.0, "density_g_cm3": 1.21}
    ball = ball_from_table(rows, CATALOGUE, "ball.toml")
    card = ball.layer[0].material
    assert (card.youngs_modulus_mpa.value, card.density_g_cm3.value) == (44.0, 1.21)
    assert "ball.toml" in card.density_g_cm3.source
    assert card.poisson_ratio == CATALOGUE.find("core rubber, soft").poisson_ratio


def test_own_cards_replace_the_catalogues():
    own = {
        "name": "core rubber, soft",
        "youngs_modulus_mpa": 33.0,
        "poisson_ratio": 0.48,
        "density_g_cm3": 1.0,
    }
    ball = build(material=[own])
    assert ball.layer[1].material.youngs_modulus_mpa.value == 33.0


@pytest.mark.parametrize(
    ("diameters", "words"),
    [
        ((25.0, 24.0, 42.7), ("layer 2", "24", "at least 25.4")),
        ((-3.0, 38.0, 42.7), ("layer 1, outer_diameter_mm", "-3", "at least 5")),
        ((float("nan"), 38.0, 42.7), ("layer 1, outer_diameter_mm", "nan")),
        ((25.0, 38.0, 420.0), ("layer 3, outer_diameter_mm", "at most 60")),
    ],
)
def test_bad_diameters_are_named(diameters, words):
    with pytest.raises(InputError) as caught:
        build(diameters)
    for word in words:
        assert word in str(caught.value)


def test_unknown_material_and_field_are_named():
    rows = table()
    rows["layer"][1]["material"] = "ionomer firm"
    with pytest.raises(InputError, match=r"layer 2.*ionomer, firm"):
        ball_from_table(rows, CATALOGUE, "ball.toml")
    rows = table()
    rows["layer"][1]["diameter_mm"] = 3
    with pytest.raises(InputError, match=r"did you mean outer_diameter_mm"):
        ball_from_table(rows, CATALOGUE, "ball.toml")
    rows = table()
    rows["layer"][0]["density_g_cm3"] = "heavy"
    with pytest.raises(InputError, match=r"layer 1, density_g_cm3 is 'heavy'"):
        ball_from_table(rows, CATALOGUE, "ball.toml")


def test_seven_layers_are_refused():
    rows = [
        {"role": "mantle", "outer_diameter_mm": 10.0 + 4 * k, "material": "core rubber, soft"}
        for k in range(7)
    ]
    with pytest.raises(InputError, match="at most 6"):
        ball_from_table({"layer": rows}, CATALOGUE, "ball.toml")


def test_missing_and_binary_files_are_one_sentence(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_ball(tmp_path / "none.toml")
    binary = tmp_path / "b.toml"
    binary.write_bytes(bytes(range(256)))
    with pytest.raises(InputError, match="UTF-8"):
        read_ball(binary)


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=1, max_size=8))
def test_any_diameters_give_a_nested_ball_or_a_sentence(diameters):
    rows = [
        {"role": "core", "outer_diameter_mm": d, "material": "core rubber, soft"} for d in diameters
    ]
    try:
        ball = ball_from_table({"layer": rows}, CATALOGUE, "ball.toml")
    except InputError:
        return
    assert isinstance(ball, Ball)
    assert np.all(np.diff(ball.body().outer_radius, prepend=0.0) >= 0.199e-3)


def test_the_dimples_of_a_body_are_those_of_the_ball():
    ball = build(dimple_volume_percent=1.2, dimple_depth_mm=0.4)
    body = ball.body()
    assert body.dimple_volume_fraction == pytest.approx(0.012)
    assert body.dimple_depth == pytest.approx(0.4e-3)
    # By hand: the dimples' mass lies in the shell from 20.95 to 21.35 mm, I = 2/3 m <r^2>.
    cover = ball.layer[-1].material.density_g_cm3.value
    removed = cover * 0.012 * 4 / 3 * np.pi * 2.135**3
    square = 0.6 * (2.135**5 - 2.095**5) / (2.135**3 - 2.095**3)
    smooth = build(dimple_volume_percent=0.0).body()
    lost = 1e7 * (inertia.moment_of_inertia(smooth) - inertia.moment_of_inertia(body))
    assert lost == pytest.approx(2 / 3 * removed * square, rel=1e-9)
    # Guard: a depth of 0.15 mm in place of 0.4 mm is 1 % of it.
    shallow = build(dimple_volume_percent=1.2, dimple_depth_mm=0.15).body()
    moved = inertia.moment_of_inertia(body) - inertia.moment_of_inertia(shallow)
    assert 1e7 * moved > 0.005 * lost


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("dimple_volume_percent", -0.01),
        ("dimple_volume_percent", 2.01),
        ("dimple_depth_mm", 0.0),
        ("dimple_depth_mm", 0.51),
    ],
)
def test_dimples_out_of_range_are_named(field, value):
    with pytest.raises(InputError, match=field):
        build(**{field: value})


def test_a_ball_of_one_layer_and_its_thinnest_layer():
    rows = table()
    one = ball_from_table(rows | {"layer": rows["layer"][:1]}, CATALOGUE, "ball.toml")
    assert one.stage(1) is one
    # From 0.2 mm on a layer is thick enough.
    assert build(diameters=(25.0, 25.4, 42.7)).diameter_mm == 42.7
    with pytest.raises(InputError, match=r"at least 0\.2 mm thick"):
        build(diameters=(25.0, 25.399, 42.7))


# Balls made and changed in Python.


def with_layer(ball, place, **changes):
    """Change a layer as pydantic does, without validation."""
    layers = list(ball.layer)
    layers[place] = layers[place].model_copy(update=changes)
    return ball.model_copy(update={"layer": tuple(layers)})


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda b: with_layer(b, 0, outer_diameter_mm=60.0), ("layer 2", "38", "at least 60.4")),
        (lambda b: with_layer(b, 2, outer_diameter_mm=-1.0), ("layer 3", "-1", "at least 5")),
        (lambda b: with_layer(b, 1, material=None), ("layer 2, material", "None")),
        (lambda b: b.model_copy(update={"dimple_depth_mm": float("nan")}), ("dimple_depth", "nan")),
    ],
)
def test_a_ball_changed_without_validation_is_not_estimated(wrong, words):
    ball = wrong(build())
    for use in (lambda: estimate(ball, ["mass_g"]), lambda: write_ball(ball, "unwritten.toml")):
        with pytest.raises(InputError) as caught:
            use()
        for word in words:
            assert word in str(caught.value)


def test_an_estimate_takes_a_ball():
    with pytest.raises(InputError, match="takes a Ball, not str"):
        estimate("ball.toml", ["mass_g"])


def test_a_layer_is_replaced_by_role_or_number():
    ball = build()
    firmer = ball.replace("cover", youngs_modulus_mpa=60, outer_diameter_mm=42.8)
    card = firmer.layer[2].material
    assert (card.youngs_modulus_mpa.value, firmer.diameter_mm) == (60.0, 42.8)
    assert "Python" in card.youngs_modulus_mpa.source
    assert firmer.layer[:2] == ball.layer[:2]
    assert card.density_g_cm3 == ball.layer[2].material.density_g_cm3
    assert ball.replace(1, material="ionomer, firm").layer[0].material.name == "ionomer, firm"
    assert ball.replace(name="again") == build(name="again")


@pytest.mark.parametrize(
    ("layer", "changes", "words"),
    [
        ("cover", {"outer_diameter_mm": 60.5}, "outer_diameter_mm is 60.5, but must be at most 60"),
        (1, {"outer_diameter_mm": 60.0}, r"layer 2 \(mantle\).*at least 60.4"),
        ("cover", {"youngs_modulus": 60}, "did you mean youngs_modulus_mpa"),
        ("cover", {"youngs_modulus_mpa": 6e4}, "must be from 0.5 to 3000"),
        ("cover", {"youngs_modulus_mpa": "stiff"}, "youngs_modulus_mpa.*'stiff'"),
        ("cover", {"material": "ionomer firm"}, "ionomer, firm"),
        ("outer core", {"density_g_cm3": 1.2}, "has no 'outer core'.*1 core, 2 mantle, 3 cover"),
        (4, {"density_g_cm3": 1.2}, "from 1 to 3"),
        (None, {"nam": "x"}, "did you mean name"),
    ],
)
def test_a_bad_change_is_one_sentence(layer, changes, words):
    with pytest.raises(InputError, match=words):
        build().replace(layer, **changes)


def test_a_role_that_two_layers_have_is_not_enough():
    mantle = {"role": "mantle", "material": "core rubber, soft"}
    rows = [mantle | {"outer_diameter_mm": d} for d in (30.0, 40.0)]
    ball = ball_from_table({"layer": rows}, CATALOGUE, "ball.toml")
    with pytest.raises(InputError, match=r"2 layers of role 'mantle'.*by number"):
        ball.replace("mantle", density_g_cm3=1.0)


def test_a_layer_takes_the_name_of_a_shipped_card():
    layer = Layer(role="core", outer_diameter_mm=42.7, material="core rubber, soft")
    assert layer.material == CATALOGUE.find("core rubber, soft")


def test_a_written_ball_is_read_again(tmp_path):
    ball = build().replace("cover", youngs_modulus_mpa=61.5)
    write_ball(ball, str(tmp_path / "ball.toml"))
    again = read_ball(str(tmp_path / "ball.toml"))
    assert estimate(again, "moi_g_cm2")["moi_g_cm2"] == estimate(ball, "moi_g_cm2")["moi_g_cm2"]


def test_views_are_short_and_escaped():
    ball = build(name="<b>soft</b>")
    assert repr(ball) == "Ball('<b>soft</b>': core 25 mm | mantle 38 mm | cover 42.7 mm)"
    assert "&lt;b&gt;" in ball._repr_html_()
    assert "<b>" not in ball._repr_html_()
    assert len(repr(ball.layer[0])) < 100


def test_bodies_and_pieces_have_the_balls_own_dimples_unless_said():
    depth = 1e-3 * Ball.model_fields["dimple_depth_mm"].default
    for kind in (Body, inertia.Pieces):
        fields = {field.name: field.default for field in dataclasses.fields(kind)}
        assert fields["dimple_depth"] == pytest.approx(depth)
        assert fields["dimple_volume_fraction"] == 0.0


def test_a_modulus_profile_stays_in_range():
    ball = ball_from_table(table(), CATALOGUE, "ball.toml")
    graded = ball.replace("core", profile={"centre_mpa": 30, "surface_mpa": 90})
    assert graded.ends_mpa(1) == pytest.approx((30.0, 90.0))
    for mean in (0.6, 2900):
        with pytest.raises(InputError, match=r"must stay from 0\.5 to 3000"):
            graded.replace("core", youngs_modulus_mpa=mean)
