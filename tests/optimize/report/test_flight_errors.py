"""Errors of flights by cause, and the tables of what players want: numbers and words.

Kind: limits. Launches are made up.
"""

import math
from pathlib import Path

import numpy as np
import pytest

from layers.bench.bench import Bench
from layers.conditions import Conditions
from layers.estimation import estimate
from layers.figures import QUANTITIES
from layers.files.toml import parse_toml
from layers.flight.influence import FIGURES, influence
from layers.flight.uncertainty import NINETY_FIVE, flight_spread
from layers.rules.overall_distance import distance_test
from layers.strike.launch import Launch
from optimize.pattern.wants import WANTED, wants
from optimize.report.flight_errors import (
    flight_errors,
    flight_errors_record,
    flight_errors_sections,
)
from optimize.report.pattern import pattern_record, pattern_sections
from optimize.report.pictures.plane import draw_plane
from optimize.scenario.brief import read_scenario
from optimize.scenario.conditions import read_conditions
from optimize.scenario.space import Space

SCENARIO = Path(__file__).parents[3] / "scenarios" / "three_layer_pattern_choice.toml"
ASKED = ["carry_m", "ball_speed_m_s", "launch_angle_deg", "spin_rpm"]


@pytest.fixture(autouse=True)
def struck(monkeypatch):
    def launch(self, name):
        return Launch(50.0, 0.25, 250.0, 0, 0, 0, 0, None, {}, 0.0, "")

    monkeypatch.setattr(Bench, "launch", launch)


@pytest.fixture(scope="module")
def conditions():
    return read_conditions(SCENARIO).resolved()


@pytest.fixture(scope="module")
def ball():
    space = Space(read_scenario(SCENARIO))
    return space.decode((0,) * len(space.genes)).ball


def test_the_error_of_carry_is_the_judged_one_and_the_surface_s(ball, conditions):
    carry = estimate(ball, "driver slow.carry_m", conditions)["driver slow.carry_m"]
    judged = carry.value * QUANTITIES["carry_m"].absolute_percent / 100.0
    law, weather = conditions.patterns["shallow_wide"], conditions.weather("driver slow")
    body = {"mass": 1e-3 * estimate(ball, "mass_g")["mass_g"].value, "diameter": 0.0427}
    flown = influence(50.0, 0.25, 250.0, **body, law=law, air=weather.air, wind=weather.wind)
    own = float(flight_spread(flown, law).half_width[FIGURES.index("carry")])
    assert own > 0.3
    assert carry.absolute_error == pytest.approx(math.hypot(judged, own), rel=1e-9)
    plain = estimate(ball, "driver slow.carry_m")["driver slow.carry_m"]
    assert plain.absolute_error == pytest.approx(0.11 * plain.value)


def test_causes_add_up_as_squares_and_are_tabulated(ball, conditions):
    found = flight_errors(
        estimate(ball, [f"driver slow.{n}" for n in ASKED], conditions), conditions
    )
    (one,) = found
    assert one.swing == "driver slow"
    record = flight_errors_record(found)["driver slow"]["carry_m"]
    parts = math.sqrt(sum(record[cause] ** 2 for cause in ("surface", "day", "launch")))
    assert record["half_width"] == pytest.approx(parts)
    assert record["half_width"] == pytest.approx(NINETY_FIVE * one.spread.deviation[0])
    (section,) = flight_errors_sections(found)
    assert [row[1] for row in section.rows] == [
        "carry, m",
        "total, m",
        "apex, m",
        "descent angle, °",
    ]


def test_without_errors_or_launches_there_is_no_table(ball, conditions):
    launches = estimate(ball, [f"driver slow.{n}" for n in ASKED])
    assert flight_errors(launches, Conditions()) == ()
    assert flight_errors(estimate(ball, "driver slow.carry_m", conditions), conditions) == ()
    assert flight_errors_sections(()) == []


def test_conditions_come_from_a_scenario_or_from_their_own_file(tmp_path, conditions):
    table = parse_toml(SCENARIO.read_text("utf-8"), "scenario")["conditions"]
    alone = tmp_path / "conditions.toml"
    files = [str(SCENARIO.parent / name) for name in table["aerodynamics"]]
    alone.write_text(
        f"aerodynamics = {files}\nrange_error_percent = 0.5\n[[swing]]\nname = 'driver slow'\n"
        "temperature_c = 12\nwind_m_s = [-2.0, 0.0, 1.0]\n"
    )
    assert read_conditions(alone).resolved().fingerprint() == conditions.fingerprint()


def test_what_players_want_is_tabulated_drawn_and_recorded(ball, conditions):
    found = wants(ball, ["driver slow", "driver fast"], conditions, test=distance_test("present"))
    sections = pattern_sections(found)
    titles = [section.title for section in sections]
    assert titles[:2] == ["Flights", "Wanted changes of drag and lift"]
    assert titles[-1] == "Wanted launch"
    for section in sections:
        assert all(len(row) == len(section.columns) for row in section.rows)
    record = pattern_record(found)
    assert len(record["regions"]) == len(record["band"]["drag"])
    assert np.shape(record["swings"][0]["drag"]) == (len(WANTED), len(record["regions"]))
    times = sum(record["swings"][0]["time"])
    assert times == pytest.approx(sum(found.swings[0].time))
    figure = draw_plane(found)
    assert len(figure.axes) == 6
