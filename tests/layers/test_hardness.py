"""Hardness and modulus: published values, the geometry behind them, inverses, the guideline chart.

Kinds: published, analytic, limits.
"""

import math

import pytest

from layers.errors import InputError
from layers.hardness import (
    SCALES,
    converted_hardness,
    find_scale,
    hardness_from_modulus,
    modulus_from_hardness,
    modulus_words,
)

# Published comparison chart of durometers (A and D, widely reprinted; column C from memory).
CHART = [(90.0, 59.0, 39.0), (95.0, 70.0, 46.0)]


@pytest.mark.parametrize(("shore", "mpa"), [(40, 34.8), (50, 62.6), (60, 117.3), (70, 243.3)])
def test_published_shore_d(shore, mpa):
    # Qi, Joyce, Boyce 2003, Rubber Chem. Technol. 76, 419, eq. 11 (restated).
    assert modulus_from_hardness("D", shore) == pytest.approx(mpa, abs=0.06)


@pytest.mark.parametrize("shore", [30.0, 52.5, 80.0])
def test_published_shore_d_formula(shore):
    u = (100.0 - shore) / 20.0
    assert modulus_from_hardness("D", shore) == pytest.approx((781.88 - 156.376 * u) / u**2)


@pytest.mark.parametrize("shore", [40.0, 50.0, 70.0, 90.0])
def test_published_shore_a_formula(shore):
    # Gent 1958, Trans. Inst. Rubber Ind. 34, 46 (restated).
    gent = 0.0981 * (56.0 + 7.62336 * shore) / (0.137505 * (254.0 - 2.54 * shore))
    assert modulus_from_hardness("A", shore) == pytest.approx(gent)


def test_analytic_shore_d_is_the_pointed_cone():
    # Sneddon 1965: F = 2 E tan(b) d^2 / (pi (1 - 1/4)); spring 44.45 N over 100 points, 2.5 mm.
    force, depth = 0.4445 * 60.0, 2.5 * 0.4
    cone = force * math.pi * 0.75 / (2.0 * math.tan(math.radians(15.0)) * depth**2)
    assert modulus_from_hardness("D", 60.0) == pytest.approx(cone, rel=3e-4)


def test_analytic_shore_c_is_the_flat_punch_under_the_spring_of_type_d():
    # F = 2 a E d / (1 - 1/4), a the mean radius of a cone of 0.79 mm at the tip, 1.27 mm above.
    force, depth, radius = 0.4445 * 75.0, 2.54 * 0.25, 0.5 * (0.395 + 0.635)
    punch = force * 0.75 / (2.0 * radius * depth)
    assert modulus_from_hardness("C", 75.0) == pytest.approx(punch, rel=3e-3)


@pytest.mark.parametrize("scale", SCALES, ids=lambda scale: scale.key)
def test_analytic_reading_and_modulus_are_inverse(scale):
    for value in (scale.low, 0.5 * (scale.low + scale.high), scale.high):
        modulus = modulus_from_hardness(scale.name, value)
        reading, scatter = hardness_from_modulus(scale.name, modulus)
        assert reading == pytest.approx(value, abs=1e-9)
        if scale.low < value < scale.high:  # the scatter is 40 % of the modulus, by the slope
            near = modulus_from_hardness(scale.name, value + 1e-4) / modulus
            assert scatter == pytest.approx(0.4e-4 / math.log(near), rel=1e-3)


@pytest.mark.parametrize(("a", "c", "d"), CHART)
def test_published_chart_is_met_within_the_scatter_between_scales(a, c, d):
    for to, charted in (("C", c), ("D", d)):
        reading, scatter = converted_hardness(a, "A", to)
        assert abs(reading - charted) < scatter
    # The scatter is not so wide that any chart would pass.
    assert converted_hardness(a, "A", "D")[1] < 11.0


def test_limits_c_and_jis_c_agree_where_their_springs_do():
    for value in (60.0, 75.0, 90.0):
        reading, scatter = converted_hardness(value, "C", "JIS-C")
        assert reading == pytest.approx(value, abs=0.2)
        assert scatter == 1.0


@pytest.mark.parametrize("value", [40.0, 55.0, 75.0, 95.0])
def test_analytic_one_punch_under_three_springs(value):
    """A, C and JIS-C press one punch as deep: moduli are as the springs' forces.

    In gram-force, taken as 0.00981 N: 56 + 7.62336 S (Gent 1958); 100 + 44 S (JIS K 6301, from
    memory); of type C 44.45 N over 100 points, nothing at none (ASTM D2240, from memory).
    """
    force = {
        "A": 0.00981 * (56.0 + 7.62336 * value),
        "C": 0.4445 * value,
        "JIS-C": 0.00981 * (100.0 + 44.0 * value),
    }
    moduli = {scale: modulus_from_hardness(scale, value) for scale in force}
    for scale in ("C", "JIS-C"):
        assert moduli[scale] / moduli["A"] == pytest.approx(force[scale] / force["A"], rel=5e-4)


def test_analytic_a_conversion_has_the_scatter_of_both_relations():
    modulus = modulus_from_hardness("A", 90.0)
    reading, scatter = hardness_from_modulus("D", modulus)
    assert converted_hardness(90.0, "A", "D") == pytest.approx((reading, math.sqrt(2.0) * scatter))
    for pair in (("C", "C"), ("JIS-C", "C"), ("JIS-C", "JIS-C")):
        assert converted_hardness(60.0, *pair)[1] == 1.0
    assert converted_hardness(90.0, "A", "C")[1] > 2.0
    assert converted_hardness(60.0, "C", "A")[1] > 2.0


@pytest.mark.parametrize("scale", SCALES, ids=lambda scale: scale.key)
def test_limits_a_modulus_has_a_reading_within_the_scale_and_none_beyond(scale):
    ends = [modulus_from_hardness(scale.name, value) for value in (scale.low, scale.high)]
    for modulus in (ends[0] * (1.0 - 1.1e-9), ends[1] * (1.0 + 1.1e-9), 0.0, -1.0, math.nan):
        with pytest.raises(InputError) as found:
            hardness_from_modulus(scale.name, modulus)
        assert str(found.value) == (
            f"a modulus of {modulus:.3g} MPa is outside {scale.label} {scale.low:g} to "
            f"{scale.high:g} ({ends[0]:.2g} to {ends[1]:.2g} MPa), where the relation holds."
        )
    for modulus in (ends[0] * (1.0 - 9e-10), ends[1] * (1.0 + 9e-10)):  # a rounding
        assert hardness_from_modulus(scale.name, modulus)


@pytest.mark.parametrize(
    ("spelt", "name"),
    [("jis_c", "JIS-C"), ("JISC", "JIS-C"), ("jis c", "JIS-C"), ("Shore A", "A"), ("shore_c", "C")],
)
def test_other_scales_are_found_as_they_are_written(spelt, name):
    assert find_scale(spelt).name == name


@pytest.mark.parametrize("spelt", ["shore_d", "Shore D", "d", "D"])
def test_scales_are_found_as_they_are_written(spelt):
    assert find_scale(spelt).name == "D"


def test_bad_readings_are_told_in_a_sentence():
    with pytest.raises(InputError, match="Shore D is 20, but must be from 30 to 80"):
        modulus_from_hardness("D", 20.0)
    with pytest.raises(InputError, match="must be from 40 to 95"):
        modulus_from_hardness("A", math.nan)
    with pytest.raises(InputError, match="outside Shore D 30 to 80"):
        converted_hardness(50.0, "A", "D")
    with pytest.raises(InputError, match="scale 'X' is not in the list; known: A, C, JIS-C, D"):
        find_scale("X")


def test_a_modulus_is_printed_to_two_digits():
    assert [modulus_words(x) for x in (0.123, 1.0, 1.69, 9.94, 38.18, 117.3, 625.5)] == [
        *("0.12", "1.0", "1.7", "9.9", "38", "120", "630")
    ]


@pytest.mark.parametrize(
    ("scale", "low", "high"), [("A", 40, 95), ("C", 30, 95), ("JIS-C", 30, 95), ("D", 30, 80)]
)
def test_published_ranges_of_the_relations_hold_at_their_ends(scale, low, high):
    assert modulus_from_hardness(scale, low) < modulus_from_hardness(scale, high)
    for value in (low - 0.01, high + 0.01):
        with pytest.raises(InputError, match=f"must be from {low} to {high}"):
            modulus_from_hardness(scale, value)
