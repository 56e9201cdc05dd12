"""Measurement files: good ones in both forms, every bad one named by row and column."""

from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.errors import InputError
from layers.estimation import estimate
from optimize.lab import outliers as outliers_module
from optimize.lab.measurements import measurements_from_csv, read_measurements
from optimize.lab.outliers import outliers
from optimize.lab.process import Process
from optimize.lab.prototype import prototype_sheet
from optimize.lab.readings import Group, Measurements, Reading, as_made, pooled_noise
from optimize.lab.renamed import RENAMED
from optimize.report.sheet import to_csv
from optimize.report.units import used

ROOT = Path(__file__).parents[3]
BALL = read_ball(ROOT / "scenarios" / "prototype" / "ball.toml")
HEAD = "build,stage,figure,unit,value,replicate\n"
GOOD = """K1 prototype,1,diameter_mm,mm,38.02,1
K1 prototype,1,mass_g,g,33.40,1
K1 prototype,1,mass_g,g,33.44,2
K1 prototype,1,deflection_mm,mm,3.61,1
K1 prototype,1,deflection_mm,mm,3.58,2
K1 prototype,1,deflection_mm,mm,3.66,3
K1 prototype,ball,cor@38.1,1,0.861,1
K1 prototype,3,deflection_mm,mm,3.2,1
K1 prototype,ball,driver fast.spin_rpm,rpm,4100,1
"""


def read(text, balls=(BALL,), what="lab.csv"):
    return measurements_from_csv([(what, text)], balls)


def refused(text, balls=(BALL,)):
    with pytest.raises(InputError) as caught:
        read(text, balls)
    return str(caught.value)


def changed(old, new):
    assert GOOD.count(old) == 1
    return refused(HEAD + GOOD.replace(old, new))


def test_long_form_is_read_with_stages_and_replicates():
    found = read(HEAD + GOOD)
    groups = {group.figure: group.values.tolist() for group in found.groups()}
    assert groups["stage1.deflection_mm"] == [3.61, 3.58, 3.66]
    assert groups["deflection_mm"] == [3.2]  # stage 3 of three layers is the ball
    assert groups["driver fast.spin_rpm"] == [4100.0]
    assert found.reading[3].place == "lab.csv row 5, value"
    assert found.note == ("K1 prototype: stage 2 was not measured",)


def test_without_replicates_the_column_may_be_left_out():
    found = read("unit,value,build,stage,figure\nmm,3.61,K1 prototype,1,deflection_mm\n")
    assert [(r.figure, r.value) for r in found.reading] == [("stage1.deflection_mm", 3.61)]


def filled_sheet(*pieces, at_name="deflection_mm"):
    """Return the build's prototype sheet with pieces filled in at its first deflection."""
    stages = [
        estimate(BALL.stage(n), ["diameter_mm", "mass_g", "deflection_mm"]) for n in (1, 2, 3)
    ]
    lines = to_csv(prototype_sheet(BALL, stages, Process())).splitlines()
    at = next(i for i, line in enumerate(lines) if f",1,measure,{at_name}" in line)
    for piece in pieces:
        lines[at] = lines[at].replace(",,", f",{piece},", 1)
    return at + 1, "\n".join(lines)


def test_filled_in_prototype_sheet_is_read_back():
    row, text = filled_sheet(3.61, 3.58)
    found = read(text, what="sheet.csv")
    assert [r.value for r in found.reading] == [3.61, 3.58]
    assert {r.figure for r in found.reading} == {"stage1.deflection_mm"}
    assert found.reading[1].place == f"sheet.csv row {row}, piece_2"


def test_a_sheet_in_the_trades_units_is_read_back_in_metric_ones():
    with used("trade"):
        row, text = filled_sheet(0.142, at_name="deflection_in")
    assert text.splitlines()[row - 1].startswith("K1 prototype,1,measure,deflection_in,in,0.14")
    [reading] = read(text).reading
    assert (reading.figure, reading.value) == ("stage1.deflection_mm", pytest.approx(3.6068))


def test_a_blank_sheet_and_a_bad_piece_are_refused():
    assert "no value is filled in" in refused(filled_sheet()[1])
    row, text = filled_sheet(3.61, "3.5x")
    assert f"row {row}, piece_2: '3.5x' has a unit that is not known here" in refused(text)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "deflection_mm,mm,3.61",
            "deflection_mm,pt,3.61",
            "row 5, unit is 'pt', but deflection_mm must be in mm, or in, thou, cm",
        ),
        ("deflection_mm,mm,3.61", "deflection_mm,in,3.61", "row 5, value is 91.694"),
        ("deflection_mm,mm,3.61", "deflection_mm,mm,0.142", "row 5, value is 0.142"),
        ("deflection_mm,mm,3.61", "deflection_mm,mm,0.142", "(noted in in?)"),
        ("mass_g,g,33.40", "mass_g,g,1.178", "row 3, value is 1.178, but stage1.mass_g"),
        ("mass_g,g,33.40", "mass_g,g,1.178", "(noted in oz?)"),
        ("1,deflection_mm,mm,3.61", "3.61,deflection_mm,mm,1", "row 5, stage is '3.61'"),
        ("1,deflection_mm,mm,3.61", "3.61,deflection_mm,mm,1", "(swapped with value?)"),
        ("deflection_mm,mm,3.61", "deflection_mm,3.61,mm", "(swapped with value?)"),
        ("deflection_mm,mm,3.61", "mm,deflection_mm,3.61", "row 5, figure 'mm' is not known"),
        ("deflection_mm,mm,3.61", "mm,deflection_mm,3.61", "(swapped with unit?)"),
        (
            "mm,3.58,2",
            "mm,3.58,1",
            "row 6, value: stage1.deflection_mm of K1 prototype, replicate 1",
        ),
        ("mm,3.58,2", "mm,3.58,1", "is also in lab.csv row 5"),
        ("prototype,1,diameter_mm", "prototype,,diameter_mm", "row 2, stage is empty"),
        ("prototype,1,diameter_mm", "prototype,4,diameter_mm", "must be 1 to 3 or ball"),
        ("prototype,1,diameter_mm", "protptype,1,diameter_mm", "row 2, build is 'K1 protptype'"),
        ("diameter_mm", "diametre_mm", "row 2, figure 'diametre_mm' is not known; did you mean"),
        ("3,deflection_mm", "3,stage3.deflection_mm", "belongs in its own column"),
        ("cor@38.1", "cor_slope", "row 8, figure is 'cor_slope', which"),
        ("cor@38.1", "cor@381", "row 8, figure 'cor@381': the condition after @"),
        ("driver fast.", "driver fats.", "row 10, figure"),
        ("ball,driver", "1,driver", "row 10, stage must be ball"),
        ("mm,3.61", "mm,nan", "row 5, value is nan, but must be finite"),
        ("mm,3.61", "mm,inf", "row 5, value is inf, but must be finite"),
        ("mm,3.61", 'mm,"3,61"', "write a decimal point, not a comma"),
        ("mm,3.61", "mm,", "row 5, value is empty"),
        ("mm,3.61,1", "mm,3.61", "row 5 has 5 cells, but must have 6"),
        ("1,mass_g,g,33.40,1", "1,mass_g,g,61.0,1", "must be within 15 % of 33.33 g"),
    ],
)
def test_bad_rows_are_named_and_nothing_is_taken(old, new, said):
    message = changed(old, new)
    assert said in message
    assert message.count("lab.csv") >= 1
    assert message.endswith("Nothing was taken from the file.")


@pytest.mark.parametrize(
    ("old", "new"),
    [("replicate\n", "repeat\n"), ("deflection_mm,mm,3.61", "wall_thinnest_mm,mm,3.61")],
)
def test_renamed_columns_and_figures_name_the_new_one(old, new):
    name = new.strip().split(",")[0]
    message = refused((HEAD + GOOD).replace(old, new))
    assert f"{name!r} is now named {RENAMED[name]!r}." in message


def test_one_replicate_in_another_unit_is_named():
    text = HEAD + GOOD.replace("3.66", "9.30")
    assert "lab.csv row 7, value is 9.3 mm, but the other replicates" in refused(text)


def test_mass_and_diameter_in_each_others_rows_are_called_swapped():
    rows = "K1 prototype,1,diameter_mm,mm,33.4,1\nK1 prototype,1,mass_g,g,38.0,1\n"
    message = refused(HEAD + rows)
    assert "row 2, value is 33.4, but stage1.diameter_mm" in message
    assert "swapped with lab.csv row 3, value?" in message


def test_whole_columns_at_fault_are_told_in_part():
    swapped = "".join(line.replace(",mm,3", ",3,mm") for line in GOOD.splitlines(keepends=True))
    message = refused(HEAD + swapped)
    assert message.count("swapped with") >= 4
    assert "lacks the column stage" in refused("build,figure,unit,value\nK1 prototype,mass_g,g,1\n")
    assert "'valu' is not known; did you mean value?" in refused(
        "build,stage,figure,unit,valu\na\n"
    )
    assert "has column names but no rows" in refused(HEAD)


def test_diameters_that_make_no_ball_are_refused():
    core, mantle, cover = BALL.layer
    thin = BALL.model_copy(
        update={"layer": (core, mantle.model_copy(update={"outer_diameter_mm": 38.8}), cover)}
    )
    rows = "K1 prototype,1,diameter_mm,mm,38.2,1\nK1 prototype,2,diameter_mm,mm,38.4,1\n"
    message = refused(HEAD + rows, [thin])
    assert "lab.csv row 2, value; lab.csv row 3, value: the measured diameters of K1" in message


def test_as_made_takes_mean_diameters():
    made = as_made(BALL, read(HEAD + GOOD))
    assert [layer.outer_diameter_mm for layer in made.layer] == [38.02, 40.6, 42.75]


def test_several_files_join_and_their_duplicates_are_found(tmp_path):
    first, second = tmp_path / "a.csv", tmp_path / "b.csv"
    first.write_text(HEAD + GOOD)
    second.write_text(HEAD + "K1 prototype,2,deflection_mm,mm,3.3,1\n")
    found = read_measurements([first, second], [BALL])
    assert found.source == ("a.csv", "b.csv")
    assert found.note == ()
    second.write_text(HEAD + "K1 prototype,1,mass_g,g,33.4,2\n")
    with pytest.raises(InputError, match=r"b.csv row 2, value: stage1.mass_g .* a.csv row 4"):
        read_measurements([first, second], [BALL])
    with pytest.raises(InputError, match="cannot be read"):
        read_measurements([tmp_path / "none.csv"], [BALL])


def group(values, figure="deflection_mm", build="A"):
    rows = [Reading(build, figure, str(i), float(v), f"f row {i}") for i, v in enumerate(values)]
    return Group(build, figure, tuple(rows))


def test_analytic_pooled_noise():
    # Two groups of three and two: the squares add over 3 degrees of freedom and the prior's 4.
    logs = [np.log([3.0, 3.1, 3.2]), np.log([4.0, 4.2])]
    square = sum(((x - x.mean()) ** 2).sum() for x in logs) + 4 * 0.015**2
    found = pooled_noise([group([3.0, 3.1, 3.2]), group([4.0, 4.2], build="B")])
    assert found["deflection_mm"] == pytest.approx(np.sqrt(square / 7), rel=1e-12)


def flagged(values):
    return [o.reading.value for o in outliers(Measurements(group(values).reading, ("f",)))]


def test_an_outlier_is_flagged_and_left_out_only_on_request():
    rows = [3.61, 3.58, 3.66, 3.60, 3.63, 4.30]
    assert flagged(rows) == [4.30]
    found = Measurements(group(rows).reading, ("f",))
    assert len(found.reading) == 6
    kept = found.without([o.reading for o in outliers(found)])
    assert len(kept.reading) == 5
    assert kept.note == ("excluded on request: f row 5, 4.3",)


def false_alarms(scatter=0.015):
    """Share of normal readings that are flagged: ten files of six groups of five."""
    rng = np.random.default_rng(1)
    count = 0
    for _ in range(10):
        rows = 3.6 * np.exp(scatter * rng.standard_normal((6, 5)))
        readings = [r for i, row in enumerate(rows) for r in group(row, build=str(i)).reading]
        count += len(outliers(Measurements(tuple(readings), ("f",))))
    return count / 300


def test_plain_scatter_is_seldom_flagged():
    assert false_alarms() <= 0.01
    assert false_alarms(0.03) <= 0.01  # a lab twice as noisy as is assumed


@pytest.mark.parametrize("n", [2, 3, 5, 6])
def test_analytic_robust_scale_of_normal_groups(n):
    rows = 0.01 * np.random.default_rng(2).standard_normal((2000, n))
    away = list(rows - np.median(rows, axis=1, keepdims=True))
    assert outliers_module._robust_scale(away, 0.01) == pytest.approx(0.01, rel=0.07)


def test_guard_a_rule_of_two_deviations_would_cry_wolf(monkeypatch):
    monkeypatch.setattr(outliers_module, "OUTLIER", 2.0)
    assert false_alarms() > 0.02


def test_a_reading_in_another_known_unit_is_converted():
    plain = read(HEAD + GOOD)
    other = GOOD.replace("deflection_mm,mm,3.61", f"deflection_mm,in,{3.61 / 25.4!r}", 1)
    assert other != GOOD
    found = read(HEAD + other)
    assert [r.value for r in found.reading] == pytest.approx([r.value for r in plain.reading])
