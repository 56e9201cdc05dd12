"""The ball's data: nesting, stages, TOML and its messages."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from layers.ball import Ball, Body, Layer
from layers.ball_file import ball_from_table, ball_toml, read_ball, write_ball
from layers.errors import InputError
from layers.estimation import estimate
from layers.files.toml import parse_toml
from layers.mass import inertia
from layers.materials import Material, default_catalogue

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
    said = {field.name: field.default for field in dataclasses.fields(Body)}
    assert 0.0 < said["friction_wet"] < 0.4  # a wet face grips, but less than a dry one
    assert said["friction_half_speed"] == np.inf


def test_a_modulus_profile_stays_in_range():
    ball = ball_from_table(table(), CATALOGUE, "ball.toml")
    graded = ball.replace("core", profile={"centre_mpa": 30, "surface_mpa": 90})
    assert graded.ends_mpa(1) == pytest.approx((30.0, 90.0))
    for mean in (0.6, 2900):
        with pytest.raises(InputError, match=r"must stay from 0\.5 to 3000"):
            graded.replace("core", youngs_modulus_mpa=mean)


def pairs(*given, **more):
    """A card that states its own relaxation: strength and microseconds."""
    card = {"name": "x", "youngs_modulus_mpa": 60, "poisson_ratio": 0.25, "density_g_cm3": 1.2}
    rows = [{"strength": s, "time_us": t} for s, t in given]
    return Material.model_validate(card | {"relaxation": rows} | more)


def test_a_body_has_the_cards_numbers_in_si():
    """A layer of fewer relaxation pairs than another carries none in their place."""
    skin = {"friction": 0.5, "friction_wet": 0.3, "friction_half_speed_m_s": 20}
    cards = (pairs((0.5, 10), (0.2, 300)), pairs((0.7, 40)), pairs(**skin))
    sizes = (20.0, 30.0, 42.7)
    roles = ("core", "mantle", "cover")
    body = Ball(
        layer=tuple(
            Layer(role=r, outer_diameter_mm=d, material=c)
            for r, d, c in zip(roles, sizes, cards, strict=True)
        )
    ).body()
    np.testing.assert_allclose(body.relaxation_strength, [[0.5, 0.2], [0.7, 0.0], [0.0, 0.0]])
    np.testing.assert_allclose(body.relaxation_time[0], [1e-5, 3e-4])
    assert body.relaxation_time[1, 0] == pytest.approx(4e-5)
    assert (body.relaxation_time > 0.0).all()  # none is divided by
    np.testing.assert_allclose(body.density, 1200.0)
    np.testing.assert_allclose(body.shear_modulus, 24e6)
    np.testing.assert_allclose(body.bulk_modulus, 40e6)
    assert (body.friction, body.friction_wet, body.friction_half_speed) == (0.5, 0.3, 20.0)
    assert not body.graded
    assert (body.dimple_volume_fraction, body.dimple_depth) == pytest.approx((0.007, 1.5e-4))
    lossless = Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material=pairs()),)).body()
    assert lossless.relaxation_strength.shape == lossless.relaxation_time.shape == (1, 0)


@pytest.mark.parametrize(
    ("changes", "fits"),
    [
        ({"name": "n" * 120, "dimple_pattern": "p" * 120}, True),
        ({"name": "n" * 121}, False),
        ({"name": ""}, False),
        ({"dimple_pattern": "p" * 121}, False),
        ({"dimple_volume_percent": 0.0}, True),
        ({"dimple_volume_percent": 2.0}, True),
        ({"dimple_depth_mm": 0.5}, True),
        ({"dimple_depth_mm": 1e-9}, True),
    ],
)
def test_numbers_and_names_of_a_ball_have_ends(changes, fits):
    if fits:
        assert build(**changes)
        return
    with pytest.raises(InputError, match=next(iter(changes))):
        build(**changes)


def test_layers_have_ends():
    card = CATALOGUE.find("core rubber, soft")
    for size in (5.0, 60.0):
        assert Layer(role="core", outer_diameter_mm=size, material=card).outer_diameter_mm == size
    for size in (4.99, 60.01):
        with pytest.raises(ValidationError, match="than or equal to"):
            Layer(role="core", outer_diameter_mm=size, material=card)
    rows = [
        {"role": "mantle", "outer_diameter_mm": 10.0 + 4 * k, "material": "core rubber, soft"}
        for k in range(6)
    ]
    six = ball_from_table({"layer": rows}, CATALOGUE, "ball.toml")
    assert [six.diameter_of(k) for k in range(7)] == [0.0, 10.0, 14.0, 18.0, 22.0, 26.0, 30.0]
    for number in (0, 7):
        with pytest.raises(InputError, match=rf"layer is {number}, but must be from 1 to 6\."):
            six.replace(number, density_g_cm3=1.0)
        with pytest.raises(InputError, match=rf"stage is {number}, but must be from 1 to 6\."):
            six.stage(number)
    assert six.replace(6, density_g_cm3=1.0).layer[5].material.density_g_cm3.value == 1.0
    with pytest.raises(InputError) as found:
        six.replace("cover", density_g_cm3=1.0)
    assert str(found.value) == (
        "unnamed ball has no 'cover'; name one of its layers by number: "
        "1 mantle, 2 mantle, 3 mantle, 4 mantle, 5 mantle, 6 mantle."
    )


def test_a_thin_layer_is_told_with_the_least_diameter():
    with pytest.raises(InputError) as found:
        build((25.0, 38.0, 38.2))
    assert str(found.value) == (
        "ball.toml: layer 3 (cover), outer_diameter_mm is 38.2, but must be at least 38.4: "
        "diameters grow outward and a layer is at least 0.2 mm thick."
    )
    assert [f.place for f in found.value.faults] == [("layer", 2, "outer_diameter_mm")]


def test_a_long_name_leaves_room_for_what_is_added():
    long = build(name="n" * 120)
    assert long.named("b").name == "n" * 117 + ", b"
    assert long.stage(1).name == "n" * 111 + ", stage 1"
    assert build().stage(2).name == "test, stage 2"


def test_a_profile_is_of_the_layer_s_own_radii():
    """Ends that are given in MPa come back, whatever else of the layer changes with them."""
    ends = {"centre_mpa": 30, "surface_mpa": 90}
    graded = build().replace(2, profile=ends)
    assert graded.ends_mpa(2) == pytest.approx((30.0, 90.0))
    assert graded.ends_mpa(1) == (35.0, 35.0)
    # The mean by volume of E = 30 + 60 x over the shell from 12.5 to 19 mm.
    a, b = 12.5, 19.0
    first = 3.0 / 4.0 * (b**4 - a**4) / (b**3 - a**3)
    mean = 30.0 + 60.0 * (first - a) / (b - a)
    assert graded.layer[1].material.youngs_modulus_mpa.value == pytest.approx(mean)
    moved = build().replace(2, profile=ends, outer_diameter_mm=40.0)
    assert moved.ends_mpa(2) == pytest.approx((30.0, 90.0))
    assert graded.body().graded
    assert "graded 1 : 3" in repr(graded.layer[1])


def test_a_profile_may_go_to_the_ends_of_a_modulus():
    """From the centre to twice as much at the surface, straight: the mean is 7/4 of the centre."""
    core = build().replace("core", profile={"surface_over_centre": 2.0})
    for modulus, fits in ((0.876, True), (0.874, False), (2624.0, True), (2626.0, False)):
        if fits:
            assert core.replace("core", youngs_modulus_mpa=modulus)
            continue
        with pytest.raises(InputError, match=r"layer 1 \(core\): by its profile the modulus goes"):
            core.replace("core", youngs_modulus_mpa=modulus)


def test_a_ball_is_shown_with_sizes_stiffness_and_density():
    shown = build()._repr_html_()
    row = "<tr><td>mantle</td><td>38.00</td><td>35</td><td>1.15</td><td>core rubber, soft</td></tr>"
    assert row in shown


def test_cards_of_one_name_that_differ_are_written_apart():
    ball = build().replace(2, density_g_cm3=1.3)
    long = "y" * 80
    cards = [layer.material.model_copy(update={"name": long}) for layer in ball.layer]
    layers = [
        layer.model_copy(update={"material": card})
        for layer, card in zip(ball.layer, cards, strict=True)
    ]
    clash = ball.model_copy(update={"layer": tuple(layers), "dimple_pattern": "p"})
    again = ball_from_table(parse_toml(ball_toml(clash), "x"), CATALOGUE, "x")
    names = [layer.material.name for layer in again.layer]
    assert names == [f"{'y' * 70}, layer {n}" for n in (1, 2, 3)]
    assert [layer.material.density_g_cm3.value for layer in again.layer] == [1.15, 1.3, 1.15]
    assert again.dimple_pattern == "p"
    # Equal cards keep their name and are written once.
    assert ball_toml(build()).count("[[material]]") == 1


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"profile": {"centre_mpa": 3}},
            "layer 2, profile: centre_mpa and surface_mpa go together",
        ),
        (
            {"profile": {"centre_mpa": 20, "surface_mpa": 40}, "youngs_modulus_mpa": 3},
            "layer 2: give youngs_modulus_mpa or the moduli of profile, not both",
        ),
        (
            {"profile": {"centre_mpa": 20, "surface_mpa": 40}, "shore_d": 50},
            "layer 2: give shore_d or the moduli of profile, not both",
        ),
        (
            {"shore_d": 50, "youngs_modulus_mpa": 3},
            "layer 2: give youngs_modulus_mpa or shore_d, not both",
        ),
        (
            {"shore_d": 10},
            "layer 2: hardness Shore D is 10, but must be from 30 to 80, where its relation to the "
            "modulus holds",
        ),
        ({"density_g_cm3": True}, "layer 2, density_g_cm3 is true, but must be a number"),
        (
            {"density_g_cm3": 99},
            "layer 2: density_g_cm3 of material 'core rubber, soft' is 99, but must be from 0.4 to "
            "12",
        ),
        ({"profile": 3}, "layer 2, profile is 3, but must be a table"),
        ({"material": 3}, "layer 2, material is 3, but must be the name of a card in quotes"),
    ],
)
def test_a_fault_of_a_layer_is_told_with_its_number_and_place(changes, said):
    rows = table()
    rows["layer"][1] |= changes
    with pytest.raises(InputError) as found:
        ball_from_table(rows, CATALOGUE, "ball.toml")
    assert str(found.value) == f"ball.toml: {said}."
    (fault,) = found.value.faults
    assert fault.place[:2] == ("layer", 1)
    assert fault.place[2] in changes
    assert fault.sentence == said


def test_a_profile_of_a_file_is_of_the_layer_s_own_radii():
    rows = table()
    ends = {"centre_mpa": 20, "surface_mpa": 40}
    for layer in rows["layer"]:
        layer["profile"] = ends
    ball = ball_from_table(rows, CATALOGUE, "ball.toml")
    for number in (1, 2, 3):
        assert ball.ends_mpa(number) == pytest.approx((20.0, 40.0))


@pytest.mark.parametrize("wrong", ["x", None, [3]])
def test_a_diameter_that_is_no_number_is_told_once(wrong):
    """Not as a fault of the profile that stands upon it, too."""
    rows = table()
    rows["layer"][1]["profile"] = {"centre_mpa": 20, "surface_mpa": 40}
    rows["layer"][0]["outer_diameter_mm"] = wrong
    with pytest.raises(InputError) as found:
        ball_from_table(rows, CATALOGUE, "ball.toml")
    assert [f.place for f in found.value.faults] == [("layer", 0, "outer_diameter_mm")]
    rows["layer"][0]["outer_diameter_mm"] = -0.5
    with pytest.raises(InputError) as found:
        ball_from_table(rows, CATALOGUE, "ball.toml")
    assert [f.place for f in found.value.faults] == [("layer", 0, "outer_diameter_mm")]
    # Of layers that do not grow the order is told, not what the profile makes of it.
    for inner in (38.0, 40.0):
        rows["layer"][0]["outer_diameter_mm"] = inner
        with pytest.raises(InputError, match="diameters grow outward") as found:
            ball_from_table(rows, CATALOGUE, "ball.toml")
        assert len(found.value.faults) == 1


def test_a_profile_of_loss_alone_leaves_the_modulus_even():
    ball = build().replace(
        "core", profile={"surface_over_centre": 1.0, "loss_surface_over_centre": 2.0}
    )
    assert ball.ends_mpa(1) == pytest.approx((35.0, 35.0))


@pytest.mark.parametrize(
    "profile",
    [
        {"surface_over_centre": 2.0},
        {"surface_over_centre": 1.0, "loss_surface_over_centre": 3.0, "source": "a cut core"},
        {"surface_over_centre": 2.0, "shape": 3.0, "ratio_scatter_percent": 20.0},
        {"relative_knots": [[0.0, 1.0, 2.0], [0.4, 1.5, 1.0], [1.0, 2.0, 0.5]]},
    ],
)
def test_a_graded_ball_that_is_written_reads_back_the_same(profile):
    ball = build().replace(2, profile=profile)
    again = ball_from_table(parse_toml(ball_toml(ball), "x"), CATALOGUE, "x")
    assert again == ball
    assert ball_toml(ball).count("[layer.profile]") == 1


def test_a_stated_card_and_pattern_are_written_and_no_more():
    """What a card has not, such as fields of its family, is not written; no relaxation is."""
    ball = Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material=pairs()),))
    text = ball_toml(ball)
    assert "relaxation = []" in text
    assert "from_family" not in text
    assert "dimple_pattern" not in text
    assert text.endswith("\n")
    assert ball_from_table(parse_toml(text, "x"), CATALOGUE, "x") == ball
