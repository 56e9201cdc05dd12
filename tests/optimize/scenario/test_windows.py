"""Limits on layers and differences, fences to stay out of, and the screen of one ball.

Kinds: analytic (closed forms), limits, guard.
"""

import json

import pytest

from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.estimates import Figure
from layers.estimation import estimate
from layers.hardness import find_scale, modulus_from_hardness, reading_of
from layers.materials import Material
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.report.run import run_record, run_sections
from optimize.report.words import bound_words, label_of
from optimize.scenario.fences import Fence, clearance_percent, ways_out
from optimize.scenario.measures import is_figure, parse_measure
from optimize.scenario.space import Space
from optimize.scenario.windows import Windows, screen_windows, windows_from_toml
from optimize.search import answer
from optimize.search.judge import Judge
from optimize.search.loop import score_of
from optimize.search.run import load_run, run_search
from tests.helpers.briefs import two_layers
from tests.helpers.docs import ROOT
from tests.optimize.commands.test_app import run


def ball_of(modulus: float = 50.0, cover_modulus: float = 100.0, core: float = 40.0) -> Ball:
    cards = [
        Material(name=n, youngs_modulus_mpa=e, poisson_ratio=0.49, density_g_cm3=r)
        for n, e, r in (("rubber", modulus, 1.2), ("urethane", cover_modulus, 1.0))
    ]
    return Ball(
        name="tiny",
        layer=(
            Layer(role="core", outer_diameter_mm=core, material=cards[0]),
            Layer(role="cover", outer_diameter_mm=42.7, material=cards[1]),
        ),
    )


FENCE = Fence.model_validate(
    {
        "name": "invented",
        "range": [
            {"figure": "core.youngs_modulus_mpa", "at_least": 40, "at_most": 60},
            {"figure": "cover.thickness_mm", "at_most": 1.5},
        ],
    }
)


def figure(name: str, value: float, error: float) -> Figure:
    return Figure(name, value, "mm", "finite element", 0.0, error)


def test_analytic_measures():
    ball = ball_of()
    figures = {"stage1.deflection_mm": 4.0, "deflection_mm": 3.0}
    wanted = {
        "layer 2.thickness_mm": 1.35,
        "core.density_g_cm3": 1.2,
        "core.thickness_mm": 20.0,
        "cover.youngs_modulus_mpa / core.youngs_modulus_mpa": 2.0,
        "stage1.deflection - deflection": 1.0,
        "layer3.thickness_mm": None,
        "mantle.density_g_cm3 - core.density_g_cm3": None,
    }
    for name, value in wanted.items():
        found = parse_measure(name).value_of(ball, figures)
        assert found is None if value is None else found == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("hardness", [30.0, 47.5, 62.0, 80.0])
def test_analytic_hardness_inverts_the_modulus(hardness):
    assert reading_of(find_scale("D"), modulus_from_hardness("D", hardness)) == pytest.approx(
        hardness, abs=1e-9
    )


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("core.density_g_cm3 - core.thickness_mm", "one unit"),
        ("core.colour", "not a property of a layer"),
        ("stage1.deflexion - deflection_mm", "not known"),
    ],
)
def test_a_measure_that_means_nothing_is_refused(name, words):
    with pytest.raises(InputError, match=words):
        parse_measure(name)


def test_analytic_errors_of_a_difference_are_those_of_its_terms():
    figures = {n: figure(n, v, e) for n, v, e in (("stage1.deflection_mm", 4.0, 0.3),
                                                  ("deflection_mm", 3.0, 0.4))}  # fmt: skip
    found = parse_measure("stage1.deflection_mm - deflection_mm").figure_of(ball_of(), figures)
    assert found.absolute_error == pytest.approx(0.5)
    ratio = parse_measure("stage1.deflection_mm / deflection_mm").figure_of(ball_of(), figures)
    assert ratio.absolute_error == pytest.approx((4 / 3) * ((0.3 / 4) ** 2 + (0.4 / 3) ** 2) ** 0.5)


def test_analytic_the_nearest_way_out_is_the_smallest_relative_change():
    # 50 to 60 MPa is 20 %; 1.35 to 1.5 mm is 11 %: the cover is the nearer way.
    first, second = ways_out(FENCE, ball_of(), {})
    assert (first.figure, first.end) == ("cover.thickness_mm", 1.5)
    assert first.percent == pytest.approx(-100 * 0.15 / 1.35)
    assert second.percent == pytest.approx(-20.0)
    # Moved by that much, and a little more, the ball is outside.
    assert clearance_percent(FENCE, ball_of(core=42.7 - 2 * 1.5001), {}) > 0.0


def test_limits_ends_belong_to_the_fence_and_one_range_missed_is_outside():
    assert clearance_percent(FENCE, ball_of(modulus=60.0), {}) < 0.0
    assert clearance_percent(FENCE, ball_of(modulus=60.01), {}) > 0.0
    assert clearance_percent(FENCE, ball_of(modulus=75.0), {}) == pytest.approx(20.0)
    # A ball without the layer is outside.
    other = Fence.model_validate(
        {"name": "m", "range": [{"figure": "mantle.density_g_cm3", "at_least": 0.5}]}
    )
    assert clearance_percent(other, ball_of(), {}) == 100.0


def test_guard_a_fence_judged_by_any_range_would_refuse_too_much():
    ways = ways_out(FENCE, ball_of(modulus=75.0), {})
    assert min(way.percent for way in ways) < 0.0 < max(way.percent for way in ways)


WINDOWS = """
[[limit]]
figure = "stage1.deflection_mm - deflection_mm"
at_most = 1.2

[[fence]]
name = "invented"
[[fence.range]]
figure = "deflection_mm"
at_least = 3.1
[[fence.range]]
figure = "core.youngs_modulus_mpa"
at_most = 60
"""


def test_a_ball_is_screened_with_the_errors_of_its_figures():
    windows = windows_from_toml(WINDOWS)
    assert windows.figures() == ("stage1.deflection_mm", "deflection_mm")
    exact = {n: figure(n, v, 0.0) for n, v in (("stage1.deflection_mm", 4.0),
                                               ("deflection_mm", 3.0))}  # fmt: skip
    found = screen_windows(windows, ball_of(), exact)
    assert [found.limit[0].verdict, found.fence[0].verdict] == ["met", "met"]
    assert found.fence[0].clearance_percent == pytest.approx(100 * 0.1 / 3.0)
    blurred = {n: figure(n, f.value, 0.45) for n, f in exact.items()}
    found = screen_windows(windows, ball_of(), blurred)
    assert found.limit[0].verdict == found.fence[0].verdict == "met within error"
    assert not found.refused
    assert screen_windows(windows, ball_of(), {}).fence[0].verdict == "not known"
    stiff = screen_windows(windows, ball_of(), exact | {"deflection_mm": figure("", 3.2, 0.0)})
    assert stiff.refused
    assert stiff.fence[0].way[0].end == 3.1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = 'x'", r"\[\[limit\]\] or a \[\[fence\]\]"),
        ("[[fence]]\nname = 'x'\nrange = []", "range"),
        ("[[fence]]\nname='x'\n[[fence.range]]\nfigure='cor'", "at_least, at_most or both"),
        ("[[fence]]\nname='x'\n[[fence.range]]\nfigure='core.colour'\nat_most=1", "line 4"),
    ],
)
def test_bad_windows_are_refused(text, words):
    with pytest.raises(InputError, match=words):
        windows_from_toml(text)


def test_words_of_bounds():
    bound = FENCE.bound()
    assert bound_words(bound) == "clearance of fence 'invented' at least 0 %"
    assert label_of("stage2.mass_g - stage1.mass_g") == "mass of stage 2 less mass of stage 1"
    assert not is_figure(bound.figure)
    assert is_figure("stage1.mass_g")


THIN = {
    "name": "thin cover",
    "range": [
        {"figure": "cover.thickness_mm", "at_most": 1.2},
        {"figure": "stage1.mass_g", "at_least": 1.0},
    ],
}


def fenced(**changes):
    limit = [{"figure": "cover.thickness_mm", "at_most": 1.8}]
    return two_layers(fence=[THIN], limit=limit, **changes)


def test_a_closed_form_fence_refuses_before_finite_elements():
    scenario = fenced()
    judge, space = Judge.of(scenario), Space(scenario)
    assert scenario.fence[0].bound() in judge.closed_bounds
    outcomes = {}
    for row in [(0,) * len(space.genes), tuple(int(n) - 1 for n in space.sizes)]:
        ball = space.decode(row).ball
        if ball is not None:
            thickness = parse_measure("cover.thickness_mm").value_of(ball, {})
            outcomes[thickness] = judge.before(space.decode(row))
    assert any(t <= 1.2 for t in outcomes)
    for thickness, outcome in outcomes.items():
        if thickness <= 1.2:
            assert scenario.fence[0].bound() in outcome.excess
            assert outcome.distance > 0.0


def test_a_search_stays_out_of_its_fence_and_says_whom_it_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(answer, "BALL_FIGURES", ("mass_g", "moi_g_cm2"))
    monkeypatch.setattr(answer, "STAGE_FIGURES", ("mass_g",))
    scenario = fenced(evaluations=40)
    with Ledger(tmp_path / "l.sqlite") as ledger:
        found = run_search(scenario, ledger, 1)
        again = load_run(ledger, found.id)
    measure = parse_measure("cover.thickness_mm")
    for build in found.builds:
        assert 1.2 < measure.value_of(build.ball, {}) <= 1.8 + 1e-9
    assert found.refused["thin cover"][0] > 0
    assert again.refused == found.refused
    titles = [section.title for section in run_sections(found, "l")]
    assert "Fences to stay out of" in titles
    assert "Distance to the fences" in titles
    record = json.loads(json.dumps(run_record(found, "l")))
    assert set(record["fences"][0]["members"]) == {m.label for m in found.short_list}


@pytest.mark.parametrize(
    ("figure_name", "words"),
    [("mantle.density_g_cm3", "no such layer"), ("layer3.thickness_mm", "no such layer")],
)
def test_a_fence_on_a_layer_that_no_build_has_is_refused(figure_name, words):
    fence = {"name": "x", "range": [{"figure": figure_name, "at_most": 2}]}
    with pytest.raises(ValueError, match=words):
        two_layers(fence=[fence])


def test_a_scenario_serves_as_windows():
    windows = Windows(limit=fenced().limit, fence=fenced().fence)
    assert windows.figures() == ("stage1.mass_g",)


def test_the_command_screens_balls_against_a_scenarios_windows(tmp_path):
    (tmp_path / "w.toml").write_text(
        "[[fence]]\nname = 'invented'\n[[fence.range]]\nfigure = 'core.density_g_cm3'\n"
        "at_most = 2\n"
        "[[limit]]\nfigure = 'stage2.mass_g - stage1.mass_g'\nat_least = 1\n"
    )
    ball = ROOT / "scenarios/prototype/ball.toml"
    code, out, _ = run("windows", tmp_path / "w.toml", ball, "--workers", 1)
    assert code == 0
    for words in ("inside", "nearest way out", "mass of stage 2 less mass of stage 1", "no legal"):
        assert words in out
    code, out, _ = run("windows", tmp_path / "w.toml", ball, "--workers", 1, "--json")
    (record,) = json.loads(out)
    assert record["refused"]
    assert record["fence"][0]["way"][0]["end"] == 2.0


def test_the_emulator_is_told_clearances_and_differences():
    scenario = fenced()
    judge, space = Judge.of(scenario), Space(scenario)
    candidate = space.decode(tuple(int(n) - 1 for n in space.sizes))
    found = estimate(candidate.ball, judge.names).figures
    outcome = judge.after(candidate, Known(dict(found), {}))
    told = score_of(outcome, scenario).figures
    assert told[scenario.fence[0].bound().figure] == pytest.approx(
        clearance_percent(scenario.fence[0], candidate.ball, {"stage1.mass_g": 30.0})
    )
    assert told["cover.thickness_mm"] == pytest.approx(2.0)
