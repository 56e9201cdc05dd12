"""The data of a run's page: builds, short list, margins, figures in words."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from layers.figures import QUANTITIES
from optimize.ledger.ledger import Ledger
from optimize.page import builds, members
from optimize.page.data import page_data
from optimize.page.write import page_html
from optimize.report import words
from optimize.search.run import load_run
from tests.helpers.pages import SWINGS, brief, data_of, enlarged, searched


def test_every_computed_build_is_on_the_page_with_layers_and_figures(found, data):
    run, _ = found
    columns = {axis["id"]: axis for axis in data["axes"]}
    for name in (*run.scenario.figures(), "mass_g", "moi_ratio", "layer1.diameter"):
        assert len(columns[name]["values"]) == run.evaluated
    for i, build in enumerate(run.builds):
        outer = build.ball.layer[-1]
        assert columns["layer3.diameter"]["values"][i] == outer.outer_diameter_mm
        has_mantle = len(build.ball.layer) == 3
        assert (columns["layer2.thickness"]["values"][i] is not None) == has_mantle
        assert data["state"][i] == 0 if build.excess else data["state"][i] in (1, 2)
        assert len(data["violated"][i]) == len(build.excess)
    assert np.allclose(
        [columns[goal.figure]["values"] for goal in run.scenario.goal], run.cloud.T, rtol=1e-6
    )


def test_front_and_short_list_are_marked(found, data):
    run, _ = found
    assert data["state"].count(2) == len(run.front)
    for member, record in zip(run.short_list, data["members"], strict=True):
        assert run.builds[record["build"]].key == member.key
        assert f"{SWINGS[0]}.carry_m" in record["figures"]


def test_run_read_back_gives_the_same_page(folder, found):
    run, launches = found
    written = datetime(2026, 1, 1, tzinfo=UTC)
    with Ledger(folder / "ledger.sqlite") as ledger:
        again = load_run(ledger, run.id)
    assert page_data(again, launches, "x", written=written) == page_data(
        run, launches, "x", written=written
    )


def test_margins_are_signed_and_told_when_within_their_error(found, data):
    run, _ = found
    by_words = {margin["words"]: margin for margin in data["margins"]}
    mass = by_words["mass at most 45.93 g"]
    assert all(math.isclose(cell["margin"], 0.23, abs_tol=1e-6) for cell in mass["cells"])
    tight = by_words["deflection at most 3.1 mm"]
    for cell, member in zip(tight["cells"], run.short_list, strict=True):
        figure = member.estimate["deflection_mm"]
        assert math.isclose(cell["margin"], 3.1 - figure.value, rel_tol=1e-5)
        assert cell["near"] == (abs(3.1 - figure.value) < figure.absolute_error)
    assert "not certain" in tight["near"]


def test_a_rules_limit_has_the_rules_own_figure_in_the_trades_units(data):
    of_rules = {b["figure"]: b["stated_in_trade"] for b in data["bounds"] if b["stated_in_trade"]}
    assert of_rules == {"mass_g": "1.620", "diameter_mm": "1.680"}
    assert data["units"]["texts"]["mass at most 45.93 g"] == "mass at most 1.620 oz"


def test_broken_limit_has_a_negative_margin(found):
    run, _ = found
    out_of_reach = run.scenario.limit[0].model_copy(update={"at_least": 9.0, "at_most": None})
    strict = run.scenario.model_copy(update={"limit": (out_of_reach,)})
    record = members.margins_record(replace(run, scenario=strict))
    cells = next(r["cells"] for r in record if "at least 9 mm" in r["words"])
    assert all(cell["margin"] < 0.0 and not cell["met"] for cell in cells)


def test_no_feasible_build_gives_misses_and_what_to_relax(tmp_path):
    hopeless = [{"figure": "deflection_mm", "at_least": 9.0}]
    run, launches = searched(tmp_path, limit=hopeless, evaluations=8)
    record = data_of(run, launches)
    assert set(record["state"]) == {0}
    assert any("Lower deflection at least 9 mm" in words for words in record["relaxations"])
    assert "none meets all constraints" in record["summary"]
    assert page_html(record).startswith("<!doctype html>")


def test_page_without_a_single_ball_is_written(found):
    run, launches = found
    none = replace(run, builds=(), short_list=(), front=(), prices=(), evaluated=0, feasible=0)
    record = data_of(none, replace(launches, known={}))
    assert record["members"] == []
    assert record["regression"] is None
    assert page_html(record)


@pytest.mark.parametrize("name", [n for n, q in QUANTITIES.items() if q.of == "body"])
def test_figures_in_words_have_no_underscore_and_no_unit_left(name):
    assert "_" not in words.label_of(name)
    unit = QUANTITIES[name].unit.lower().replace("/", " ")
    assert unit == "1" or not words.label_of(name).endswith(f" {unit}")


def test_page_of_a_huge_run_holds_front_and_short_list_and_an_even_part_of_the_others(found):
    run, launches = found
    many = enlarged(run, 300)
    small = builds.thinned(many, 60)
    keys = [build.key for build in small.builds]
    assert len(keys) == len(set(keys)) == 60
    assert {key for key, _ in run.front} | {m.key for m in run.short_list} <= set(keys)
    order = [build.key for build in many.builds]
    places = [order.index(key) for key in keys]
    assert places == sorted(places)
    assert max(np.diff(places)) < 20
    assert builds.thinned(many, 300) is many
    words_of = page_data(enlarged(run, builds.MOST_SHOWN + 10), launches, "x")["summary"]
    assert f"The page shows {builds.MOST_SHOWN}" in words_of


def test_layers_of_one_role_are_numbered():
    twice = brief()
    layer = (twice.layer[0], twice.layer[1], twice.layer[1], twice.layer[2])
    assert words.layer_names(twice.model_copy(update={"layer": layer})) == [
        "core",
        "mantle 1",
        "mantle 2",
        "cover",
    ]
