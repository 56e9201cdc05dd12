"""Goals on launch and flight: a scenario's own conditions, cautions, the distance screen."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.estimation import estimate
from layers.model_version import MODEL_VERSION
from layers.rules.overall_distance import YARD, distance_test, screen_ball
from optimize.compute.first_call import seconds_to_compile
from optimize.compute.one import compute_one
from optimize.ledger import rows as ledger_rows
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.report.ball import estimate_sections
from optimize.report.run import run_sections
from optimize.report.tables import markdown
from optimize.scenario.brief import Scenario, read_scenario, scenario_from_toml
from optimize.scenario.space import Space
from optimize.search.judge import Judge
from optimize.search.result import Failed, Feasible
from optimize.search.run import load_run, name_run, run_search
from tests.optimize.commands.test_app import THREE, refused, run

SCENARIOS = Path(__file__).parents[3] / "scenarios"

BRIEF = """
name = "Carry into the wind"
evaluations = 6
population = 4

[ball]
outer_diameter_mm = 42.7

[[layer]]
role = "core"
material = "core rubber, soft"
youngs_modulus_mpa = [30, 60]
youngs_modulus_increment_mpa = 5

[[layer]]
role = "cover"
thickness_mm = [1.0, 1.8]
increment_mm = 0.2
material = "ionomer, soft"

[[goal]]
figure = "robot low.carry_m"
aim = "maximize"

[[limit]]
figure = "robot.carry_range_m"
at_least = 1

[conditions]
swings = "robot.toml"
aerodynamics_table = "range.csv"
temperature_c = 5
wind_m_s = [-4.0, 0.0, 0.0]
"""

SWING = """[[swing]]
name = "robot {}"
club = "robot"
profile = "{}"
club_mass_g = 200
club_speed_m_s = {}
dynamic_loft_deg = 13
attack_angle_deg = 0
"""

# Invented, of the size that published laws have.
RANGE = """reynolds_1e5,spin_ratio,drag_coefficient,lift_coefficient
2.0,.044,.22,.11
1.9,.09,.235,.15
1.6,.09,.234,.151
1.6,.2,.29,.25
1.2,.1,.24,.16
1.2,.25,.33,.28
0.8,.1,.22,.14
0.8,.3,.35,.31
"""


@pytest.fixture
def brief(tmp_path) -> Path:
    folder = tmp_path / "brief"
    folder.mkdir()
    (folder / "robot.toml").write_text(
        SWING.format("low", "low", 40) + SWING.format("high", "high", 45)
    )
    (folder / "range.csv").write_text(RANGE)
    path = folder / "brief.toml"
    path.write_text(BRIEF)
    return path


def complaint(path: Path, old: str, new: str) -> str:
    assert old in BRIEF
    path.write_text(BRIEF.replace(old, new))
    with pytest.raises(InputError) as caught:
        read_scenario(path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_scenario_with_conditions_needs_no_other_file_once_read(brief):
    scenario = read_scenario(brief)
    for name in ("robot.toml", "range.csv"):
        (brief.parent / name).unlink()
    again = Scenario.model_validate_json(scenario.model_dump_json())
    assert again == scenario
    conditions = again.estimate_conditions()
    assert conditions is not None
    assert [s.name for s in conditions.swings.swing] == ["robot low", "robot high"]
    assert conditions.wind == (-4.0, 0.0, 0.0)
    assert conditions.air.density == pytest.approx(
        1.2666, rel=1e-3
    )  # dry-air law: 1.2690 less vapour
    assert conditions.fingerprint() == scenario.estimate_conditions().fingerprint()
    assert name_run(again) == name_run(scenario)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("temperature_c = 5", "temperature_c = 90", ("temperature_c", "90", "at most 50")),
        ("temperature_c = 5", "temprature_c = 5", ("did you mean temperature_c",)),
        ("[-4.0, 0.0, 0.0]", "[-400.0, 0.0, 0.0]", ("wind_m_s 1", "-400", "at least -40")),
        ("[-4.0, 0.0, 0.0]", "[nan, 0.0, 0.0]", ("wind_m_s 1", "nan")),
        ("[-4.0, 0.0, 0.0]", "3", ("wind_m_s", "3")),
        ('"robot.toml"', '"nowhere.toml"', ("nowhere.toml", "cannot be read")),
        ('"robot.toml"', "3", ("brief.toml", "swings is 3", "a file's name")),
        ('"range.csv"', '"robot.toml"', ("robot.toml", "row 1")),
        (
            'aerodynamics_table = "range.csv"',
            'aerodynamics = "fergusson 2022"',
            ("'fergusson 2022'", "did you mean 'ferguson 2022'"),
        ),
        ("temperature_c = 5", 'aerodynamics = "us 6186002"', ("not both",)),
        ("robot low.carry_m", "robot lwo.carry_m", ("'robot lwo'", "robot low")),
        ("robot low.carry_m", "driver fast.carry_m", ("'driver fast'", "not in the table")),
        (
            "robot.carry_range_m",
            "driver.carry_range_m",
            ("club 'driver'", "clubs that have: robot"),
        ),
    ],
)
def test_bad_conditions_are_told_in_one_sentence(brief, old, new, words):
    message = complaint(brief, old, new)
    assert all(word in message for word in words), message


def test_without_conditions_the_shipped_swings_are_checked():
    text = BRIEF.partition("[conditions]")[0].replace("robot.carry", "driver.carry")
    with pytest.raises(InputError, match="swing 'driver slwo' is not in the table; known: driver"):
        scenario_from_toml(text.replace("robot low", "driver slwo"))
    plain = scenario_from_toml(text.replace("robot low", "driver slow"))
    assert plain.estimate_conditions() is None
    assert name_run(plain)[1]["model"] == MODEL_VERSION


def test_figures_under_other_conditions_are_kept_apart(brief):
    scenario = read_scenario(brief)
    model = name_run(scenario)[1]["model"]
    assert model.startswith(f"{MODEL_VERSION}+")
    for old, new in (
        ("-4.0", "-3.0"),
        ("temperature_c = 5", "temperature_c = 6"),
        ('_table = "range.csv"', ' = "us 6186002"'),
    ):
        brief.write_text(BRIEF.replace(old, new))
        assert name_run(read_scenario(brief))[1]["model"] != model
    (brief.parent / "range.csv").write_text(RANGE.replace(".235", ".236"))
    brief.write_text(BRIEF)
    assert name_run(read_scenario(brief))[1]["model"] != model
    brief.write_text(BRIEF.replace("evaluations = 6", "evaluations = 7"))
    (brief.parent / "range.csv").write_text(RANGE)
    assert name_run(read_scenario(brief))[1]["model"] == model


def test_every_process_computes_under_the_scenarios_conditions(brief, tmp_path):
    scenario = read_scenario(brief)
    with Ledger(tmp_path / "one.sqlite") as book:
        one = run_search(scenario, book)
        shown = load_run(book, one.id)
    with Ledger(tmp_path / "two.sqlite") as book:
        two = run_search(scenario, book, workers=2)
    assert one.failed == {}
    assert np.array_equal(one.cloud, two.cloud)
    assert [m.estimate for m in one.short_list] == [m.estimate for m in two.short_list]
    assert [m.estimate for m in one.short_list] == [m.estimate for m in shown.short_list]
    told = markdown(run_sections(one, "one.sqlite"))
    assert "wind -4 m/s along" in told
    assert "2 swings of its own; drag and lift measured at 8 conditions" in told
    best = one.short_list[0]
    direct = estimate(best.ball, ("robot low.carry_m",), scenario.estimate_conditions())
    assert best.estimate["robot low.carry_m"].value == direct["robot low.carry_m"].value
    calm = replace(scenario.estimate_conditions(), wind=(0.0, 0.0, 0.0))
    still = estimate(best.ball, ("robot low.carry_m",), calm)["robot low.carry_m"].value
    # Published trends of a drive: headwind costs about 1 % of carry a mile an hour (common
    # practice); 4 m/s is 9 mph.
    assert 0.03 < 1.0 - direct["robot low.carry_m"].value / still < 0.18


def test_a_flight_that_leaves_its_law_is_cautioned_not_failed():
    text = BRIEF.partition("[conditions]")[0].replace("robot.carry", "driver.carry")
    scenario = scenario_from_toml(text.replace("robot low", "wedge full fast"))
    candidate = Space(scenario).decode(tuple(0 for _ in Space(scenario).sizes))
    found = compute_one(candidate.ball, scenario.figures())
    carry = found["wedge full fast.carry_m"]
    assert "does not cover" in carry.caution
    assert carry.flag == ""
    judge = Judge.of(scenario)
    assert isinstance(judge.after(candidate, Known(found.figures, {})), Feasible)
    broken = {n: replace(f, flag="energy off by 2 %") for n, f in found.figures.items()}
    assert isinstance(judge.after(candidate, Known(broken, {})), Failed)
    told = markdown(estimate_sections(found, None, ()))
    assert f"* wedge full carry (fast player): {carry.caution}" in told
    assert found.as_record()["figures"]["wedge full fast.carry_m"]["caution"] == carry.caution
    # A drive stays inside the default law.
    assert estimate(candidate.ball, ("driver fast.carry_m",))["driver fast.carry_m"].caution == ""


def test_cautions_are_kept_and_older_rows_are_read(tmp_path, monkeypatch):
    ball = read_ball(THREE)
    figure = Figure("mass_g", 45.0, "g", "closed form", 0.0, 0.2, caution="outside")
    with Ledger(tmp_path / "l.sqlite") as book:
        book.add("ab" * 16, "a", "m", Estimate(ball, {"mass_g": figure}))
        monkeypatch.setattr(ledger_rows, "FIELDS", ledger_rows.FIELDS[:6])
        book.add("cd" * 16, "c", "m", Estimate(ball, {"mass_g": figure}))
        known = book.known(["ab" * 16, "cd" * 16], "m")
    assert known["ab" * 16].figures["mass_g"] == figure
    assert known["cd" * 16].figures["mass_g"] == replace(figure, caution="")


@pytest.mark.parametrize("name", ["four_layer_distance_spin", "slow_swing"])
def test_shipped_briefs_aim_at_launch_and_flight(name):
    scenario = read_scenario(SCENARIOS / f"{name}.toml")
    assert any("." in goal.figure for goal in scenario.goal)
    assert Scenario.model_validate_json(scenario.model_dump_json()) == scenario


# The overall-distance screen.


@pytest.mark.parametrize("name", ["present", "revised"])
def test_shipped_balls_launch_near_what_the_test_prints(name):
    """Loft and attack were solved for their mean; each build lies around it by its own."""
    test = distance_test(name)
    launches = [
        screen_ball(read_ball(path), test)[0].figures
        for path in sorted((SCENARIOS / "balls").glob("*layer*.toml"))
    ]
    mean = [
        np.mean([found[f"distance test {name}.{q}"].value for found in launches])
        for q in ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")
    ]
    assert mean[0] == pytest.approx(test.ball_speed_mph * 0.44704, rel=0.015)
    assert mean[1] == pytest.approx(test.launch_angle_deg, abs=0.4)
    assert mean[2] == pytest.approx(test.spin_rpm, rel=0.08)


def test_distance_screen_from_the_command_line():
    ask = ("estimate", THREE, "-f", "mass_g", "--distance-test")
    code, out, _ = run(*ask, "present", "--json")
    assert code == 0
    screen = json.loads(out)["distance_screen"]
    metres, test = screen["metres"], distance_test("present")
    assert metres["total"] - metres["nominal_total"] == pytest.approx(metres["beyond_nominal"])
    assert metres["limit"] == pytest.approx(320 * YARD)
    # The ball is struck: 1 m/s of ball speed is worth 2 to 5 m (common practice: 2.5 yd a mph of
    # club speed), so that what lies beyond the printed launch follows from the launch.
    speed = screen["launch"]["distance test present.ball_speed_m_s"]["value"]
    short = test.ball_speed_mph * 0.44704 - speed
    assert abs(metres["beyond_nominal"] + 3.5 * short) < 8.0
    _, text, said = run(*ask, "present")
    assert "compiling" not in said  # it was compiled for the first answer, and told of then only
    assert seconds_to_compile(["driver fast.spin_rpm"]) == 0.0
    assert "a screen, not a ruling" in text
    assert "difference from the printed launch" in text
    _, text, _ = run("--units", "trade", *ask, "present")
    head = next(line for line in text.splitlines() if line.startswith("overall distance"))
    assert head.split()[2:] == ["yd", "±", "yd", "between", "builds"]
    assert "known: present, revised" in refused(*ask, "future")


def test_own_swings_from_the_command_line(tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(SWING.format("low", "low", 40))
    asked = ("-f", "robot low.ball_speed_m_s", "--swings", mine, "--json")
    _, out, _ = run("estimate", THREE, *asked)
    alone = json.loads(out)["figures"]["robot low.ball_speed_m_s"]["value"]
    assert 1.3 < alone / 40.0 < 1.5
    _, out, _ = run("compare", THREE, THREE, *asked)
    [first, _] = json.loads(out)["estimates"]
    assert first["figures"]["robot low.ball_speed_m_s"]["value"] == alone
    for command in (("estimate",), ("sensitivity", "local")):
        message = refused(*command, THREE, "-f", "driver fast.spin_rpm", "--swings", mine)
        assert "'driver fast' is not in the table; known: robot low" in message
