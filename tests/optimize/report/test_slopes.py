"""Local sensitivities on the command line: tables, data and the picture agree."""

import csv
import io
import json

import pytest

from layers.ball import Ball
from layers.ball_file import read_ball
from layers.strike.swings import default_swings
from optimize.report.pictures.section import save
from optimize.report.pictures.slopes import draw_slopes
from optimize.report.slopes import OF_BALL, OF_SWING, names_asked, slopes_record, slopes_sections
from optimize.report.tables import markdown
from optimize.sensitivity.perturbation import plan
from optimize.sensitivity.slopes import sensitivities
from tests.helpers.builds import random_balls
from tests.optimize.commands.test_app import TWO, refused, run

LOCAL = ("sensitivity", "local")


def test_table_csv_and_json_agree():
    arguments = (*LOCAL, TWO, "-f", "frequency_hz", "-f", "mass_g", "--workers", 1)
    code, text, _ = run(*arguments, "--json")
    assert code == 0
    slopes = json.loads(text)["slopes"]
    rows = list(csv.DictReader(io.StringIO(run(*arguments, "--csv")[1])))
    assert len(rows) == len(slopes) == 2 * 3 * 2
    for row, slope in zip(rows, slopes, strict=True):
        assert (row["figure"], row["moved"]) == (slope["figure"], slope["moved"])
        assert float(row["change"]) == slope["change"]
    [stiffer] = [
        d
        for d in slopes
        if (d["figure"], d["moved"], d["layer"]) == ("frequency_hz", "youngs_modulus_mpa", 1)
    ]
    assert stiffer["resolved"]
    assert stiffer["change"] > 0.0  # a stiffer core rings higher
    table = run(*arguments)[1]
    assert f"+{stiffer['change']:.1f}" in table or f"+{stiffer['change']:.0f}" in table
    assert run(*arguments, "--markdown")[1].startswith("# ")


def test_the_number_of_workers_does_not_show():
    arguments = (
        "sensitivity",
        "local",
        TWO,
        "-f",
        "mass_g",
        "-f",
        "moi_g_cm2",
        "--csv",
        "--workers",
    )
    assert run(*arguments, 1)[1] == run(*arguments, 2)[1]


def test_picture_is_written_and_is_the_same_each_time(tmp_path):
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    for path in (first, second):
        arguments = ("-f", "mass_g", "-f", "frequency_hz", "--workers", 1, "--drawing", path)
        assert run(*LOCAL, TWO, *arguments)[0] == 0
    assert first.read_bytes() == second.read_bytes()
    assert b"<svg" in first.read_bytes()


@pytest.mark.parametrize("number", range(4))
def test_picture_holds_any_number_of_layers(number, tmp_path):
    ball = random_balls(4, seed=1)[number]
    found = sensitivities(ball, ("mass_g", "stage1.moi_g_cm2", "moi_ratio"))
    picture = draw_slopes(found)
    save(picture, tmp_path / "a.png")
    words = {text.get_text() for text in picture.axes[0].texts}
    assert {"mass_g", "ball", "stage 1", "modulus", "+10 %"} <= words
    width = picture.get_size_inches()[0]
    assert all(0.0 <= text.get_position()[0] <= width for text in picture.axes[0].texts)


def test_only_resolved_slopes_are_listed_as_largest():
    found = sensitivities(read_ball(TWO), ("mass_g",))
    [row] = [row for row in slopes_sections(found)[1].rows if row[0] == "mass, g"]
    assert row[2].startswith("+")
    assert "modulus" not in row[2]
    assert all(not d["resolved"] for d in slopes_record(found)["slopes"] if d["slope"] == 0.0)


def test_what_cannot_be_moved_is_said():
    ball = read_ball(TWO)
    layers = list(ball.layer)
    thin = ball.diameter_mm - 0.41
    layers[0] = layers[0].model_copy(update={"outer_diameter_mm": thin})
    found = sensitivities(Ball(layer=tuple(layers)), ("mass_g",))
    assert "not known: mass_g by cover outer diameter" in markdown(slopes_sections(found))


def test_swings_add_their_figures_and_the_friction():
    names = names_asked((), ("driver fast",), default_swings())
    assert names == [*OF_BALL, *(f"driver fast.{name}" for name in OF_SWING)]
    assert names_asked(("mass_g",), (), default_swings()) == ["mass_g"]
    assert "friction" in {f.kind for f in plan(read_ball(TWO), names).variables}


def test_bad_input_is_refused():
    assert "choose one" in refused(*LOCAL, TWO, "--json", "--csv")
    assert "did you mean mass_g" in refused(*LOCAL, TWO, "-f", "mas_g")
    assert ".svg or .png" in refused(*LOCAL, TWO, "-f", "mass_g", "--drawing", "a.pdf")
    assert "driver fast" in refused(*LOCAL, TWO, "--swing", "driver fsat", "--workers", 1)


def test_help_names_the_command():
    assert "sensitivity" in run("--help")[1]
    assert "--swing" in run(*LOCAL, "--help")[1]
