"""Tables, records and drawings of balls and runs."""

import csv
import io
import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.ball import Ball
from layers.ball_file import ball_from_table, ball_toml, read_ball
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.estimation import estimate
from layers.mass.inertia import mass
from layers.materials import default_catalogue
from optimize.ledger.ledger import Ledger
from optimize.report import ball as report
from optimize.report import run as runreport
from optimize.report.pictures import section as drawing
from optimize.report.pictures.trade_off import draw_tradeoff
from optimize.report.tables import Section, columns, markdown, number, show, signed
from optimize.report.words import in_words
from optimize.scenario.brief import read_scenario
from optimize.search.result import Price, Run
from optimize.search.run import run_search
from tests.helpers.builds import random_balls

ROOT = Path(__file__).parents[3]
BALLS = sorted((ROOT / "scenarios" / "balls").glob("*.toml"))
SCENARIOS = sorted((ROOT / "scenarios").glob("*.toml"))


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> Run:
    """Search a small space by closed forms alone."""
    brief = read_scenario(ROOT / "tests" / "helpers" / "closed_form.toml")
    with Ledger(tmp_path_factory.mktemp("run") / "ledger.sqlite") as ledger:
        return run_search(brief, ledger)


# Numbers and tables.


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (0.79213, 0.0024, "0.7921"),
        (2.8731, 0.014, "2.873"),
        (3021.4, 15.0, "3021"),
        (5, 0, "5.0000"),
    ],
)
def test_numbers_carry_one_digit_more_than_their_error(value, error, text):
    assert number(value, error) == text


@given(st.floats(-1e4, 1e4), st.floats(1e-4, 1e3))
def test_no_digit_that_matters_is_lost(value, error):
    assert abs(float(number(value, error)) - value) <= max(0.1 * error, 0.5)
    assert signed(value, error)[0] in ("+-" if abs(value) >= 5e-10 else "0")


def test_emphasis_is_bold_in_markdown_and_bare_in_text():
    section = Section("T", columns("a", ">b"), (("x|y", "**1.0**"), ("\x1b[31m", "2")), ("note",))
    assert "| x\\|y | **1.0** |" in markdown([section])
    plain = io.StringIO()
    show([section], plain)
    assert plain.getvalue() == "T\na        b\nx|y    1.0\n [31m    2\nnote\n"


# Balls.


def test_layer_masses_add_up_to_the_ball():
    for ball in random_balls(8, seed=5):
        assert math.isclose(sum(report.layer_masses_g(ball)), 1e3 * mass(ball.body()))
        assert math.isclose(sum(report.thicknesses_mm(ball)), ball.diameter_mm / 2)


def test_failed_and_flagged_figures_are_said():
    ball = read_ball(BALLS[0])
    flagged = Figure(
        "frequency_hz", 3000.0, "Hz", "finite element", 1.0, 9.0, "balance is off by 2 %"
    )
    shaky = Estimate(ball, {"frequency_hz": flagged}, {"cor": "no rebound"})
    text = markdown(report.estimate_sections(shaky, None, ()))
    assert "3000.0 !" in text
    assert "! first spheroidal (n = 2) frequency: balance is off by 2 %" in text
    assert "not computed: impact speed ratio (COR): no rebound" in text


@pytest.mark.parametrize("path", BALLS, ids=lambda p: p.stem)
def test_example_balls_are_legal_by_mass_and_diameter(path):
    figures = estimate(read_ball(path), ["mass_g", "diameter_mm"]).figures
    assert figures["mass_g"].value <= 45.93
    assert figures["diameter_mm"].value >= 42.67


# A ball written as TOML.


def _numbers(ball: Ball) -> list[object]:
    body = ball.body()
    fields = [getattr(body, name).tolist() for name in ("outer_radius", "density", "shear_modulus")]
    return [*fields, body.relaxation_strength.tolist(), body.relaxation_time.tolist(), ball.name]


def _again(ball: Ball) -> Ball:
    return ball_from_table(tomllib.loads(ball_toml(ball)), default_catalogue(), "written")


def test_a_ball_survives_being_written_to_the_last_bit():
    for ball in [*random_balls(8, seed=6), *map(read_ball, BALLS)]:
        assert _numbers(_again(ball)) == _numbers(ball)


@given(st.text(min_size=1, max_size=60))
def test_any_name_survives_being_written(name):
    if not name.isascii() and any("\ud800" <= c <= "\udfff" for c in name):
        return  # half a character cannot stand in a file
    ball = read_ball(BALLS[0]).model_copy(update={"name": name})
    assert tomllib.loads(ball_toml(ball))["name"] == name


def test_cards_of_one_name_and_different_numbers_are_kept_apart():
    ball = read_ball(ROOT / "scenarios" / "balls" / "four_layer_speed_feel.toml")
    card = ball.layer[1].material
    soft = card.with_values("test", youngs_modulus_mpa=20.0)
    layers = (ball.layer[0].model_copy(update={"material": soft}), *ball.layer[1:])
    mixed = ball.model_copy(update={"layer": layers})
    assert _numbers(_again(mixed)) == _numbers(mixed)
    assert _again(mixed).layer[0].material.youngs_modulus_mpa.value == 20.0


# Runs.


def test_run_report_tells_answer_brief_and_source(run):
    text = markdown(runreport.run_sections(run, "ledger.sqlite"), run.scenario.name)
    for words in ("## Short list", "raise MOI ratio I/(m R²)", "mass at least 45 g"):
        assert words in text
    for words in (
        f"Run {run.id}, seed 3",
        "40 builds evaluated",
        "evaluations are in ledger.sqlite",
    ):
        assert words in text
    assert "calibration" in text
    assert all(in_words(member.reason, run.scenario.figures()) in text for member in run.short_list)


def test_price_of_a_step_is_told_once(run):
    there = Price("a", "b", "A", "B", 1.0, "there")
    back = Price("b", "a", "B", "A", 1.0, "and back")
    text = markdown(runreport.run_sections(replace(run, prices=(there, back)), "x"))
    assert "there" in text
    assert "and back" not in text


def test_short_list_csv_has_a_row_for_each_member_with_full_numbers(run):
    rows = list(csv.DictReader(io.StringIO(runreport.short_list_csv(run))))
    assert [row["label"] for row in rows] == [member.label for member in run.short_list]
    for row, member in zip(rows, run.short_list, strict=True):
        assert float(row["moi_ratio"]) == member.estimate["moi_ratio"].value
        assert float(row["layer3_outer_diameter_mm"]) == 42.7


def test_evaluations_csv_holds_the_cloud(run):
    rows = list(csv.DictReader(io.StringIO(runreport.evaluations_csv(run))))
    assert len(rows) == run.evaluated
    assert [float(row["moi_ratio"]) for row in rows] == run.cloud[:, 0].tolist()
    assert sum(row["keeps_every_limit"] == "True" for row in rows) == run.feasible


def test_evaluations_csv_has_the_layers_of_every_build(run):
    """A build of fewer layers leaves the last columns empty; the rest is the build's own."""
    fewer = replace(run.builds[0], ball=run.builds[0].ball.stage(2))
    mixed = replace(run, builds=(fewer, *run.builds[1:]))
    rows = list(csv.DictReader(io.StringIO(runreport.evaluations_csv(mixed))))
    for row, build in zip(rows, mixed.builds, strict=True):
        assert row["key"] == build.key
        for count, layer in enumerate(build.ball.layer, start=1):
            card, start = layer.material, f"layer{count}_"
            assert float(row[f"{start}outer_diameter_mm"]) == layer.outer_diameter_mm
            assert float(row[f"{start}youngs_modulus_mpa"]) == card.youngs_modulus_mpa.value
            assert float(row[f"{start}density_g_cm3"]) == card.density_g_cm3.value
            assert row[f"{start}material"] == card.label
        assert float(row["mass_g"]) == build.figures["mass_g"].value
    assert [row["layer3_role"] == "" for row in rows] == [True] + [False] * (len(rows) - 1)


# Drawings.


def test_layers_are_drawn_true_to_scale():
    ball = read_ball(ROOT / "scenarios" / "balls" / "four_layer_speed_feel.toml")
    figure = drawing.draw_ball(ball)
    axes = figure.axes[0]
    radii = [patch.r for patch in axes.patches]
    assert radii == [layer.outer_diameter_mm / 2 for layer in ball.layer]
    widths = [patch.width for patch in axes.patches]
    assert np.allclose(widths, report.thicknesses_mm(ball))
    figure.canvas.draw()
    origin, across, up = axes.transData.transform([(0, 0), (1, 0), (0, 1)])
    assert math.isclose((across - origin)[0], (up - origin)[1], rel_tol=1e-9)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_labels_of_layers_do_not_overlap(count):
    path = BALLS[0] if count == 1 else next(p for p in BALLS if len(read_ball(p).layer) == count)
    figure = drawing.draw_ball(read_ball(path))
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in figure.axes[0].texts if t.get_text()]
    clashes = [(a, b) for i, a in enumerate(boxes) for b in boxes[:i] if a.padded(-1.5).overlaps(b)]
    assert not clashes


def test_names_with_dollar_signs_are_drawn_as_they_are(tmp_path):
    ball = read_ball(BALLS[0]).model_copy(update={"name": "$5 \\frac{ $"})
    drawing.save(drawing.draw_ball(ball), tmp_path / "a.svg")
    with pytest.raises(InputError, match=r"\.svg or \.png"):
        drawing.save(drawing.draw_ball(ball), tmp_path / "a.pdf")


def test_trade_off_shows_every_build_that_keeps_the_limits(run):
    figure = draw_tradeoff(run)
    dots = figure.axes[0].collections
    kept = next(c for c in dots if c.get_label() == "meets all constraints")
    assert np.array_equal(kept.get_offsets(), run.cloud[run.cloud_feasible])
    low, high = figure.axes[0].get_xlim()
    assert low < run.cloud[run.cloud_feasible][:, 0].min()
    assert high > run.cloud[run.cloud_feasible][:, 0].max()
    letters = [t.get_text() for t in figure.axes[0].texts]
    assert [m.label for m in run.short_list] == [t for t in letters if len(t) == 1]


def test_a_single_goal_is_drawn_over_the_evaluations(run, tmp_path):
    one = run.scenario.model_copy(update={"goal": run.scenario.goal[:1]})
    single = replace(run, scenario=one, cloud=run.cloud[:, :1])
    drawing.save(draw_tradeoff(single), tmp_path / "course.png")
    assert (tmp_path / "course.png").stat().st_size > 10_000


# The shipped scenarios.


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_shipped_scenarios_are_read_and_trade_goals(path):
    scenario = read_scenario(path)
    assert len(scenario.goal) >= 2
    assert scenario.question
    assert len(scenario.layer) == int(
        {"two": 2, "three": 3, "four": 4, "slow": 3, "whole": 5}[path.stem.split("_")[0]]
    )


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        return True


def test_a_narrow_terminal_loses_no_digit_of_a_wide_table(monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    cells = tuple(f"{n}2345.6789" for n in range(8))
    stream = Terminal()
    show(
        [Section("Wide", columns(*[f">c{n}" for n in range(8)]), (cells,), ("word " * 20,))], stream
    )
    lines = re.sub(r"\x1b\[[0-9;]*m", "", stream.getvalue()).splitlines()
    assert [line.split()[-1] for line in lines[1:9]] == list(cells)
    assert max(map(len, lines)) <= 40
