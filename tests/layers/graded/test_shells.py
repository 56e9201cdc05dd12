"""Curves, means and profiles of a shell that is no core, in closed form; ends and messages."""

import math
import re

import numpy as np
import pytest
from pydantic import ValidationError

from layers.errors import InputError
from layers.graded import difference
from layers.graded.curve import RadialCurve, along, along_points, element_means
from layers.graded.profile import Profile, curves_of
from layers.graded.reading import resolved
from layers.hardness import modulus_from_hardness
from tests.layers.graded.test_profile import by_sum

THREE = RadialCurve((2.0, 4.0, 8.0), (10.0, 20.0, 40.0))
CUBIC = RadialCurve((1.0, 2.0, 4.0), (1.0, 2.0, 6.0), 3.0)


def test_analytic_a_curve_goes_from_knot_to_knot_and_keeps_its_ends():
    at = np.array([0.0, 2.0, 3.0, 4.0, 6.0, 8.0, 9.0])
    assert THREE.at(at).tolist() == [10.0, 10.0, 15.0, 20.0, 30.0, 40.0, 40.0]
    # t^3 within each piece: an eighth of its rise half way.
    assert CUBIC.at(np.array([1.5, 3.0, 5.0])).tolist() == [1.125, 2.5, 6.0]
    assert THREE.over(4.0) == RadialCurve((2.0, 4.0, 8.0), (2.5, 5.0, 10.0))
    assert CUBIC.over(2.0).exponent == 3.0


@pytest.mark.parametrize("curve", [THREE, CUBIC, RadialCurve((1.0, 8.5), (3.0, 0.5), 0.7)])
@pytest.mark.parametrize(("inner", "outer"), [(0.5, 9.0), (1.0, 8.5), (0.0, 10.0)])
def test_analytic_mean_over_a_shell(curve, inner, outer):
    """Also of what lies inside the first and outside the last knot."""
    assert curve.mean(inner, outer) == pytest.approx(by_sum(curve, inner, outer), rel=1e-7)


def bilinear(dimensions):
    """Integral of N_i N_j over a square or a cube, over its volume: 1/3 or 1/6 a direction."""
    if dimensions == 2:
        corners = [(0, 0), (1, 0), (1, 1), (0, 1)]  # in order round the square
    else:
        corners = [tuple(a >> i & 1 for i in range(3)) for a in range(8)]  # by bits
    return np.array(
        [[math.prod(1 / 3 if p == q else 1 / 6 for p, q in zip(a, b, strict=True))
          for b in corners] for a in corners]
    )  # fmt: skip


@pytest.mark.parametrize("dimensions", [2, 3])
def test_analytic_mean_of_a_square_law_over_an_element(dimensions):
    """Two Gauss points a direction integrate the square of the interpolated radius exactly."""
    curve = RadialCurve((0.0, 20.0), (0.0, 400.0), 2.0)  # r^2
    rng = np.random.default_rng(8)
    corners = 2**dimensions
    points = rng.uniform(1.0, 9.0, (dimensions, 3 * corners))
    cells = rng.permutation(3 * corners).reshape(corners, 3)
    radius = np.linalg.norm(points, axis=0)[cells]
    expected = np.einsum("am,ab,bm->m", radius, bilinear(dimensions), radius)
    layer = np.array([0, 1, 0])
    found = element_means((curve, None), layer, points, cells)
    np.testing.assert_allclose(found, [expected[0], 1.0, expected[2]], rtol=1e-12)
    assert element_means((None, None), layer, points, cells).tolist() == [1.0] * 3


def test_numbers_at_points_inside_elements():
    rng = np.random.default_rng(9)
    points, shapes = rng.uniform(1.0, 3.0, (10, 2)), rng.dirichlet(np.ones(5), (3, 4))
    elements = rng.integers(0, 10, (3, 5))
    layer = np.array([1, 0, 2])
    curves = (THREE, None, CUBIC)
    found = along_points(curves, layer, points, elements, shapes)
    assert found.shape == (3, 4)
    for m, curve in enumerate((None, THREE, CUBIC)):
        for g in range(4):
            radius = np.hypot(*(shapes[m, g] @ points[elements[m]]))
            expected = 1.0 if curve is None else float(curve.at(np.array(radius)))
            assert found[m, g] == pytest.approx(expected, rel=1e-12)
    even = along_points((None,) * 3, layer, points, elements, shapes)
    np.testing.assert_array_equal(even, np.ones((3, 4)))
    np.testing.assert_array_equal(along((), layer, np.ones(3)), np.ones(3))


def test_hardness_outside_the_relation_is_told_from_beside_its_ends(monkeypatch):
    monkeypatch.setattr(difference, "reading_of", lambda scale, modulus: modulus)
    assert difference.hardness_difference(30.0, 95.0)[::2] == (65.0, "")
    words = "is outside 30 to 95, where its relation to the modulus holds"
    assert difference.hardness_difference(29.4, 96.0)[2] == f"Shore C 29 {words}"
    assert difference.hardness_difference(50.0, 95.6)[2] == f"Shore C 96 {words}"


# A shell of diameters 30 and 40 mm.


def test_analytic_moduli_at_places_of_a_shell():
    """The first knot's modulus over its part of the mean is the mean by volume."""
    found = resolved({"knots": [[16, 20, 1.0], [18, 40, 1.5], [20, 120, 3.0]]}, 30.0, 40.0)
    profile, modulus = found["profile"], found["youngs_modulus_mpa"]
    assert [k[0] for k in profile.relative_knots] == pytest.approx([0.2, 0.6, 1.0])
    moduli = RadialCurve((16.0, 18.0, 20.0), (20.0, 40.0, 120.0))
    assert modulus["value"] == pytest.approx(by_sum(moduli, 15.0, 20.0), rel=1e-6)
    assert modulus["source"] == "mean by volume of 3 moduli at places"
    assert profile.source == "3 moduli at places"
    assert modulus["grade"] == "unstated"
    assert profile.contrast == pytest.approx(6.0)
    curve = profile.loss_curve(0.015, 0.02)
    assert curve.radius == pytest.approx((0.016, 0.018, 0.02))
    assert np.array(curve.value) / curve.value[0] == pytest.approx([1.0, 1.5, 3.0])
    assert curve.mean(0.015, 0.02) == pytest.approx(1.0)


def test_analytic_moduli_at_the_ends_of_a_shell():
    found = resolved({"centre_mpa": 20, "surface_mpa": 120, "shape": 2, "source": "a lab"}, 30, 40)
    ends = RadialCurve((15.0, 20.0), (20.0, 120.0), 2.0)
    assert found["youngs_modulus_mpa"]["value"] == pytest.approx(by_sum(ends, 15.0, 20.0), rel=1e-7)
    assert found["youngs_modulus_mpa"]["source"] == (
        "mean by volume of 20 MPa at the centre, 120 at the surface, exponent 2 (a lab)"
    )
    assert found["profile"] == Profile(surface_over_centre=6.0, shape=2.0, source="a lab")


def test_readings_of_a_cut_shell():
    stated = {"scale": "shore_c", "readings": [[15, 60], [20, 80]]}
    found = resolved(stated, 30.0, 40.0)
    ends = [modulus_from_hardness("C", s) for s in (60, 80)]
    moduli = RadialCurve((15.0, 20.0), tuple(ends))
    mean = found["youngs_modulus_mpa"]
    assert mean["value"] == pytest.approx(by_sum(moduli, 15.0, 20.0), rel=1e-7)
    assert mean["source"] == (
        "mean by volume of 2 Shore C readings of a cut piece by Gent 1958, spring of type C; "
        "scatter +-40 %"
    )
    assert mean["grade"] == "published example"
    assert found["profile"].ratio_scatter_percent == pytest.approx(56.5685, abs=1e-3)
    own = resolved(stated | {"ratio_scatter_percent": 12.0}, 30.0, 40.0)["profile"]
    assert own.ratio_scatter_percent == 12.0
    assert set(resolved({"surface_over_centre": 2.0}, 30.0, 40.0)) == {"profile"}


def test_places_may_miss_the_layers_edge_by_a_nanometre_only():
    inside = {"knots": [[15 - 0.9e-6, 20], [20 + 0.9e-6, 60]]}
    places = [k[0] for k in resolved(inside, 30.0, 40.0)["profile"].relative_knots]
    assert places == [0.0, 1.0]
    for first, last, number, at in (
        (15 - 1.2e-6, 20, 1, "14.9999988"), (15, 20 + 1.2e-6, 2, "20.0000012"),
    ):  # fmt: skip
        with pytest.raises(InputError) as caught:
            resolved({"knots": [[first, 20], [last, 60]]}, 30.0, 40.0)
        assert str(caught.value) == (
            f"knots: number {number} is at {at} mm, but must be inside the layer, from 15 to 20 "
            "mm from the ball's centre."
        )


def test_places_that_do_not_grow_are_named():
    with pytest.raises(InputError) as caught:
        resolved({"knots": [[16, 20], [18, 30], [17, 60]]}, 30.0, 40.0)
    assert str(caught.value) == (
        "knots: number 3 is at 17 mm, but must be further out than number 2 at 18 mm."
    )
    with pytest.raises(ValidationError, match=re.escape(
        "knot 3 is at 0.4, but must be further out than knot 2 at 0.4"
    )):  # fmt: skip
        Profile(relative_knots=((0.0, 1.0), (0.4, 2.0), (0.4, 2.0)))


@pytest.mark.parametrize(
    ("knots", "said"),
    [
        (((0.0, 1.0), (1.0, 50.0)), ""),
        (((0.0, 1.0), (1.0, 50.1)), "goes from 1 to 50.1, but the highest must be at most 50"),
        (((0.0, 50.1, 1.0), (1.0, 60.0, 50.1)), "goes from 1 to 50.1"),
        (((0.0, 0.5), (1.0, 0.2)), ""),
        (((0.0, 1.0), (1.0, 0.0)), "knot 2 has 0, but must be positive"),
        (((0.0, 1.0, 0.0), (1.0, 1.0, 1.0)), "knot 1 has 0, but must be positive"),
        (((0.0, 1.0), (1.0, 1.0), (1.01, 1.0)), "knot 3 is at 1.01, but must be from 0"),
        (((0.0, 1.0), (1.0, 2.0, 3.0)), "must have two numbers a knot"),
        (((0.0,), (1.0,)), "must have two numbers a knot"),
        (((0.0, 1, 1, 1), (1.0, 1, 1, 1)), "must have two numbers a knot"),
        (((0.5, 1.0),), "has one knot, but a profile needs two or more"),
        (tuple((k / 59, 1.0) for k in range(60)), ""),
        (tuple((k / 60, 1.0) for k in range(61)), "at most 60 items"),
        (((0.0, 9999.5), (1.0, 10000.0)), ""),
    ],
)
def test_knots_at_the_ends_of_what_is_taken(knots, said):
    if not said:
        assert Profile(relative_knots=knots).relative_knots == knots
        return
    with pytest.raises(ValidationError, match=re.escape(said)):
        Profile(relative_knots=knots)


@pytest.mark.parametrize("key", ["surface_over_centre", "shape", "loss_surface_over_centre"])
@pytest.mark.parametrize("value", [0.5, 2.0])
def test_knots_and_ends_exclude_each_other(key, value):
    with pytest.raises(ValidationError, match="give relative_knots or"):
        Profile(relative_knots=((0.0, 1.0), (1.0, 2.0)), **{key: value})
    assert getattr(Profile(**{key: value}), key) == value


def test_a_profile_is_told_by_what_is_not_usual():
    assert Profile().content() == {"surface_over_centre": 1.0}
    told = Profile(surface_over_centre=2.0, source="a lab", ratio_scatter_percent=9.0)
    assert told.content() == {"surface_over_centre": 2.0}
    assert Profile(shape=2.0).content() == {"shape": 2.0}
    assert Profile().contrast == Profile().shape == 1.0
    assert Profile().ratio_scatter_percent == 0.0


def test_analytic_steepened_knots_keep_their_losses():
    """A knot half way from the first to the last is multiplied by half the exponent."""
    given = Profile(relative_knots=((0.2, 1.0, 1.0), (0.6, 2.0, 1.5), (1.0, 3.0, 2.0)))
    steeper = given.steepened(math.log(1.44)).relative_knots
    np.testing.assert_allclose(steeper, [[0.2, 1.0, 1.0], [0.6, 2.4, 1.5], [1.0, 4.32, 2.0]])
    ends = Profile(surface_over_centre=3.0, shape=2.0, source="a lab").steepened(math.log(0.5))
    assert ends == Profile(surface_over_centre=1.5, shape=2.0, source="a lab")


def test_curves_of_a_body_are_those_of_its_layers():
    lossy = Profile(surface_over_centre=2.0, loss_surface_over_centre=1.5)
    stiff = Profile(surface_over_centre=3.0)
    found = curves_of((stiff, None, lossy), np.array([0.01, 0.015, 0.02]))
    assert found == {
        "modulus_curve": (stiff.modulus_curve(0, 0.01), None, lossy.modulus_curve(0.015, 0.02)),
        "loss_curve": (None, None, lossy.loss_curve(0.015, 0.02)),
    }
    assert found["loss_curve"][2].value[1] / found["loss_curve"][2].value[0] == pytest.approx(1.5)
    assert found["modulus_curve"][2].radius == (0.015, 0.02)
    assert curves_of((None, None), np.array([0.01, 0.02])) == {}


def test_stated_profiles_exclude_each_other_in_words():
    with pytest.raises(ValidationError, match=re.escape(
        "give one of centre_mpa and surface_mpa, knots, readings, relative_knots, "
        "surface_over_centre, not knots and surface_over_centre"
    )):  # fmt: skip
        resolved({"knots": [[16, 1], [18, 2]], "surface_over_centre": 2.0}, 30.0, 40.0)
    with pytest.raises(ValidationError) as caught:
        resolved({}, 30.0, 40.0)
    assert "relative_knots, surface_over_centre [" in str(caught.value)  # and nothing after them
    for one in ({"centre_mpa": 20}, {"surface_mpa": 20}):
        with pytest.raises(ValidationError, match="centre_mpa and surface_mpa go together"):
            resolved(one, 30.0, 40.0)
    rows = {"readings": [[15, 60], [20, 80]], "scale": "shore_c"}
    for key in ("shape", "loss_surface_over_centre"):
        for way, name in ((rows, "readings"), ({"knots": [[16, 1], [18, 2]]}, "knots")):
            with pytest.raises(ValidationError, match=f"{key} goes with the ends .* with {name}"):
                resolved(way | {key: 2.0}, 30.0, 40.0)
    with pytest.raises(ValidationError, match="readings and scale go together; add both"):
        resolved({"surface_over_centre": 2.0, "scale": "shore_c"}, 30.0, 40.0)
