"""What a file is refused with says place, value and remedy in the file's own words."""

import pytest

from layers.ball_file import ball_from_table
from layers.errors import InputError
from layers.files.csv import check_header, refuse_bars, wrong_width
from layers.files.toml import parse_toml, told_by_line
from layers.materials import default_catalogue
from optimize.scenario.brief import scenario_from_toml

GOOD = """
name = "a"
[[layer]]
role = "core"
outer_diameter_mm = 40
material = "core rubber, soft"
youngs_modulus_mpa = 40
[[layer]]
role = "cover"
outer_diameter_mm = 42.7
material = "ionomer, firm"
[[material]]
name = "own"
youngs_modulus_mpa = 50
poisson_ratio = 0.48
density_g_cm3 = 1.1
"""


def refused(old, new):
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    with pytest.raises(InputError) as told, told_by_line(text, "b.toml"):
        ball_from_table(parse_toml(text, "b.toml"), default_catalogue(), "b.toml")
    return str(told.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("youngs_modulus_mpa = 40", "name = 'x'", "line 7: layer 1, name does not belong here"),
        ("youngs_modulus_mpa = 40", "name = 'x'", "move it to its own table, or remove it."),
        ("youngs_modulus_mpa = 40", "roel = 1", "layer 1, roel is not a known field; did you mean"),
        ("youngs_modulus_mpa = 40", "zzz = 1", "known: role, outer_diameter_mm, material, "),
        ("youngs_modulus_mpa = 40", "youngs_modulus_mpa = true", "is true, but must be a number"),
        ("youngs_modulus_mpa = 40", "youngs_modulus_mpa = 1979-05-27", "is 1979-05-27, but must"),
        ("= 40\n", "= true\n", "outer_diameter_mm is true, but must be a number in mm"),
        ("poisson_ratio = 0.48", "poisson_ratio = 'x'", "poisson_ratio is 'x', but must be a num"),
        ('name = "a"', f'name = "{"a" * 200}"', "name has 200 characters, but must"),
        ('"core rubber, soft"', "3", "material is 3, but must be the name of a card in quotes."),
        ("density_g_cm3 = 1.1", "density_g_cm3 = 1.1\nrelaxation = [3]", "a table with strength"),
    ],
)
def test_faults_of_a_ball_file(old, new, said):
    assert said in refused(old, new)


def test_the_unit_of_a_number_out_of_range_is_guessed_also_at_the_end_of_a_range():
    assert refused("= 40\n", "= 1601\n").endswith("(noted in thou?).")
    broad = "[[layer]]\nrole = 'core'\nyoungs_modulus_mpa = [24, 9000]\n"
    with pytest.raises(InputError, match=r"is 9000, but must be at most 3000.0 \(noted in psi\?\)"):
        scenario_from_toml(f"name = 'a'\n{broad}", "s.toml")
    with pytest.raises(InputError, match=r"mass_g is 5.7, but must be at least 10.0[;.]"):
        scenario_from_toml("name = 'a'\n[fill]\nlayer = 1\nmass_g = 5.7\n", "s.toml")


def test_what_a_layer_replaces_is_no_fault_where_its_material_is_at_fault():
    assert refused('material = "core rubber, soft"\n', "").count("line") == 1


def test_tables_of_other_forms_are_refused_with_what_helps():
    assert wrong_width(3, 10, 7).endswith("in quotes, or separate columns by semicolons")
    assert wrong_width(3, 5, 7) == (
        "row 3 has 5 cells, but must have 7: add the cells that are missing, empty ones too"
    )
    with pytest.raises(InputError, match=r"row 1 has columns separated by '\|'; separate them"):
        refuse_bars(["a|b"], "t.csv")
    refuse_bars(["a", "b|c"], "t.csv")
    with pytest.raises(InputError, match="row 1, column 2 has no name; name it or remove it"):
        check_header(["a", ""], ["a"], (), "t.csv")
