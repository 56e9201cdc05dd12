"""Tracks read from a file: units and air, what is assumed, and faults that rows show together."""

import numpy as np
import pytest

from layers.errors import MOST_FAULTS, InputError
from layers.flight.air import moist_air_density, sutherland_viscosity
from layers.range.tracks_file import tracks_from_csv


def read(*rows, head="launch,time_s,x_m"):
    return tracks_from_csv("\n".join([head, *rows]), "t.csv")


def refused(*rows, head="launch,time_s,x_m"):
    with pytest.raises(InputError) as found:
        read(*rows, head=head)
    return str(found.value)


def test_every_column_is_read_into_si():
    head = (
        "launch,ball,orientation,note,time_s,x_m,y_m,z_m,spin_rpm,mark_deg,mass_g,diameter_mm,"
        "temperature_celsius,pressure_hpa,humidity_percent"
    )
    found = read(
        "A,own,pole,wet,0,0,1,0.1,3000,90,45.5,42.7,24,990,40",
        "A,,,,0.05,3,1.1,0.2,,180,,,26,1010,60",
        "B,own,seam,,1,0,1,0,,,45.9,42.7,,,",
        head=head,
    )
    assert found.launch == ("A", "B")
    assert found.ball == ("own", "own")
    assert found.orientation == ("pole", "seam")
    np.testing.assert_array_equal(found.line, [[2, 3], [4, 0]])
    np.testing.assert_array_equal(found.time, [[0.0, 0.05], [1.0, np.nan]])
    np.testing.assert_array_equal(found.position[0], [[0.0, 1.0, 0.1], [3.0, 1.1, 0.2]])
    np.testing.assert_allclose(found.spin[0], [100.0 * np.pi, np.nan])
    np.testing.assert_allclose(found.mark[0], [0.5 * np.pi, np.pi])
    np.testing.assert_allclose(found.mass, [0.0455, 0.0459])
    np.testing.assert_allclose(found.diameter, [0.0427, 0.0427])
    # The air of a launch is the mean of its readings; where none is given, 20 C, 1013.25 hPa, 50 %.
    density = moist_air_density(25.0, 1e5, 0.5), moist_air_density(20.0, 101325.0, 0.5)
    np.testing.assert_allclose(found.density, density)
    viscosity = sutherland_viscosity(298.15), sutherland_viscosity(293.15)
    np.testing.assert_allclose(found.viscosity, viscosity)
    assert [note.split(" is not")[0] for note in found.notes] == [
        "temperature_celsius",
        "pressure_hpa",
        "humidity_percent",
    ]
    assert "given for 1 of 2 launches: 1013.25 hPa was assumed" in found.notes[1]


def test_what_is_assumed_is_the_rules_and_the_flights():
    found = read("A,0,0", "A,0.1,6")
    assert (found.mass[0], found.diameter[0]) == pytest.approx((0.04593, 0.04267))
    assert found.density[0] == pytest.approx(moist_air_density(20.0, 101325.0, 0.5))


def test_readings_come_in_order_of_time():
    found = read("A,0.2,12", "A,0,0", "A,0.1,6")
    np.testing.assert_array_equal(found.position[0, :, 0], [0.0, 6.0, 12.0])
    np.testing.assert_array_equal(found.line, [[3, 4, 2]])


def test_launches_of_one_reading_may_be_alike():
    """Of two readings they are a copy; the third copy is told of the first, too."""
    assert read("A,0,0", "B,0,0", "C,0,0").launch == ("A", "B", "C")
    pair = ("A,0,0", "A,0.1,6")
    said = refused(*pair, *(row.replace("A", "B") for row in pair), "C,0,0", "C,0.1,6")
    assert "row 4, launch B has the times and positions of launch A in row 2" in said
    assert "row 6, launch C has the times and positions of launch A in row 2" in said
    assert read(*pair, "B,0,0", "B,0.1,6.01").launch == ("A", "B")


def test_one_launch_has_one_mass_and_one_ball():
    head = "launch,time_s,x_m,mass_g,diameter_mm,temperature_celsius,ball,orientation"
    said = refused(
        "A,0,0,45.9,42.7,20,own,pole",
        "A,0.1,6,45.8,42.6,25,other,seam",
        head=head,
    )
    assert "row 3, mass_g is 45.8, but launch A has 45.9 in another row" in said
    assert "row 3, diameter_mm is 42.6, but launch A has 42.7 in another row" in said
    assert "row 3, ball is 'other', but launch A has 'own' in another row" in said
    assert "row 3, orientation is 'seam', but launch A has 'pole' in another row" in said
    assert "temperature" not in said
    read("A,0,0,45.9,42.7,20,own,pole", "A,0.1,6,45.9,,25,own,", head=head)


@pytest.mark.parametrize(
    ("way", "words"),
    [(0.299, "a speed of 2.99 m/s"), (0.301, ""), (12.99, ""), (13.01, "a speed of 130 m/s")],
)
def test_a_speed_that_no_ball_has_is_refused(way, words):
    rows = "A,0,1", f"A,0.1,{1.0 + way}"
    if not words:
        assert read(*rows).launch == ("A",)
        return
    said = refused(*rows)
    assert words in said
    assert "rows 2 to 3" in said
    assert "x_m and time_s swapped, or another unit?" in said


@pytest.mark.parametrize(
    ("last", "words"),
    [
        ("0.01,6,0", "x_m and y_m swapped?"),
        ("0.01,0,6", "x_m and z_m swapped?"),
        ("0.01,20,0", "x_m and time_s swapped"),
        ("4,5,0", "goes farther along y_m than along x_m"),
        ("4,0,-5", "goes farther along z_m than along x_m"),
        ("4,5,6", "goes farther along z_m than along x_m"),
        ("5,4,-4", ""),
    ],
)
def test_swapped_axes_are_told(last, words):
    head = "launch,time_s,x_m,y_m,z_m"
    rows = "A,0,0,0,0", f"A,0.1,{last}"
    if not words:
        assert read(*rows, head=head).launch == ("A",)
        return
    assert words in refused(*rows, head=head)


@pytest.mark.parametrize(
    ("column", "low", "high", "unit"),
    [
        ("x_m", -100, 400, "m"),
        ("y_m", -50, 100, "m"),
        ("z_m", -50, 50, "m"),
        ("spin_rpm", 0, 20000, "rpm"),
        ("mark_deg", -1000000, 1000000, "deg"),
        ("mass_g", 5, 100, "g"),
        ("diameter_mm", 20, 80, "mm"),
        ("temperature_celsius", -20, 50, "deg C"),
        ("pressure_hpa", 500, 1100, "hPa"),
        ("humidity_percent", 0, 100, "%"),
    ],
)
def test_numbers_are_held_to_their_ranges(column, low, high, unit):
    """One reading of a launch alone: at either end it is read, beyond it is told."""
    head = "launch,time_s,x_m" if column == "x_m" else f"launch,time_s,x_m,{column}"

    def row(value):
        return f"A,0,{value}" if column == "x_m" else f"A,0,0,{value}"

    for value in (low, high):
        assert read(row(value), head=head).launch == ("A",)
    for value in (low - 0.001, high + 0.001):
        said = refused(row(value), head=head)
        assert f"row 2, {column} is {value}, but must be from {low:g} to {high:g} {unit}" in said


@pytest.mark.parametrize(
    ("time", "fits"), [(1e5, True), (-1e5, True), (100001, False), (-100001, False)]
)
def test_times_are_within_a_day_or_so(time, fits):
    if fits:
        assert read(f"A,{time},0").launch == ("A",)
        return
    assert f"row 2, time_s is {time}, but must be from -100000 to 100000 s" in refused(
        f"A,{time},0"
    )


def test_a_file_of_bad_rows_ends_after_the_first_faults():
    said = refused(*(f"A,{i},x" for i in range(10 * MOST_FAULTS)))
    assert said.count("x_m is") <= MOST_FAULTS + 1
