"""Rule sets: published identities and the screen's wording."""

import pytest
from pydantic import ValidationError

from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.rules.screen import RuleLimit, RuleSet, rule_set, rule_sets, screen
from tests.helpers.builds import random_balls

VELOCITY = "initial_velocity_m_s"
OUNCE_G, INCH_MM, FOOT_M = 28.349523125, 25.4, 0.3048  # NIST SP 811, appendix B


def figure(name, value, basis="closed form", error=0.0):
    return Figure(name, value, "", basis, error, error)


def verdicts(*figures):
    ball = random_balls(1, seed=0)[0]
    made = Estimate(ball, {f.name: f for f in figures})
    return {m.limit.figure: m for m in screen(made, rule_set("present"))}


def test_published_limits_are_their_imperial_originals():
    # Equipment Rules, part on the ball: 1.620 oz (45.93 g), 1.680 in (42.67 mm), 250 ft/s and 2 %.
    limits = {limit.figure: limit for limit in rule_set("present").limit}
    mass, diameter, velocity = (limits[n] for n in ("mass_g", "diameter_mm", VELOCITY))
    assert (mass.stated, diameter.stated, velocity.stated) == ("1.620 oz", "1.680 in", "255 ft/s")
    assert mass.at_most == 45.93 == round(1.620 * OUNCE_G, 2)
    assert diameter.at_least == 42.67 == round(1.680 * INCH_MM, 2)
    assert velocity.at_most == pytest.approx(1.02 * 250 * FOOT_M, rel=1e-12)


def test_a_bound_is_derived_from_the_stated_one():
    table = {"source": "invented", "grade": "from memory"}
    found = RuleLimit.model_validate({"figure": "mass_g", "at_most": "2 oz", **table})
    assert (found.at_most, found.stated) == (pytest.approx(2.0 * OUNCE_G, rel=1e-7), "2 oz")
    rounded = {"figure": "mass_g", "at_most": "2 oz", "metric_decimals": 1, **table}
    assert RuleLimit.model_validate(rounded).at_most == 56.7
    assert RuleLimit.model_validate({"figure": "mass_g", "at_most": 45.0, **table}).stated == ""
    with pytest.raises(ValidationError, match="'2 in' is a length; give a mass"):
        RuleLimit.model_validate({"figure": "mass_g", "at_most": "2 in", **table})
    with pytest.raises(ValidationError, match="needs at_least or at_most"):
        RuleLimit.model_validate({"figure": "mass_g", "at_most": "heavy", **table})


def test_a_build_at_either_printed_figure_of_the_rule_is_within():
    for grams, millimetres in ((45.93, 42.67), (1.620 * OUNCE_G, 1.680 * INCH_MM)):
        found = verdicts(figure("mass_g", grams), figure("diameter_mm", millimetres))
        assert {found[name].verdict for name in ("mass_g", "diameter_mm")} == {"within"}


def test_every_limit_is_dated_and_sourced():
    for rules in rule_sets().cards:
        assert rules.as_of.year >= 2026
        assert all(len(limit.source) > 10 for limit in rules.limit)


def test_screen_tells_margin_and_blurs_only_modelled_figures():
    found = verdicts(
        figure("mass_g", 45.93, error=0.2),
        figure("diameter_mm", 42.60),
        figure("initial_velocity_m_s", 77.5, "finite element", error=1.0),
    )
    assert found["mass_g"].verdict == "within"
    assert found["diameter_mm"].verdict == "outside"
    assert found["diameter_mm"].margin == pytest.approx(-0.07)
    assert found["initial_velocity_m_s"].verdict == "within error of the limit"
    assert found["initial_velocity_m_s"].margin == pytest.approx(0.224)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(45.93, "within"), (45.93 + 5e-10, "within"), (45.93 + 2e-9, "outside")],
)
def test_an_exact_figure_may_be_at_its_limit_but_not_beyond(value, verdict):
    assert verdicts(figure("mass_g", value, error=0.2))["mass_g"].verdict == verdict


@pytest.mark.parametrize(
    ("beyond", "verdict"),
    [
        (-1.0, "within"),  # as far inside as the error: no longer in doubt
        (-0.999, "within error of the limit"),
        (0.0, "within error of the limit"),
        (0.999, "within error of the limit"),
        (1.0, "outside"),
    ],
)
def test_a_modelled_figure_is_in_doubt_only_nearer_to_its_limit_than_its_error(beyond, verdict):
    limit = next(x.at_most for x in rule_set("present").limit if x.figure == "initial_velocity_m_s")
    error = 0.5  # a power of two: value less limit is then exactly the error
    found = verdicts(figure("initial_velocity_m_s", limit + beyond * error, "emulator", error))
    assert found["initial_velocity_m_s"].verdict == verdict


@pytest.mark.parametrize(
    ("error", "verdict"), [(0.0, "outside"), (1.0, "within error of the limit")]
)
def test_a_figure_on_its_limit_is_within_only_if_it_is_exact(error, verdict):
    limit = next(x.at_most for x in rule_set("present").limit if x.figure == "initial_velocity_m_s")
    found = verdicts(figure("initial_velocity_m_s", limit, "finite element", error))
    assert found["initial_velocity_m_s"].verdict == verdict


def test_screen_says_what_it_does_not_know():
    found = verdicts(figure("mass_g", 45.0))
    assert found["initial_velocity_m_s"].verdict == "not known"
    assert found["initial_velocity_m_s"].margin is None


def test_unknown_rule_set_offers_the_nearest():
    with pytest.raises(InputError, match="known: present"):
        rule_set("presnt")


def test_a_limit_needs_one_bound_of_a_known_figure():
    for bounds in ({}, {"at_least": 1.0, "at_most": 2.0}):
        with pytest.raises(ValidationError, match="one of them"):
            RuleLimit(figure="mass_g", source="invented", grade="from memory", **bounds)
    with pytest.raises(ValidationError, match="did you mean mass_g"):
        RuleLimit(figure="mas_g", at_most=1.0, source="invented", grade="from memory")
    with pytest.raises(ValidationError):
        RuleSet.model_validate({"name": "x", "as_of": "yesterday", "status": "", "limit": []})


@pytest.mark.parametrize("bound", ["at_least", "at_most"])
def test_a_bound_has_ends(bound):
    table = {"figure": "mass_g", "source": "invented", "grade": "from memory"}
    for end in (-1e6, 1e6):
        assert getattr(RuleLimit.model_validate(table | {bound: end}), bound) == end
        with pytest.raises(ValidationError, match="than or equal to"):
            RuleLimit.model_validate(table | {bound: 1.0000001 * end})
