"""Values written as TOML are read back equal, to the last bit."""

import math
import string
import struct
import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.files.toml import toml_value

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
