"""Values written as TOML are read back equal, to the last bit."""

import math
import string
import struct
import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.ball_file import ball_from_table
from layers.errors import Fault, InputError, faulty
from layers.files.toml import lines_of, parse_toml, read_toml, told_by_line, toml_value
from layers.materials import default_catalogue

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
NUMBERS = st.floats(allow_nan=False) | st.integers(-(2**63), 2**63 - 1)
VALUES = st.recursive(
    NUMBERS | st.booleans() | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
    max_leaves=12,
)


@given(VALUES)
def test_any_value_is_read_back_equal(value):
    assert tomllib.loads(f"a = {toml_value(value)}")["a"] == value


@given(st.floats())
def test_every_bit_of_a_float_is_kept(value):
    again = tomllib.loads(f"a = {toml_value(value)}")["a"]
    assert math.isnan(again) if math.isnan(value) else _bits(again) == _bits(value)


def _bits(value: float) -> bytes:
    return struct.pack("d", value)


def test_a_float_of_an_array_library_is_a_float():
    assert toml_value([np.float64(1.5), 2]) == "[1.5, 2]"


@pytest.mark.parametrize("value", [None, object(), np.int64(3), 1j])
def test_what_toml_lacks_is_refused(value):
    with pytest.raises(TypeError, match="TOML has no value"):
        toml_value(value)


def test_keys_are_bare_where_they_can_be():
    assert toml_value({"a_b-1": 1}) == "{ a_b-1 = 1 }"
    odd = string.printable
    assert tomllib.loads(f"a = {toml_value({odd: 1})}")["a"] == {odd: 1}


def test_lines_of_tables_keys_and_what_looks_like_them():
    text = (
        'name = "a [x" # [y]\n'
        "[[layer]]\n"
        "r = [{a = 1},\n"
        " {b = 2}]\n"
        's = """\n'
        "[[no]]\n"
        "x = 1\n"
        '"""\n'
        "[[layer]]\n"
        '"role.x" = 2\n'
        "[conditions]\n"
        "a.b = 1\n"
        "[[layer.q]]\n"
        "z = 1\n"
    )
    assert lines_of(text) == {
        ("name",): 1,
        ("layer", 0): 2,
        ("layer", 0, "r"): 3,
        ("layer", 0, "s"): 5,
        ("layer", 1): 9,
        ("layer", 1, "role.x"): 10,
        ("conditions",): 11,
        ("conditions", "a", "b"): 12,
        ("layer", 1, "q", 0): 13,
        ("layer", 1, "q", 0, "z"): 14,
    }


def test_every_fault_of_a_file_is_told_with_its_line():
    text = (
        'name = "b"\n\n[[layer]]\nrole = "cores"\nouter_diameter_mm = 380\n'
        'material = "core rubber, sofd"\n\n[[layer]]\nrole = "cover"\nouter_diametr_mm = 42.7\n'
        'material = "Urethane, Soft"\ndensity_g_cm3 = "x"\n'
    )
    with pytest.raises(InputError) as caught, told_by_line(text, "b.toml"):
        ball_from_table(parse_toml(text, "b.toml"), default_catalogue(), "b.toml")
    said = str(caught.value)
    assert said.startswith("b.toml: line 4: layer 1, role is 'cores'")
    for words in (
        "line 5: layer 1, outer_diameter_mm is 380, but must be at most 60",
        "line 6: layer 1: material 'core rubber, sofd' is not in the catalogue; known: 'core",
        "line 10: layer 2, outer_diametr_mm is not a known field; did you mean outer_diameter_mm?",
        "line 12: layer 2, density_g_cm3 is 'x', but must be a number.",
    ):
        assert words in said
    assert "missing" not in said
    assert "\n" not in said


def test_a_key_like_no_other_gets_the_list_of_keys():
    table = {"name": "b", "layer": [], "zzz": 1}
    with pytest.raises(InputError, match=r"zzz is not a known field; known: name, .*layer"):
        ball_from_table(table, default_catalogue(), "b.toml")


def test_a_file_is_built_and_its_faults_are_told_by_name_and_line(tmp_path):
    path = tmp_path / "x.toml"
    path.write_text('\nthickness_mm = "1 in"\n')
    assert read_toml(path, lambda table, what: (table["thickness_mm"], what)) == (25.4, "x.toml")

    def refuse(table, what):
        raise faulty([Fault(("thickness_mm",), "too thick")], what)

    with pytest.raises(InputError, match=r"x\.toml.*line 2: too thick"):
        read_toml(str(path), refuse)
    with pytest.raises(InputError, match="none"):
        read_toml(tmp_path / "none.toml", refuse)
