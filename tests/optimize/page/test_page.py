"""The page of a run without a browser: its data, its escaping, its size, what it computes."""

import base64
import hashlib
import html.parser
import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from layers.errors import InputError
from layers.estimation import MODEL_VERSION
from layers.figures import QUANTITIES
from optimize.ledger.ledger import Ledger
from optimize.page import builds, flights, influence, members, provenance, shares
from optimize.page.data import page_data
from optimize.page.write import json_for_html, page_html, write_page
from optimize.report import words
from optimize.search.run import load_run
from tests.helpers.pages import CLOSING, PICTURE, SCRIPT, SWINGS, brief, data_of, enlarged, searched
from tests.optimize.commands.test_app import run as command


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="module")
def found(folder):
    return searched(folder)


@pytest.fixture(scope="module")
def data(found):
    return data_of(*found)


# Data.


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
        assert len(data["broken"][i]) == len(build.excess)
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


def test_broken_limit_has_a_negative_margin(found):
    run, _ = found
    out_of_reach = run.scenario.limit[0].model_copy(update={"at_least": 9.0, "at_most": None})
    strict = run.scenario.model_copy(update={"limit": (out_of_reach,)})
    record = members.margins_record(replace(run, scenario=strict))
    cells = next(r["cells"] for r in record if "at least 9 mm" in r["words"])
    assert all(cell["margin"] < 0.0 and not cell["kept"] for cell in cells)


def test_no_feasible_build_gives_misses_and_what_to_relax(tmp_path):
    hopeless = [{"figure": "deflection_mm", "at_least": 9.0}]
    run, launches = searched(tmp_path, limit=hopeless, evaluations=8)
    record = data_of(run, launches)
    assert set(record["state"]) == {0}
    assert any("Lower deflection at least 9 mm" in words for words in record["relaxations"])
    assert "none keeps every limit" in record["summary"]
    assert page_html(record).startswith("<!doctype html>")


def test_page_without_a_single_ball_is_written(found):
    run, launches = found
    none = replace(run, builds=(), short_list=(), front=(), prices=(), evaluated=0, feasible=0)
    record = data_of(none, replace(launches, known={}))
    assert record["members"] == []
    assert record["influence"] is None
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
    assert f"The page holds {builds.MOST_SHOWN}" in words_of


# Launches.


def test_launches_are_kept_in_the_ledger_and_found_again(folder, found):
    run, launches = found
    with Ledger(folder / "ledger.sqlite") as ledger:
        before = len(ledger)
        ticks = []
        again = flights.launches(run, ledger, swings=SWINGS, tick=lambda *now: ticks.append(now))
        assert len(ledger) == before
    assert again == launches
    assert not ticks


def test_path_lands_at_the_carry(found):
    run, launches = found
    record = flights.flights_record(run, launches)["swings"][0]
    for path in record["paths"]:
        carry = launches.known[path["label"]].figures[f"{SWINGS[0]}.carry_m"].value
        assert abs(path["x"][-1] - carry) < 0.02
        assert abs(path["z"][-1]) < 0.02


def test_ledger_that_cannot_be_written_is_told_and_done_without(found, tmp_path, monkeypatch):
    run, _ = found

    def refuse(*_):
        raise InputError("x cannot be written: the file or its folder is read-only.")

    one = replace(run, short_list=run.short_list[:1])
    with Ledger(tmp_path / "other.sqlite") as ledger:
        monkeypatch.setattr(ledger, "add", refuse)
        found_now = flights.launches(one, ledger, swings=SWINGS)
    assert f"{SWINGS[0]}.carry_m" in found_now.known["A"].figures
    assert "read-only" in found_now.unkept
    notes = provenance.provenance_record(one, found_now, "x", datetime.now(UTC))["notes"]
    assert any("not kept" in note for note in notes)


def test_swings_are_those_of_goals_and_limits_or_all():
    goal = {"figure": "driver fast.carry_m", "aim": "maximize"}
    spread = {"figure": "mid iron.carry_range_m", "at_most": 60.0}
    named = brief(goal=[goal], limit=[spread])
    irons = ("mid iron fast", "mid iron moderate", "mid iron slow")
    assert flights.swings_of(named) == ("driver fast", *irons)
    assert len(flights.swings_of(brief())) == 17


# What drives what.


def test_influence_finds_the_slopes_that_were_put_in():
    rng = np.random.default_rng(5)
    x = rng.normal(size=(400, 3)) * [1.0, 20.0, 0.1]
    y = np.column_stack([x @ [3.0, 0.2, 0.0] + 0.1 * rng.normal(size=400), x[:, 2]])
    fit = influence.influence(x, y)
    spread = y.std(axis=0)
    expected = np.array([[3.0, 0.2, 0.0], [0.0, 0.0, 1.0]]) * x.std(axis=0) / spread[:, None]
    assert np.all(np.abs(fit.strength - expected) < np.maximum(1.5 * fit.error, 1e-9))
    assert np.all(fit.explained > 0.99)
    assert abs(fit.strength[0, 2]) < fit.error[0, 2]


def test_interval_of_a_freedom_without_influence_covers_zero_as_often_as_it_says():
    rng = np.random.default_rng(9)
    missed = 0
    for _ in range(400):
        x = rng.normal(size=(40, 2))
        fit = influence.influence(x, x[:, :1] + rng.normal(size=(40, 1)))
        missed += abs(fit.strength[0, 1]) > fit.error[0, 1]
    assert 8 <= missed <= 36  # 5 % of 400 is 20; 3.7 standard deviations either way


def test_influence_says_nothing_of_too_few_builds():
    assert influence.influence(np.ones((5, 2)), np.ones((5, 1))) is None
    assert influence.influence(np.ones((50, 0)), np.ones((50, 1))) is None


def test_shares_of_the_run_stand_on_the_page_in_its_words(folder, found):
    run, launches = found
    with Ledger(folder / "ledger.sqlite") as ledger:
        known = ledger.known([build.key for build in run.builds], run.model_version)
    record = page_data(run, launches, "x", sobol=shares.sobol_of(run, known))["sobol"]
    assert record["figures"][:2] == ["inertia", "mass of stage 1"]
    assert "cover thickness" in record["freedoms"]
    total, low, high = (np.array(record[k]) for k in ("total", "low", "high"))
    assert np.all((low <= total) & (total <= high))
    mass = record["figures"].index("mass of stage 1")
    core = record["freedoms"].index("core modulus")
    assert total[mass].argmax() != core  # the modulus weighs nothing
    assert total[mass, core] < 0.1


def test_shares_of_too_few_builds_are_left_out(found):
    run, _ = found
    assert shares.sobol_of(replace(run, builds=run.builds[:2]), {}) is None


def test_sobol_shares_take_their_place(found):
    run, launches = found
    given = influence.Sobol(
        ("carry",),
        ("cover: modulus",),
        *(np.array([[v]]) for v in (0.4, 0.6, 0.5, 0.7)),
        "a source",
    )
    record = page_data(run, launches, "x", sobol=given)["sobol"]
    assert [record[k] for k in ("first", "total", "low", "high")] == [
        [[v]] for v in (0.4, 0.6, 0.5, 0.7)
    ]


# Provenance.


def test_hash_hangs_on_every_bit_of_the_runs_evaluations_only(found):
    run, _ = found
    known = provenance.evaluation_hash(run)
    assert re.fullmatch(r"[0-9a-f]{64}", known)
    assert provenance.evaluation_hash(replace(run, reused=99, seconds=7.0)) == known
    build = run.builds[0]
    name = run.scenario.figures()[0]
    figure = build.figures[name]
    moved = replace(figure, value=math.nextafter(figure.value, 1e9))
    other = replace(build, figures=build.figures | {name: moved})
    assert provenance.evaluation_hash(replace(run, builds=(other, *run.builds[1:]))) != known
    assert provenance.evaluation_hash(replace(run, builds=run.builds[::-1])) != known


def test_sources_say_versions_hash_cards_and_that_nothing_is_calibrated(found, data):
    run, _ = found
    facts = dict(data["provenance"]["facts"])
    assert facts["Run"] == run.id
    assert facts["Model"] == MODEL_VERSION
    assert provenance.evaluation_hash(run) in facts.values()
    assert any("Nothing here is calibrated" in note for note in data["provenance"]["notes"])
    assert json.loads(data["provenance"]["scenario"])["seed"] == 3


def test_calibrated_numbers_are_named_and_the_others_said_not_to_be(found):
    run, launches = found
    card = run.scenario.material[0].with_values(
        "calibrated on 12 readings of lab.csv", youngs_modulus_mpa=48.0
    )
    cards = (card, *run.scenario.material[1:])
    fitted = replace(run, scenario=run.scenario.model_copy(update={"material": cards}))
    notes = provenance.provenance_record(fitted, launches, "x", datetime.now(UTC))["notes"]
    told = next(note for note in notes if note.startswith("Calibrated on measurements"))
    assert f"youngs_modulus_mpa of {PICTURE}" in told
    assert told.endswith("All other numbers are not.")


# The file.


class _Reader(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags, self.attributes, self.texts = ["html"], [], {}

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attrs]

    def handle_data(self, data):
        self.texts.setdefault(self.tags[-1], []).append(data)


@pytest.fixture(scope="module")
def text(data):
    return page_html(data)


def test_hostile_names_are_text_and_make_no_element(data, text):
    reader = _Reader()
    reader.feed(text)
    assert reader.tags.count("script") == 2
    assert "img" not in reader.tags
    assert "".join(reader.texts["title"]).strip() == SCRIPT
    assert any(CLOSING in part for part in reader.texts["h1"])
    inside = re.search(r'id="page-data">(.*?)</script>', text, re.S)[1]
    assert not set("<>&\u2028\u2029") & set(inside)
    assert json.loads(inside) == json.loads(json.dumps(data))
    assert [PICTURE] in [axis.get("choices") for axis in json.loads(inside)["axes"]]


@pytest.mark.parametrize("name", ["</script>", "<!--<script>", "\u2028\u2029", "&lt;", "{{data}}"])
def test_any_string_survives_inside_a_script_element(name):
    written = json_for_html({"name": name})
    assert not set("<>&\u2028\u2029") & set(written)
    assert json.loads(written) == {"name": name}


def test_placeholders_in_names_are_not_filled(data):
    text = page_html(data | {"title": "{{script}}", "question": "{{data}}"})
    assert "<title>{{script}}</title>" in text
    assert "<h1>{{data}}</h1>" in text


def test_policy_allows_the_one_script_and_style_and_nothing_else(text):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    assert rules["default-src"] == "'none'"
    for directive, pattern in {
        "script-src": r"<script>(.*?)</script>",
        "style-src": r"<style>(.*?)</style>",
    }.items():
        content = re.search(pattern, text, re.S)[1]
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert rules[directive] == f"'sha256-{digest}'"
    assert "unsafe" not in policy


def test_page_names_no_address_to_fetch(text):
    reader = _Reader()
    reader.feed(text)
    loading = {"src", "srcset", "data", "poster", "background", "action", "style"}
    assert not [a for a in reader.attributes if a[1] in loading or a[1].startswith("on")]
    assert all(value.startswith("#") for tag, name, value in reader.attributes if name == "href")
    outside = set(re.findall(r"https?://[^\s\"'`)]+", text))
    assert outside <= {"http://www.w3.org/2000/svg"}  # a name, which is never fetched
    assert "url(" not in text.replace("`url(#", "")
    assert "@import" not in text


def test_page_of_500_builds_is_far_below_its_bound(found, tmp_path):
    run, launches = found
    record = data_of(enlarged(run, 500), launches)
    assert write_page(record, tmp_path / "page.html") < 6e6
    assert len(record["state"]) == 500


def test_page_that_cannot_be_written_is_told(data, tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        write_page(data, tmp_path / "missing" / "page.html")


# The command.


def test_command_writes_the_page_and_export_puts_one_among_its_files(folder, found, tmp_path):
    run, _ = found
    ledger = folder / "ledger.sqlite"
    page = tmp_path / "choose.html"
    options = ("--ledger", ledger, "--swing", SWINGS[0], "--workers", 1, "--no-shares")
    code, out, err = command("page", run.id, "--out", page, *options)
    assert (code, out) == (0, ""), err
    assert "open it in a browser" in err
    assert run.id in page.read_text(encoding="utf-8")
    code, _, err = command("export", run.id, "--out", tmp_path, "--ledger", ledger)
    assert code == 0, err
    beside = (tmp_path / "trade_off.html").read_text(encoding="utf-8")
    assert "option --swing" in beside
    assert SWINGS[0] not in beside.partition('id="page-data"')[2]  # no goal names a swing
    code, _, err = command("page", "no such run", "--out", page, "--ledger", ledger)
    assert code == 2
    code, _, err = command("page", run.id, "--out", page, "--ledger", ledger, "--swing", "putter")
    assert code == 2
    assert "putter" in err


def test_layers_of_one_role_are_numbered():
    twice = brief()
    layer = (twice.layer[0], twice.layer[1], twice.layer[1], twice.layer[2])
    assert builds.layer_names(twice.model_copy(update={"layer": layer})) == [
        "core",
        "mantle 1",
        "mantle 2",
        "cover",
    ]
