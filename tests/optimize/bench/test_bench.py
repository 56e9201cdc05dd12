"""The figures of the live bench are true."""

import json
import math

import pytest

from layers.ball_file import read_ball
from layers.energy.impact import record_impact
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from layers.resolution.difference import differences
from optimize.bench.build import read_build
from optimize.bench.cache import Cache
from optimize.bench.choices import Choices, materials_of
from optimize.bench.course import recalled
from optimize.bench.training import Trainer
from optimize.ledger.ledger import Ledger
from optimize.report.impact_view import impact_view
from optimize.scenario.space import content_of
from tests.helpers.bench import SWING, TWO, moved, served, until


def test_closed_forms_come_at_once_and_finite_elements_to_the_last_bit(place):
    setting = moved(place.start(), cover_thickness_mm=1.5, core_youngs_modulus_mpa=61.0)
    quick = place.ask("POST", "/api/quick", setting).lines[0]
    lines = place.ask("POST", "/api/finite", setting).lines
    told = {name: figure for line in lines for name, figure in line["figures"].items()}
    _, ball = read_build(setting, place.bench.choices)
    assert ball.layer[0].outer_diameter_mm == pytest.approx(42.7 - 3.0, abs=1e-9)
    truth = estimate(ball, place.bench.names)
    assert set(told) == set(truth.figures)
    for name, figure in truth.figures.items():
        assert told[name]["value"] == figure.value, name
        assert told[name]["basis"] == figure.basis
        assert told[name]["between"] == figure.difference_error
        if figure.basis == "closed form":
            assert quick["figures"][name] == told[name]
    assert [line["end"] for line in lines if line.get("end")] == ["done"]
    carried = lines[-2]["flights"][SWING]["points"][-1][0]
    assert carried == pytest.approx(truth.figures[f"{SWING}.carry_m"].value, abs=0.02)


def test_differences_are_those_of_the_library_with_their_errors(place):
    start = place.start()
    softer = moved(start, core_youngs_modulus_mpa=60.0)
    same = moved(start, cover_thickness_mm=1.70001)
    for setting in (start, softer, same):
        place.ask("POST", "/api/finite", setting)
    asked = {"reference": start, "others": [softer, same]}
    told = place.ask("POST", "/api/differences", asked).record["differences"]
    _, one = read_build(start, place.bench.choices)
    _, two = read_build(softer, place.bench.choices)
    truth = differences(*(estimate(ball, place.bench.names) for ball in (one, two)))
    assert set(told[0]) == set(truth)
    for name, found in truth.items():
        assert told[0][name]["value"] == found.value
        assert told[0][name]["error"] == found.error
        assert told[0][name]["parts"] == found.parts
    assert told[0]["deflection_mm"]["beyond"]  # a softer core gives way more
    assert not told[1]["cor"]["beyond"]
    # The differences are far better known than the two figures: they share most of their errors.
    figure = estimate(one, ("deflection_mm",)).figures["deflection_mm"]
    assert told[1]["deflection_mm"]["error"] < figure.difference_error


def test_the_emulators_own_error_joins_that_of_a_difference(place):
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["fitted_on"] >= 8)
    start = place.start()
    place.ask("POST", "/api/finite", start)
    fresh = moved(start, core_youngs_modulus_mpa=68.3)
    quick = place.ask("POST", "/api/quick", fresh).lines[0]["figures"]["deflection_mm"]
    assert quick["basis"] == "emulator"
    asked = {"reference": start, "others": [fresh]}
    before = place.ask("POST", "/api/differences", asked).record["differences"][0]["deflection_mm"]
    alone = QUANTITIES["deflection_mm"].difference_error(quick["value"])
    own = math.sqrt(quick["between"] ** 2 - alone**2)
    assert before["parts"]["prediction"] == pytest.approx(own, rel=1e-6)
    place.ask("POST", "/api/finite", fresh)
    place.ask("POST", "/api/quick", fresh)  # emulated again, but now known better
    after = place.ask("POST", "/api/differences", asked).record["differences"][0]["deflection_mm"]
    assert "prediction" not in after["parts"]
    assert after["error"] < before["error"]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"reference": {}}, "must have reference, a setting, and others"),
        ({"reference": {}, "others": []}, "others has 0 settings, but must have 1 to 4"),
        ({"reference": {}, "others": [{}] * 5}, "others has 5 settings"),
        ({"reference": 3, "others": [{}]}, "the request"),
    ],
)
def test_what_cannot_be_compared_is_said(place, asked, words):
    answer = place.ask("POST", "/api/differences", asked)
    assert answer.status == 422
    assert words in answer.record["error"]


def test_an_impact_is_seen_as_the_library_records_it(place):
    setting = place.start() | {"impact": "rigid barrier"}
    lines = place.ask("POST", "/api/impact", setting).lines
    assert [line["begun"] for line in lines] == [True, False]
    assert lines[-1]["end"] == "done"
    seen = lines[-1]["impact"]
    _, ball = read_build(place.start(), place.bench.choices)
    truth = impact_view(record_impact(ball, frames=2), ball)
    assert seen == json.loads(json.dumps(truth))
    broken = moved(place.start(), cover_youngs_modulus_mpa=0.5, core_youngs_modulus_mpa=35.0)
    lines = place.ask("POST", "/api/impact", broken | {"impact": "rigid barrier"}).lines
    assert "turned inside out" in lines[-1]["impact"]["failed"]
    refused = place.ask("POST", "/api/impact", place.start() | {"impact": "hammer"})
    assert refused.status == 422
    assert "impact is 'hammer', but must be one of: rigid barrier, wedge" in refused.record["error"]


def test_saved_toml_gives_the_same_figures_in_the_terminal(place, tmp_path):
    setting = moved(place.start(), cover_density_g_cm3=0.97, core_youngs_modulus_mpa=66.6)
    setting["name"] = 'a "name" with <script> and \\ and \u2028'
    answer = place.ask("POST", "/api/toml", setting)
    assert answer.headers["content-disposition"] == 'attachment; filename="build.toml"'
    path = tmp_path / "build.toml"
    path.write_bytes(answer.body)
    assert read_ball(path).name == setting["name"]
    lines = place.ask("POST", "/api/finite", setting).lines
    told = {name: figure for line in lines for name, figure in line["figures"].items()}
    for name, figure in estimate(read_ball(path), tuple(told)).figures.items():
        assert told[name]["value"] == figure.value


def test_filler_holds_the_mass(place):
    setting = moved(place.start(), cover_thickness_mm=2.2)
    setting["hold_mass"] = {"layer": 1, "mass_g": 45.5}
    told = place.ask("POST", "/api/quick", setting).lines[0]
    assert told["figures"]["mass_g"]["value"] == pytest.approx(45.5, abs=1e-9)
    density = told["build"]["setting"]["layer"][0]["density_g_cm3"]
    assert density != setting["layer"][0]["density_g_cm3"]
    assert told["build"]["densities_g_cm3"][0] == density


def test_a_build_that_breaks_the_solver_is_told_in_a_sentence(place):
    setting = moved(place.start(), cover_youngs_modulus_mpa=0.5, core_youngs_modulus_mpa=35.0)
    lines = place.ask("POST", "/api/finite", setting).lines
    failed = {name: why for line in lines for name, why in line["failed"].items()}
    assert "turned inside out" in failed["cor"]
    assert lines[-1]["end"] == "done"
    told = {name for line in lines for name in line["figures"]}
    assert "mass_g" in told
    assert not told & set(failed)


def test_the_emulator_speaks_within_its_sliders_and_keeps_its_score(place):
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["fitted_on"] >= 8)
    start = place.start()
    setting = moved(start, core_youngs_modulus_mpa=75.0)
    before = place.ask("GET", "/api/state").record["trainer"]["checks"]
    told, flown = place.ask("POST", "/api/quick", setting).lines
    assert told["emulator"] == "ready"
    figures = told["figures"]
    assert figures["deflection_mm"]["basis"] == "emulator"
    assert figures[f"{SWING}.carry_m"]["basis"] == "emulator"
    assert flown["flights"][SWING]["basis"] == "emulator"
    assert set(figures) == set(place.bench.names)
    lines = place.ask("POST", "/api/finite", setting).lines
    truth = {name: figure for line in lines for name, figure in line["figures"].items()}
    for name in ("deflection_mm", f"{SWING}.ball_speed_m_s", f"{SWING}.carry_m"):
        # Eight builds teach it little: three times its band holds all but a broken emulator.
        assert abs(figures[name]["value"] - truth[name]["value"]) <= 3 * figures[name]["between"]
        assert figures[name]["between"] > 0.0
    after = lines[-1]["state"]["trainer"]
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["checks"] > before)
    assert set(place.bench.trainer.names) <= set(after["scores"]) <= set(place.bench.names)
    outside = place.ask("POST", "/api/quick", moved(start, core_youngs_modulus_mpa=900.0)).lines[0]
    assert outside["emulator"] == "outside"
    assert {f["basis"] for f in outside["figures"].values()} == {"closed form"}


def test_check_builds_set_the_intervals_and_are_never_trained_on(place):
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["done"])
    state = place.ask("GET", "/api/state").record["trainer"]
    assert state["to_check"] == 6  # four for five training builds
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["checked"] == 6)
    course = place.bench.trainer._course
    assert set(course.checks) == set(course.widths.at_checks)
    assert not set(course.checks) & set(course._builds)
    basis = {name: QUANTITIES[parse_figure(name).quantity].basis for name in place.bench.names}
    finite = {name for name in basis if basis[name] == "finite element"}
    assert set(course.widths.factors) == finite
    ball, values = next(iter(course.checks.values()))
    assert not course.add(ball, values)
    assert course.panel.point(ball).tobytes() not in course._builds


def rows_of(path):
    with Ledger(path, reading=True) as book:
        return len(book)


def test_a_second_start_learns_from_the_ledger(place, ledger):
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["done"])
    before = rows_of(ledger)
    with served(read_ball(TWO), swings=[SWING], training_builds=8, ledger=ledger) as again:
        until(lambda: again.ask("GET", "/api/state").record["trainer"]["computed"] >= 8)
        assert rows_of(ledger) == before  # none was computed anew
        lines = again.ask("POST", "/api/finite", again.start()).lines
        assert lines[-1]["end"] == "done"


def test_another_card_is_computed_and_trained_for_by_itself(place):
    start = place.start()
    cards = place.ask("GET", "/api/about").record["layers"][1]["cards"]
    own, other = cards[0], next(name for name in cards if "firm" in name)
    names = [start["layer"][0]["material"], other]
    panel = place.ask("POST", "/api/panel", {"material": names}).record
    assert panel["start"]["layer"][1]["material"] == other
    quick = place.ask("POST", "/api/quick", panel["start"]).lines[0]
    assert quick["emulator"] == "training"  # what it learnt is of the other card
    _, ball = read_build(panel["start"], place.bench.choices)
    assert ball.layer[1].material.name == other
    lines = place.ask("POST", "/api/finite", panel["start"]).lines
    told = {name: figure for line in lines for name, figure in line["figures"].items()}
    truth = estimate(ball, ("deflection_mm",)).figures["deflection_mm"]
    assert told["deflection_mm"]["value"] == truth.value
    back = place.ask("POST", "/api/quick", start).lines[0]
    assert start["layer"][1]["material"] == own
    assert back["emulator"] == "ready"
    refused = place.ask("POST", "/api/panel", {"material": [names[0], "no such card"]})
    assert refused.status == 422
    assert "layer 2, material is 'no such card', but must be one of" in refused.record["error"]


def test_a_ledgers_builds_train_before_anything_is_computed(place, ledger):
    until(lambda: place.ask("GET", "/api/state").record["trainer"]["done"])
    choices = Choices(read_ball(TWO), None)
    trainer = Trainer(choices, place.bench.names, place.bench.conditions, 8)
    cache = Cache(ledger, None)
    try:
        trainer.recall(cache.past())
    finally:
        cache.close()
        trainer.close()
    assert trainer.state()["computed"] >= 8
    ball = choices.ball
    assert recalled(content_of(ball), choices.panel(materials_of(ball))) is not None
    lighter = ball.model_copy(update={"dimple_volume_percent": 0.5})
    assert recalled(content_of(lighter), choices.panel(materials_of(ball))) is None
