"""Figures with their errors, and differences of figures."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers import estimates
from layers.ball_file import ball_from_table
from layers.errors import InputError, SolverError
from layers.estimates import Difference, Estimate, Figure
from layers.materials import default_catalogue

BALL = ball_from_table(
    {"layer": [{"role": "core", "outer_diameter_mm": 42.7, "material": "core rubber, soft"}]},
    default_catalogue(),
    "ball.toml",
)


def figure(value, error=0.1, name="frequency_hz", unit="Hz"):
    return Figure(name, value, unit, "finite element", error, 9.0)


def one(value, error=0.1):
    return Estimate(BALL, {"frequency_hz": figure(value, error)}, {"cor": "no rebound"})


@given(st.floats(1.0, 1e4), st.floats(-50.0, 50.0), st.floats(0.1, 20.0))
def test_a_difference_counts_only_beyond_its_error(value, step, error):
    found = figure(value + step, error) - figure(value, error)
    assert found.beyond_error == (abs((value + step) - value) > found.error)


def test_a_difference_of_figures_alone_is_signed_and_shares_no_error():
    step = one(3000.0, 3.0)["frequency_hz"] - one(2990.0, 4.0)["frequency_hz"]
    assert (step.value, step.error, step.unit, step.parts) == (10.0, 5.0, "Hz", {})
    assert step.standard_error == pytest.approx(5.0 / 1.96)
    assert step.beyond_error
    assert not (figure(3000.0, 20.0) - figure(2990.0)).beyond_error


def test_only_the_same_figure_is_subtracted():
    with pytest.raises(InputError, match="frequency_hz less mass_g"):
        figure(1.0) - figure(1.0, name="mass_g")
    with pytest.raises(TypeError):
        figure(1.0) - 3.0


def test_a_failed_figure_is_not_a_number():
    with pytest.raises(SolverError, match="no rebound"):
        one(1.0)["cor"]


def several():
    figures = [
        figure(3000.0),
        figure(120.0, name="driver fast.spin_rpm", unit="rpm"),
        figure(0.78, 0.0009, name="cor", unit="1"),
    ]
    return Estimate(BALL, {f.name: f for f in figures}, {"mass_g": "<no> mass"})


def test_a_figure_is_found_by_another_name_that_means_the_same():
    estimate = several()
    assert estimate["cor@38.1"] is estimate["cor"]
    assert estimate["spin_rpm"].name == "driver fast.spin_rpm"
    with pytest.raises(InputError, match=r"cor@45 was not asked for; there are: .*cor"):
        estimate["cor@45"]
    with pytest.raises(InputError, match="not known"):
        estimate["corr"]


def test_a_figure_of_two_swings_needs_its_swing():
    estimate = several()
    slow = figure(110.0, name="driver slow.spin_rpm", unit="rpm")
    both = Estimate(BALL, estimate.figures | {slow.name: slow})
    with pytest.raises(InputError, match=r"one of driver fast.spin_rpm, driver slow.spin_rpm"):
        both["spin_rpm"]


def test_a_frame_has_a_row_a_figure():
    frame = several().to_frame()
    assert list(frame.index) == ["frequency_hz", "driver fast.spin_rpm", "cor", "mass_g"]
    assert frame.loc["frequency_hz", "value"] == 3000.0
    assert frame.loc["cor", ["unit", "failed"]].tolist() == ["1", ""]
    assert frame.loc["mass_g", "failed"] == "<no> mass"
    assert frame["value"].isna().tolist() == [False, False, False, True]
    assert frame["value"].dtype == float


def test_views_are_short_and_escaped():
    estimate = several()
    assert "cor 0.78000 ± 0.00090" in repr(estimate)
    assert "mass_g failed: <no> mass" in repr(estimate)
    html = estimate._repr_html_()
    assert "&lt;no&gt; mass" in html
    assert "<no>" not in html
    assert repr(figure(2.0) - figure(1.5)) == "frequency_hz 0.50 ± 0.14 Hz"


@pytest.mark.parametrize(
    ("value", "error", "told"),
    [
        (12.3456, 0.1, "12.35"),
        (12.3456, 0.0999, "12.346"),
        (12.3456, 9.99, "12.3"),
        (12.3456, 10.0, "12"),
        (1234.5, 250.0, "1234"),
        (12.3456789, 0.0, "12.3457"),
        (12.3456789, float("inf"), "12.3457"),
        (float("nan"), 0.1, "nan"),
    ],
)
def test_a_number_is_written_to_the_second_digit_of_its_error(value, error, told):
    assert estimates._rounded(value, error) == told


def test_a_difference_tells_what_better_cards_would_not_narrow():
    parts = {"mesh": 3.0, "materials": 5.0, "shared law": 7.0, "contact": 4.0}
    assert Difference("cor", 0.1, "1", 9.0, parts).numerical_error == pytest.approx(5.0)
    assert Difference("cor", 0.1, "1", 9.0).numerical_error == 9.0
    assert not Difference("cor", 9.0, "1", 9.0).beyond_error
    assert Difference("cor", -9.01, "1", 9.0).beyond_error


def test_a_line_tells_value_error_and_unit():
    assert repr(Difference("mass_g", 1.23456789, "g", 0.0)) == "mass_g 1.23457 g"
    assert repr(Difference("cor", 0.01234, "1", 0.002)) == "cor 0.0123 ± 0.0020"


def test_a_warning_is_marked_and_told():
    plain = figure(3000.0, 0.5)
    assert repr(plain) == "frequency_hz 3000.00 ± 0.50 Hz"
    assert repr(replace(plain, flag="off")) == "frequency_hz 3000.00 ± 0.50 Hz !"
    assert repr(replace(plain, caution="slow")) == "frequency_hz 3000.00 ± 0.50 Hz *"
    assert repr(replace(plain, flag="off", caution="slow")).endswith("Hz !")


def test_a_table_for_notebooks_tells_both_errors_and_what_is_wrong():
    known = [
        replace(figure(3000.0, 0.5), caution="slow"),
        replace(figure(0.78, 0.0009, "cor", "1"), absolute_error=0.023, flag="off", caution="slow"),
        Figure("mass_g", 45.6789, "g", "closed form", 0.0, 0.23),
        Figure("cost_per_ball", 1.23456789, "CU", "closed form", 0.0, 0.0),
    ]
    html = Estimate(BALL, {f.name: f for f in known}, {"moi_ratio": "folded"})._repr_html_()
    rows = [row.split("</td>")[:-1] for row in html.split("<tr>")[2:]]
    assert [[cell.removeprefix("<td>") for cell in row] for row in rows] == [
        ["frequency_hz", "3000.00", "0.50", "9.0", "Hz", "slow"],
        ["cor", "0.78000", "0.00090", "0.023", "", "off"],
        ["mass_g", "45.68", "exact", "0.23", "g", ""],
        ["cost_per_ball", "1.23457", "exact", "0", "CU", ""],
        ["moi_ratio", "failed", "", "", "", "folded"],
    ]


def test_a_record_has_all_that_is_known():
    record = several().as_record()
    assert record["ball"]["layer"][0]["outer_diameter_mm"] == 42.7
    assert record["figures"]["cor"]["value"] == 0.78
    assert record["failed"] == {"mass_g": "<no> mass"}
    assert record["precision"] == "single"


def test_a_failure_is_found_by_another_name_and_a_stage_by_its_own():
    estimate = Estimate(BALL, {"stage1.cor": figure(0.8, name="stage1.cor")}, {"cor": "folded"})
    with pytest.raises(SolverError, match="cor of unnamed ball was not computed: folded"):
        estimate["COR@38.1"]
    assert estimate["Stage 1.COR"].name == "stage1.cor"
    assert estimate["stage1.cor"].value == 0.8


@pytest.mark.parametrize(
    ("error", "told"), [(1.0, "12.3"), (0.99, "12.35"), (0.01, "12.346"), (100.0, "12")]
)
def test_the_second_digit_of_an_error_is_the_last(error, told):
    assert estimates._rounded(12.3456, error) == told
