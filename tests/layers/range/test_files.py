"""Files of the range: what is written is read; each fault is one sentence with row and column."""

import numpy as np
import pytest

from layers.errors import InputError
from layers.flight.aero_file import rows_from_csv, table_from_csv
from layers.flight.aerodynamics import ferguson_2022
from layers.range.reduction import reduce_tracks
from layers.range.rows_file import rows_of, rows_text
from layers.range.tracks_file import read_tracks, tracks_from_csv
from tests.helpers.range_data import csv_of, invented_ball, session, shipped


@pytest.fixture(scope="module")
def small():
    return csv_of(session(invented_ball, 3, 1, np.linspace(0.0, 20.0, 6))[0])


def test_the_shipped_sessions_are_what_the_command_writes():
    import pathlib

    folder = pathlib.Path(__file__).parents[3] / "scenarios" / "range"
    for name, text in shipped().items():
        assert (folder / name).read_text("utf-8") == text
        assert read_tracks(folder / name).launch


def test_tracks_come_back(small):
    tracks, _ = session(invented_ball, 3, 1, np.linspace(0.0, 20.0, 6))
    again = tracks_from_csv(small, "t.csv")
    np.testing.assert_allclose(again.position, tracks.position, atol=6e-6)
    np.testing.assert_allclose(again.density, tracks.density, rtol=1e-9)
    assert again.launch == tracks.launch
    assert not again.notes


def test_units_and_assumptions_are_said():
    lines = ["launch,time_s,x_m"] + [f"A,{5 * i} ms,{300 * i} mm" for i in range(5)]
    tracks = tracks_from_csv("\n".join(lines), "t.csv")
    np.testing.assert_allclose(tracks.position[0, :, 0], 0.3 * np.arange(5))
    assert len(tracks.notes) == 5
    assert "mass_g is not given for 1 of 1 launches: 45.93 g" in tracks.notes[0]


def small_cell(text):
    """Return the first reading's position."""
    return text.splitlines()[1].split(",")[2]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.replace("launch,", "lunch,", 1), "row 1, column 'lunch' is not known"),
        (lambda t: t.replace("x_m", "x_mm", 1), "column 'x_mm' is not known; did you mean x_m"),
        (lambda t: t.replace(small_cell(t), "nan", 1), "row 2, x_m is nan, but must be finite"),
        (lambda t: t.replace("L002", "", 1), "row 8, launch is empty"),
        (lambda t: t.replace("L002", "L001"), None),
        (lambda t: t.replace("launch,time_s,x_m", "launch,x_m,time_s", 1), "swapped, or another"),
        (lambda t: t.replace("x_m,y_m", "y_m,x_m", 1), "x_m and y_m swapped"),
        (lambda t: t.replace("45.9", "459", 1), "row 2, mass_g is 459, but must be from 5 to 100"),
    ],
)
def test_faults_are_named(small, change, words):
    text = change(small)
    if words is None:  # two launches under one name: their times interleave
        first = small.splitlines()
        text = "\n".join([*first[:7], first[2]])
        words = "row 8, time_s stands already in row 3 of launch L001"
    with pytest.raises(InputError, match=words):
        tracks_from_csv(text, "t.csv")


def test_a_launch_that_repeats_another_is_named(small):
    lines = small.splitlines()
    copied = [line.replace("L001", "L009") for line in lines[1:7]]
    with pytest.raises(InputError, match="row 20, launch L009 has the times and positions of laun"):
        tracks_from_csv("\n".join([*lines, *copied]), "t.csv")


def test_one_row_cannot_be_reduced(small):
    tracks = tracks_from_csv("\n".join(small.splitlines()[:2]), "t.csv")
    with pytest.raises(InputError, match="L001 has 1 usable reading along x, but drag takes"):
        reduce_tracks(tracks, what="t.csv")


def test_rows_are_an_aerodynamic_table():
    tracks, _ = session(invented_ball, 12, 2)
    found = reduce_tracks(tracks)
    text = rows_text(found)
    np.testing.assert_allclose(rows_from_csv(text, "r.csv")[:, 2], found.drag, rtol=1e-6)
    rows = rows_of(table_from_csv(text, "r.csv"), "r.csv")
    assert rows.launch == tracks.launch
    np.testing.assert_allclose(rows.rows.drag, found.drag, rtol=1e-6)
    assert (rows.rows.lift_error >= found.lift_sd * (1.0 - 1e-6)).all()
    wide = rows_of(table_from_csv(rows_text(found, np.full((12, 2), 0.01)), "r.csv"), "r.csv")
    assert (wide.rows.drag_error > 0.0099).all()


HEAD = "reynolds,spin_ratio,drag_coefficient,lift_coefficient\n"


def test_swapped_columns_of_rows_are_told():
    with pytest.raises(InputError, match="lift_coefficient is above drag_coefficient"):
        rows_of(table_from_csv(HEAD + "1e5,0.1,0.15,0.23\n1.2e5,0.1,0.15,0.24\n", "r.csv"), "r.csv")
    odd = rows_of(table_from_csv(HEAD + "1e5,0.4,0.25,0.1\n1.2e5,0.5,0.24,0.1\n", "r.csv"), "r.csv")
    assert any("are columns swapped" in text for text in odd.warnings)


def test_every_fault_of_a_table_is_named():
    text = HEAD + "1e5,0.1,x,0.2\n9,0.1,0.2,nan\n"
    with pytest.raises(InputError) as found:
        rows_from_csv(text, "r.csv")
    said = str(found.value)
    for part in ("row 2, column drag_coefficient is 'x'", "row 3, column reynolds is '9'"):
        assert part in said
    assert "row 3, column lift_coefficient is 'nan'" in said


@pytest.mark.parametrize(("ratio", "refused"), [(0.29, True), (0.3, False)])
def test_lift_above_drag_is_refused_at_little_spin_alone(ratio, refused):
    text = HEAD + f"1e5,{ratio},0.15,0.23\n1.2e5,0.5,0.24,0.1\n"
    if refused:
        with pytest.raises(InputError, match=r"below 0\.3 \(row 2\), which no ball shows"):
            rows_of(table_from_csv(text, "r.csv"), "r.csv")
        return
    assert len(rows_of(table_from_csv(text, "r.csv"), "r.csv").launch) == 2


def test_one_row_of_more_drag_than_lift_is_enough():
    text = HEAD + "1e5,0.1,0.15,0.23\n1.2e5,0.1,0.25,0.24\n"
    assert len(rows_of(table_from_csv(text, "r.csv"), "r.csv").launch) == 2


@pytest.mark.parametrize("column", ["drag", "lift"])
@pytest.mark.parametrize(("off", "odd"), [(0.099, False), (0.101, True), (-0.101, True)])
def test_rows_far_from_published_balls_are_odd(column, off, odd):
    re, s = np.array([1.0e5, 1.4e5]), np.array([0.35, 0.45])
    law = ferguson_2022(re, s)
    drag = law.drag + (off if column == "drag" else 0.0)
    lift = law.lift + (off if column == "lift" else 0.0)
    lines = [f"{a},{b},{c:.9f},{d:.9f}" for a, b, c, d in zip(re, s, drag, lift, strict=True)]
    said = rows_of(table_from_csv(HEAD + "\n".join(lines) + "\n", "r.csv"), "r.csv").warnings
    assert len(said) == odd
    if odd:
        assert f"{column}_coefficient is {off:+.2f} away" in said[0]


def test_analytic_an_error_of_spin_ratio_is_one_of_drag_and_lift():
    """By the slopes of the published law, beside their own."""
    head = (
        "launch,ball,orientation,reynolds,spin_ratio,drag_coefficient,lift_coefficient,"
        "drag_standard_error,lift_standard_error,spin_ratio_standard_error\n"
    )
    text = head + "L1,a,pole,1.2e5,0.15,0.25,0.2,0.001,0.002,0.01\nL2,b,seam,1e5,0,0.22,0,,,\n"
    found = rows_of(table_from_csv(text, "r.csv"), "r.csv")
    re, step = np.array([1.2e5]), 1e-5
    up, down = (ferguson_2022(re, np.array([0.15 + d])) for d in (step, -step))
    slopes = [(getattr(up, n) - getattr(down, n))[0] / (2 * step) for n in ("drag", "lift")]
    assert found.rows.drag_error[0] == pytest.approx(np.hypot(0.001, 0.01 * slopes[0]), rel=1e-3)
    assert found.rows.lift_error[0] == pytest.approx(np.hypot(0.002, 0.01 * slopes[1]), rel=1e-3)
    assert found.rows.drag_error[1] == found.rows.lift_error[1] == 0.0
    assert found.of(ball="b").launch == ("L2",)
    assert found.of(orientation="pole").ball == ("a",)
    assert found.of().lines == found.lines == (2, 3)
    with pytest.raises(InputError, match="no row of ball 'c'; balls: a, b"):
        found.of(ball="c")
