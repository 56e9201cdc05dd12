"""A table's cells: ranges to their ends, every fault of a file, columns that may be left out."""

import numpy as np
import pytest

from layers.errors import InputError
from layers.flight.aero_file import table_from_csv

HEAD = {
    "reynolds": "1.5e5",
    "spin_ratio": "0.1",
    "drag_coefficient": "0.25",
    "lift_coefficient": "0.15",
}


def read(**cells):
    row = HEAD | cells
    return table_from_csv(",".join(row) + "\n" + ",".join(row.values()) + "\n", "t.csv")


@pytest.mark.parametrize(
    ("column", "low", "high", "beside"),
    [
        ("reynolds", 10000, 1000000, 0.5),
        ("spin_ratio", 0, 3, 0.001),
        ("drag_coefficient", 0.05, 1.5, 0.001),
        ("lift_coefficient", -0.5, 1.5, 0.001),
        ("drag_standard_error", 0, 1, 0.001),
        ("lift_standard_error", 0, 1, 0.001),
        ("spin_ratio_standard_error", 0, 1, 0.001),
    ],
)
def test_numbers_are_held_to_their_ranges(column, low, high, beside):
    places = [*HEAD, "drag_standard_error", "lift_standard_error", "spin_ratio_standard_error"]
    for value in (low, high):
        found = read(**{column: str(value)})
        assert np.concatenate([found.rows, found.errors], axis=1)[0, places.index(column)] == value
    for value in (low - beside, high + beside):
        with pytest.raises(InputError) as found:
            read(**{column: str(value)})
        words = f"row 2, column {column} is '{value}', but must be a number from {low:g} to "
        assert words + f"{high:g}" in str(found.value)


def test_errors_left_out_are_none_and_texts_are_empty():
    found = read(lift_standard_error="", ball="own")
    np.testing.assert_array_equal(found.errors, [[0.0, 0.0, 0.0]])
    assert found.texts == {"launch": ("",), "ball": ("own",), "orientation": ("",), "note": ("",)}
    assert found.lines == (2,)


def test_a_row_of_too_many_cells_does_not_hide_the_rows_after_it():
    text = ",".join(HEAD) + "\n1e5,0.1,0.25,0.15,9\n1e5,0.1,0.25,x\n"
    with pytest.raises(InputError) as found:
        table_from_csv(text, "t.csv")
    assert "row 2 has 5 cells, but must have 4" in str(found.value)
    assert "row 3, column lift_coefficient is 'x'" in str(found.value)


@pytest.mark.parametrize(("bad", "more"), [(10, False), (11, True)])
def test_ten_faults_are_told_and_that_there_are_more(bad, more):
    text = ",".join(HEAD) + "\n" + "1e5,0.1,0.25,x\n" * bad
    with pytest.raises(InputError) as found:
        table_from_csv(text, "t.csv")
    assert str(found.value).count("is 'x'") == 10
    assert ("and more" in str(found.value)) == more


def test_a_column_like_none_is_told_what_there_is():
    with pytest.raises(InputError, match="column 'zzzz' is not known; known: reynolds, spin_rat"):
        read(zzzz="1")
