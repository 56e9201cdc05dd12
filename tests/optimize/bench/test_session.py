"""Starting the live bench: sliders, what cannot be served, Ctrl-C, fuzzed requests."""

import re
import signal
import socket
import subprocess
import sys
from itertools import pairwise

import pytest

from layers.ball_file import read_ball
from layers.errors import InputError
from layers.rules.overall_distance import LAUNCH
from optimize.bench.build import build_of, read_build
from optimize.bench.prediction import with_flights
from optimize.bench.serve import listen
from optimize.bench.session import open_bench
from optimize.bench.sliders import panel_of
from optimize.commands.app import main
from optimize.scenario.brief import read_scenario
from tests.benchmarks.bench_fuzz import fuzzed
from tests.helpers.bench import BALLS, FOUR, ROOT, SWING, TWO


def test_sliders_take_the_scenarios_ranges_and_hold_the_ball():
    scenario = read_scenario(ROOT / "scenarios" / "four_layer_speed_feel.toml")
    panel = panel_of(read_ball(FOUR), scenario)
    sliders = {(slider.layer, slider.what): slider for slider in panel.sliders}
    assert len(sliders) == 12
    outer = sliders[2, "thickness_mm"]
    assert (outer.low, outer.high) == (3.5, 11.5)
    assert (sliders[2, "density_g_cm3"].low, sliders[2, "density_g_cm3"].high) == (1.02, 1.35)
    for slider in panel.sliders:
        assert slider.min <= slider.low <= slider.start <= slider.high <= slider.max
        assert slider.value(slider.fraction(slider.start)) == pytest.approx(slider.start, rel=1e-12)
    assert build_of(panel.start(), panel.ball) == read_ball(FOUR)


@pytest.mark.parametrize("scenario", [None, "four_layer_speed_feel.toml"])
def test_every_position_of_a_slider_is_another_value_also_of_thin_layers(scenario):
    brief = read_scenario(ROOT / "scenarios" / scenario) if scenario else None
    panel = panel_of(read_ball(FOUR), brief)
    for slider in panel.sliders:
        positions = slider.positions()
        assert len(positions) > 3
        assert all(a < b for a, b in pairwise(positions))
        assert slider.low * 0.99 <= positions[0] <= positions[-1] <= slider.high * 1.01


def test_positions_are_the_scenarios_increments():
    scenario = read_scenario(ROOT / "scenarios" / "four_layer_speed_feel.toml")
    sliders = {(s.layer, s.what): s for s in panel_of(read_ball(FOUR), scenario).sliders}
    assert sliders[4, "thickness_mm"].positions() == [0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2]
    assert sliders[2, "youngs_modulus_mpa"].positions()[:3] == [30.0, 33.0, 36.0]
    assert sliders[2, "youngs_modulus_mpa"].whole
    assert not sliders[2, "density_g_cm3"].whole  # filler is measured out, not stepped


def test_a_ball_of_other_layers_is_refused():
    scenario = read_scenario(ROOT / "scenarios" / "four_layer_speed_feel.toml")
    with pytest.raises(InputError, match="which no build of scenario"):
        panel_of(read_ball(TWO), scenario)


def test_what_cannot_be_served_is_said_in_one_sentence(tmp_path, capsys):
    taken = listen(0)
    port = str(taken.getsockname()[1])
    for arguments, words in [
        (["--port", port], "cannot be used"),
        (["--swing", "driver fats"], "'driver fats' is not in the table"),
        (["--ledger", str(TWO)], "is damaged"),
        (["--scenario", str(TWO)], "does not belong here"),
    ]:
        assert main(["bench", str(TWO), "--no-browser", *arguments]) == 2
        said = capsys.readouterr().err.splitlines()[-1]
        assert said.startswith("orbwright: ")
        assert words in said
    taken.close()


def test_a_bench_with_a_scenario_shows_its_figures_and_limits():
    scenario = read_scenario(ROOT / "scenarios" / "slow_swing.toml")
    bench = open_bench(read_ball(BALLS / "three_layer_soft_feel.toml"), scenario)
    assert bench.swings == ("driver slow", "driver fast", "mid iron fast")
    assert "driver slow.carry_m" in bench.names
    assert bench.conditions.wind == (-2.0, 0.0, 0.0)
    limits = {(bound.figure, bound.side): bound.value for bound in bench.bounds}
    assert limits["deflection_mm", "at most"] == 5.0
    assert limits["mass_g", "at most"] == 45.93
    assert {bound.figure for bound in bench.bounds} <= set(bench.names)
    bench.close()


def test_a_build_flies_by_the_dimple_pattern_that_is_chosen(monkeypatch):
    scenario = read_scenario(ROOT / "scenarios" / "three_layer_pattern_choice.toml")
    bench = open_bench(read_ball(BALLS / "three_layer_soft_feel.toml"), scenario)
    about = bench.about()
    assert about["patterns"] == ("shallow_wide", "deep_small")
    assert about["start"]["dimple_pattern"] == "shallow_wide"
    pairs = {
        f"driver slow.{n}": (v, 0.0) for n, v in zip(LAUNCH, (50.0, 12.0, 2500.0), strict=True)
    }
    monkeypatch.setattr(bench.trainer, "predict", lambda ball: with_flights(
        ("driver slow.carry_m",), ball, pairs, bench.conditions
    ))  # fmt: skip
    carry = {}
    for name in (*about["patterns"], None):
        setting, ball = read_build(about["start"] | {"dimple_pattern": name}, bench.choices)
        assert ball.dimple_pattern == (name or "")
        record, figures = bench.quick(setting, ball)
        assert record["build"]["setting"]["dimple_pattern"] == name
        carry[name] = figures["driver slow.carry_m"].value
    assert carry["shallow_wide"] == carry[None]
    assert abs(carry["shallow_wide"] - carry["deep_small"]) > 1.0
    with pytest.raises(InputError, match="'dull', but must be one of: shallow_wide, deep_small"):
        read_build(about["start"] | {"dimple_pattern": "dull"}, bench.choices)
    bench.close()
    named = read_ball(BALLS / "two_layer_distance.toml").model_copy(
        update={"dimple_pattern": "own"}
    )
    plain = open_bench(named)
    assert plain.about()["patterns"] == ()
    assert read_build(plain.about()["start"], plain.choices)[1].dimple_pattern == "own"
    with pytest.raises(InputError, match="left out: the conditions list none"):
        read_build(plain.about()["start"] | {"dimple_pattern": "own"}, plain.choices)
    plain.close()


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent by a POSIX signal")
def test_ctrl_c_ends_the_command_and_its_processes():
    command = [
        sys.executable,
        "-c",
        "import sys; from optimize.start import main; sys.exit(main())",
    ]
    options = ["bench", str(TWO), "--swing", SWING, "--no-browser"]
    running = subprocess.Popen([*command, *options], stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert running.stderr is not None
    said = ""
    while "Ctrl-C" not in said:
        line = running.stderr.readline()
        assert line, said
        said += line
    address = re.search(r"http://127\.0\.0\.1:(\d+)/#\S+", said)
    assert address
    with socket.create_connection(("127.0.0.1", int(address[1])), timeout=600):
        pass
    running.send_signal(signal.SIGINT)
    rest = running.stderr.read()
    assert running.wait(600) == 130
    assert "Traceback" not in rest
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", int(address[1])), timeout=2)


def test_fuzzed_requests_meet_no_unhandled_error():
    statuses, logged = fuzzed(300, seed=2)
    assert logged == ""
    assert sum(statuses.values()) == 300
    assert {"200", "400", "403", "422"} <= set(statuses)
    assert not [status for status in statuses if status.startswith("5") and status != "503"]
