"""Numbers that say their unit: read into the key's unit, or refused in a sentence.

Kinds: analytic, published (exact definitions of inch, ounce and mile).
"""

import pytest

from layers.errors import InputError
from layers.files.csv import Column, checked_rows
from layers.files.other_units import read_quantity
from layers.files.toml import parse_toml


@pytest.mark.parametrize(
    ("text", "unit", "wanted"),
    [
        ("0.050 in", "mm", 1.27),
        ("50 thou", "mm", 1.27),
        ("1.680in", "mm", 42.672),
        ("1.62 oz", "g", 45.92622826125),
        ("113 mph", "m/s", 50.51552),
        ("45.5 g", "g", 45.5),
        ("10 ksi", "MPa", 68.94757),
        ("320 deg F", "deg C", 160.0),
        ("100 yd", "m", 91.44),
        ("0.45 oz in²", "g cm2", 82.30490325),
    ],
)
def test_published_factors(text, unit, wanted):
    assert read_quantity(text, unit, "x") == pytest.approx(wanted, rel=1e-7)


@pytest.mark.parametrize("text", ["42.67", "soft", "", "1e3", "1.5 - 2", "3,5"])
def test_what_says_no_unit_is_left_alone(text):
    assert read_quantity(text, "mm", "x") is None


def test_another_dimension_is_told_with_examples():
    words = r"diameter_mm: '3 g' is a mass; give a length such as 42.67 mm or 1.680 in\."
    with pytest.raises(InputError, match=words):
        read_quantity("3 g", "mm", "diameter_mm")
    with pytest.raises(InputError, match="'3 furlongs' has a unit that is not known here"):
        read_quantity("3 furlongs", "mm", "x")


def test_a_toml_file_takes_units_wherever_a_key_names_one():
    text = """
    name = "5 g"
    [[layer]]
    outer_diameter_mm = "1.5 in"
    youngs_modulus_mpa = { value = "10 ksi", source = "7 mm disc" }
    thickness_mm = ["0.05 in", 2]
    [[limit]]
    figure = "driver fast.carry_m"
    at_least = "280 yd"
    """
    table = parse_toml(text, "b.toml")
    [layer], [limit] = table["layer"], table["limit"]
    assert layer["outer_diameter_mm"] == 38.1
    assert layer["youngs_modulus_mpa"] == {"value": 68.94757, "source": "7 mm disc"}
    assert layer["thickness_mm"] == [1.27, 2]
    assert limit["at_least"] == pytest.approx(256.032)
    assert table["name"] == "5 g"
    with pytest.raises(InputError, match=r"b\.toml: line 2: outer_diameter_mm: '3 g' is a mass"):
        parse_toml('[[layer]]\nouter_diameter_mm = "3 g"', "b.toml")


def test_a_cell_of_a_csv_file_may_say_its_unit():
    columns = {"thickness_mm": Column("mm", "thickness", 0.1, 10.0)}
    [row] = checked_rows("piece,thickness_mm\na,0.05 in\n", "piece", columns, (), "t.csv")
    assert row.number == {"thickness_mm": 1.27}
    with pytest.raises(InputError, match="row 2, thickness_mm: '3 g' is a mass"):
        checked_rows("piece,thickness_mm\na,3 g\n", "piece", columns, (), "t.csv")


def test_every_text_of_a_wrong_unit_is_told_with_its_line():
    text = '[[layer]]\nouter_diameter_mm = "3 g"\nyoungs_modulus_mpa = "80 Shore A"\n'
    with pytest.raises(InputError) as told:
        parse_toml(text, "b.toml")
    first, second = str(told.value).split("; line ")
    assert first.startswith("b.toml: line 2: outer_diameter_mm: '3 g' is a mass; give a length")
    assert second.startswith("3: youngs_modulus_mpa: '80 Shore A' has a unit that is not known")
    assert second.endswith("a hardness has its own keys, shore_a, shore_c, jis_c and shore_d.")
