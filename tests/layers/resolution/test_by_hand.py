"""Errors of differences by hand, from numbers made up: distances, cards, parts."""

import itertools
import math

import pytest

from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.figures import QUANTITIES
from layers.materials import Material, default_catalogue
from layers.resolution import difference as module
from layers.resolution.difference import Model, difference, half_widths, model_of
from layers.resolution.grades import deviation, grade_of
from layers.resolution.materials import material_deviation
from layers.resolution.nearness import construction, distance_squared, nearness


def card(name="a", grade="measured", family="other", **more):
    numbers = {"youngs_modulus_mpa": 50, "poisson_ratio": 0.48, "density_g_cm3": 1.1} | more
    told = {key: {"value": value, "grade": grade} for key, value in numbers.items()}
    return Material.model_validate({"name": name, "family": family, **told})


def ball(core=39.0, first=None, skin=None):
    return Ball(
        layer=(
            Layer(role="core", outer_diameter_mm=core, material=first or card()),
            Layer(role="cover", outer_diameter_mm=42.7, material=skin or card("skin")),
        )
    )


def told(build, value, basis="finite element", error=None, absolute=0.02):
    own = QUANTITIES["cor"].difference_error(value) if error is None else error
    return Estimate(build, {"cor": Figure("cor", value, "1", basis, own, absolute)})


MADE_UP = Model(
    far=0.8,
    floor=0.3,
    power=0.7,
    weight={"thickness": 0.5, "modulus": 0.0, "rest": 0.0},
    contact_percent=2.0,
    sensitivity={"core": {"youngs_modulus_mpa": 0.6}, "cover": {"friction": 0.1, "x": 9.0}},
)
# Cores of 39 and 38 mm under covers of 3.7 and 4.7 mm (diameters), weighed by a half.
APART = 0.25 * (math.log(39 / 38) ** 2 + math.log(3.7 / 4.7) ** 2)
LEFT = math.sqrt(0.09 + 0.91 * (1.0 - math.exp(-(APART**0.7))))


def test_analytic_distance_of_two_builds():
    weight = {"thickness": 0.5, "modulus": 2.0, "rest": 0.0}
    one, two = ball(), ball(38.0)
    assert distance_squared(one, two, weight) == pytest.approx(APART, rel=1e-12)
    stiff = ball(first=card(youngs_modulus_mpa=60))
    assert distance_squared(one, stiff, weight) == pytest.approx((2.0 * math.log(1.2)) ** 2)
    assert distance_squared(one, one, weight) == 0.0
    assert distance_squared(one, two, {}) == math.inf
    assert distance_squared(one, two.stage(1), weight) == math.inf


def test_analytic_nearness():
    assert nearness(APART, 0.3, 0.7) == pytest.approx(LEFT, rel=1e-12)
    assert nearness(1.0, 0.0, 5.0) == pytest.approx(math.sqrt(1.0 - math.exp(-1.0)))


def test_a_graded_layer_is_apart_by_what_it_gains():
    graded = ball().replace("core", profile={"surface_over_centre": 2.0})
    found = construction(graded)["modulus"]
    assert found == pytest.approx([math.log(50), math.log(50), math.log(2.0), 0.0])


@pytest.mark.parametrize("other", ["finite element", "emulator"])
def test_analytic_parts_of_a_difference(monkeypatch, other):
    """COR errs by 0.16 % of itself by mesh and 3 % by what is shared; 1.96 deviations are 95 %."""
    monkeypatch.setattr(module, "model_of", lambda quantity: MADE_UP)
    own = (0.0016 * 0.78, 0.0016 * 0.74)
    wide = 0.005 if other == "emulator" else own[1]
    moved = ball(38.0, card("b", "unstated"))
    found = difference(told(ball(), 0.78), told(moved, 0.74, other, wide), "cor")
    shares = (0.6 * 39.0 / 42.7 * 0.03, 0.6 * 38.0 / 42.7 * 0.30)  # measured, unstated
    expected = {
        "mesh": 0.8 * math.hypot(*own) * LEFT,
        "contact law": 0.76 * 0.02 * LEFT,
        "materials": 1.96 * 0.76 * math.hypot(*shares),
        "shared law": 0.04 * 0.03,
    }
    if other == "emulator":
        expected["prediction"] = math.sqrt(0.005**2 - own[1] ** 2)
    assert found.parts == pytest.approx(expected, rel=1e-9)
    assert found.value == pytest.approx(-0.04)
    assert found.error == pytest.approx(math.sqrt(sum(x**2 for x in expected.values())))


def test_a_calibrated_figure_errs_by_its_own_absolute_error(monkeypatch):
    monkeypatch.setattr(module, "model_of", lambda quantity: MADE_UP)
    for bases in (("calibrated", "finite element"), ("finite element", "calibrated")):
        pair = [told(ball(), 0.78, basis, absolute=0.03) for basis in bases]
        assert difference(*pair, "cor").parts["prediction"] == pytest.approx(0.03 * math.sqrt(2.0))
    plain = difference(told(ball(), 0.78), told(ball(), 0.78), "cor")
    assert "prediction" not in plain.parts


def test_analytic_cards_by_number_role_and_thickness():
    slopes = {"core": {"youngs_modulus_mpa": 0.6, "density_g_cm3": 0.2}, "cover": {"friction": 0.1}}
    one = ball()
    both = material_deviation(one, ball(first=card("b", "handbook")), slopes)
    share = 39.0 / 42.7
    measured = math.hypot(0.6 * 0.03, 0.2 * 0.005)
    handbook = math.hypot(0.6 * 0.10, 0.2 * 0.01)
    assert both == pytest.approx(share * math.hypot(measured, handbook))
    # A cover grips; the same number of a core does not count.
    grips = [ball(skin=card(name, "measured", friction=0.4)) for name in ("s", "t")]
    thin = 3.7 / 42.7
    assert material_deviation(*grips, slopes) == pytest.approx(math.sqrt(2.0) * 0.1 * 0.05 * thin)
    cores = [ball(first=card(name, friction=0.4)) for name in ("s", "t")]
    assert material_deviation(*cores, {"core": {"friction": 1.0}}) == 0.0
    assert material_deviation(one, one, slopes) == 0.0
    # Of a card the name and what it was named for tell which it is.
    moved = ball(first=card().with_values("here", youngs_modulus_mpa=70))
    assert material_deviation(one, moved, slopes) == 0.0
    twin = ball(first=card(youngs_modulus_mpa=70))
    assert material_deviation(one, twin, slopes) > 0.0


def test_what_cards_of_one_family_take_from_it_is_common():
    slopes = {"core": {"relaxation_strength": 1.0, "dynamic_modulus_ratio": 1.0}}
    rubbers = [card(name, "measured", "rubber") for name in ("a", "b", "c")]
    one, two = (ball(first=rubber) for rubber in rubbers[:2])
    assert material_deviation(one, two, slopes) == 0.0
    # One that states its own shares it with none; the family's is graded from memory.
    own = Material.model_validate(
        rubbers[2].model_dump(exclude={"from_family", "relaxation", "relaxation_grade"})
        | {"relaxation": [{"strength": 1.0, "time_us": 5.0}], "relaxation_grade": "measured"}
    )
    apart = material_deviation(one, ball(first=own), {"core": {"relaxation_strength": 1.0}})
    assert apart == pytest.approx(39.0 / 42.7 * math.hypot(0.30, 0.05))
    assert material_deviation(one, ball(first=card("u", "measured", "urethane")), slopes) > 0.1


def test_a_number_is_trusted_by_its_own_grade():
    found = card(grade="handbook")
    assert deviation(found, "youngs_modulus_mpa") == 0.10
    assert deviation(found, "density_g_cm3") == 0.01
    assert grade_of(found, "relaxation_strength") == "unstated"
    assert deviation(found, "relaxation_strength") == 0.30
    soft = default_catalogue().find("core rubber, soft")
    assert grade_of(soft, "relaxation_strength") == soft.relaxation_grade == "from memory"


def test_one_pattern_alone_may_leave_something_open():
    judged, carry = 0.11 * 240.0, "driver fast.carry_m"

    def flown(pattern, own, basis="finite element"):
        figure = Figure(carry, 240.0, "m", basis, 0.8, math.hypot(judged, own))
        named = ball().model_copy(update={"dimple_pattern": pattern})
        return Estimate(named, {carry: figure})

    for pair in ((0.0, 2.0), (2.0, 0.0)):
        parts = difference(flown("a", pair[0]), flown("b", pair[1]), carry).parts
        assert parts["drag and lift"] == pytest.approx(2.0, rel=1e-6)
    mixed = difference(flown("a", 1.0), flown("b", 1.0, "emulator"), carry)
    assert "drag and lift" not in mixed.parts


@pytest.mark.parametrize("unit", [1e-12, 1.0, 1e6])
def test_what_patterns_leave_open_does_not_know_its_unit(unit):
    carry, value = "driver fast.carry_m", 240.0 * unit
    known = QUANTITIES["carry_m"].absolute_percent / 100.0

    def flown(pattern, own):
        error = math.hypot(known * value, own * unit)
        named = ball().model_copy(update={"dimple_pattern": pattern})
        return Estimate(named, {carry: Figure(carry, value, "m", "finite element", 0.0, error)})

    parts = difference(flown("a", 1.5), flown("b", 2.0), carry).parts
    assert parts["drag and lift"] == pytest.approx(2.5 * unit, rel=1e-9)
    assert "drag and lift" not in difference(flown("a", 0.0), flown("b", 0.0), carry).parts


def test_every_two_of_some_builds_have_their_half_width():
    builds = [told(ball(core), 0.78) for core in (39.0, 38.5, 37.0, 36.0)]
    found = half_widths(builds, "cor")
    for i, j in itertools.product(range(4), repeat=2):
        expected = difference(builds[i], builds[j], "cor").error if i != j else 0.0
        assert found[i, j] == pytest.approx(expected, rel=1e-12)


def test_a_number_that_no_figure_has_is_refused(monkeypatch):
    monkeypatch.setattr(module, "shipped_toml", lambda *where: {"cor": {"z": 1.0, "flor": 0.1}})
    with pytest.raises(InputError) as found:
        model_of.__wrapped__("cor")
    assert str(found.value) == "resolution.toml: cor has no flor."
    assert model_of.__wrapped__("spin_rpm") == Model(1.0, 1.0, 1.0, {}, 0.0, {})
