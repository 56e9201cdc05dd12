"""What drives what on the command line: tables, data and the picture say the same."""

import csv
import io
import json

import pytest

from layers.ball import Ball
from layers.ball_file import read_ball
from layers.strike.swings import default_swings
from optimize.report.pictures.section import save
from optimize.report.pictures.slopes import draw_drivers
from optimize.report.slopes import OF_BALL, OF_SWING, drivers_record, drivers_sections, names_asked
from optimize.report.tables import markdown
from optimize.sensitivity.slopes import plan, sensitivities
from tests.helpers.builds import random_balls
from tests.optimize.commands.test_app import TWO, refused, run


def test_table_csv_and_json_agree():
    arguments = ("drivers", TWO, "-f", "frequency_hz", "-f", "mass_g", "--workers", 1)
    code, text, _ = run(*arguments, "--json")
    assert code == 0
    drivers = json.loads(text)["drivers"]
    rows = list(csv.DictReader(io.StringIO(run(*arguments, "--csv")[1])))
    assert len(rows) == len(drivers) == 2 * 3 * 2
    for row, driver in zip(rows, drivers, strict=True):
        assert (row["figure"], row["moved"]) == (driver["figure"], driver["moved"])
        assert float(row["change"]) == driver["change"]
    [stiffer] = [
        d
        for d in drivers
        if (d["figure"], d["moved"], d["layer"]) == ("frequency_hz", "youngs_modulus_mpa", 1)
    ]
    assert stiffer["resolved"]
    assert stiffer["change"] > 0.0  # a stiffer core rings higher
    table = run(*arguments)[1]
    assert f"+{stiffer['change']:.1f}" in table or f"+{stiffer['change']:.0f}" in table
    assert run(*arguments, "--markdown")[1].startswith("# ")


def test_the_number_of_workers_does_not_show():
    arguments = ("drivers", TWO, "-f", "mass_g", "-f", "moi_g_cm2", "--csv", "--workers")
    assert run(*arguments, 1)[1] == run(*arguments, 2)[1]


def test_picture_is_written_and_is_the_same_each_time(tmp_path):
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    for path in (first, second):
        arguments = ("-f", "mass_g", "-f", "frequency_hz", "--workers", 1, "--drawing", path)
        assert run("drivers", TWO, *arguments)[0] == 0
    assert first.read_bytes() == second.read_bytes()
    assert b"<svg" in first.read_bytes()


@pytest.mark.parametrize("number", range(4))
def test_picture_holds_any_number_of_layers(number, tmp_path):
    ball = random_balls(4, seed=1)[number]
    found = sensitivities(ball, ("mass_g", "stage1.moi_g_cm2", "moi_ratio"))
    picture = draw_drivers(found)
    save(picture, tmp_path / "a.png")
    words = {text.get_text() for text in picture.axes[0].texts}
    assert {"mass_g", "ball", "stage 1", "modulus", "+10 %"} <= words
    width = picture.get_size_inches()[0]
    assert all(0.0 <= text.get_position()[0] <= width for text in picture.axes[0].texts)


def test_only_what_is_resolved_is_named_as_a_driver():
    found = sensitivities(read_ball(TWO), ("mass_g",))
    [row] = [row for row in drivers_sections(found)[1].rows if row[0] == "mass_g"]
    assert row[2].startswith("+")
    assert "modulus" not in row[2]
    assert all(not d["resolved"] for d in drivers_record(found)["drivers"] if d["slope"] == 0.0)


def test_what_cannot_be_moved_is_said():
    ball = read_ball(TWO)
    layers = list(ball.layer)
    thin = ball.diameter_mm - 0.41
    layers[0] = layers[0].model_copy(update={"outer_diameter_mm": thin})
    found = sensitivities(Ball(layer=tuple(layers)), ("mass_g",))
    assert "not known: mass_g over cover outer diameter" in markdown(drivers_sections(found))


def test_swings_add_their_figures_and_the_friction():
    names = names_asked((), ("driver fast",), default_swings())
    assert names == [*OF_BALL, *(f"driver fast.{name}" for name in OF_SWING)]
    assert names_asked(("mass_g",), (), default_swings()) == ["mass_g"]
    assert "friction" in {f.kind for f in plan(read_ball(TWO), names).freedoms}


def test_bad_input_is_refused():
    assert "choose one" in refused("drivers", TWO, "--json", "--csv")
    assert "did you mean mass_g" in refused("drivers", TWO, "-f", "mas_g")
    assert ".svg or .png" in refused("drivers", TWO, "-f", "mass_g", "--drawing", "a.pdf")
    assert "driver fast" in refused("drivers", TWO, "--swing", "driver fsat", "--workers", 1)


def test_help_names_the_command():
    assert "drivers" in run("--help")[1]
    assert "--swing" in run("drivers", "--help")[1]
