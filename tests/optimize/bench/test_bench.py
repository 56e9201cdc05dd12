"""The live bench: who is answered, what is refused and how, and that its figures are true."""

import copy
import math
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from layers.ball_file import read_ball
from layers.errors import InputError
from layers.estimation import estimate
from optimize.bench import asked
from optimize.bench.app import FILES
from optimize.bench.desk import Desk
from optimize.bench.hub import Hub, TooBusy
from optimize.bench.serve import listen
from optimize.bench.session import open_bench
from optimize.bench.worker import Unwanted, Worker, WorkerEnded
from optimize.commands.app import main
from optimize.scenario.brief import read_scenario
from tests.benchmarks.livefuzz import fuzzed
from tests.helpers.lives import TOKEN, served

ROOT = Path(__file__).parents[3]
BALLS = ROOT / "scenarios" / "balls"
TWO, FOUR = BALLS / "two_layer_distance.toml", BALLS / "four_layer_speed_feel.toml"
SWING = "wedge half fast"
API = ("/api/about", "/api/state", "/api/quick", "/api/finite", "/api/toml")


@pytest.fixture(scope="module")
def ledger(tmp_path_factory):
    return tmp_path_factory.mktemp("live") / "live.sqlite"


@pytest.fixture(scope="module")
def place(ledger):
    """Serve a bench whose emulator learns eight builds, meanwhile."""
    with served(read_ball(TWO), swings=[SWING], lessons=8, ledger=ledger) as found:
        yield found


def until(condition, seconds=60.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.05)


def moved(setting, **changes):
    """Return a setting with numbers of its layers changed: cover_thickness_mm=..., core_..."""
    table = copy.deepcopy(setting)
    for name, value in changes.items():
        layer, _, field = name.partition("_")
        table["layer"][{"core": 0, "cover": 1}[layer]][field] = value
    return table


# Who is answered.


def test_the_pages_files_come_with_safe_headers_and_without_a_token(place):
    for address, (_, _, kind) in FILES.items():
        answer = place.ask("GET", address, X_Orbwright_Token=None)
        assert answer.status == 200
        assert answer.headers["content-type"].startswith(kind)
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["content-security-policy"].startswith("default-src 'none'; ")
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert not [name for name in answer.headers if name.startswith("access-control")]
        assert "server" not in answer.headers


def test_files_hold_no_address_of_another_host(place):
    for address in FILES:
        text = place.ask("GET", address).body.decode()
        found = set(re.findall(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]+", text))
        assert found <= {"http://www.w3.org"}, address  # the name of SVG's elements


@pytest.mark.parametrize(
    "host",
    [
        None,
        "",
        "bench.example",
        "bench.example:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "127.0.0.1.example:{port}",
        "0.0.0.0:{port}",
        "127.0.0.1:{port}@bench.example",
        "LOCALHOST.:{port}",
    ],
)
def test_foreign_hosts_are_refused(place, host):
    host = host and host.format(port=place.port)
    for path in ("/", "/api/about"):
        answer = place.ask("GET", path, Host=host)
        assert answer.status in (400, 421), path  # the server itself refuses none at all
        assert b"knobs" not in answer.body


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LocalHost", "[::1]"])
def test_loopback_names_are_answered(place, name):
    assert place.ask("GET", "/api/about", Host=f"{name}:{place.port}").status == 200


@pytest.mark.parametrize(
    "origin",
    ["null", "http://bench.example", "https://127.0.0.1:{port}", "http://127.0.0.1:1", "file://"],
)
def test_foreign_origins_are_refused(place, origin):
    start = place.start()
    for path in API[2:]:
        answer = place.ask("POST", path, start, Origin=origin.format(port=place.port))
        assert answer.status == 403
        assert "origin" in answer.record["error"]


def test_own_origin_is_answered_and_other_sites_are_not(place):
    start, own = place.start(), f"http://127.0.0.1:{place.port}"
    headers = {"Origin": own, "Sec_Fetch_Site": "same-origin"}
    assert place.ask("POST", "/api/quick", start, **headers).status == 200
    for site in ("cross-site", "same-site"):
        assert place.ask("POST", "/api/quick", start, Sec_Fetch_Site=site).status == 403
        assert place.ask("GET", "/", Sec_Fetch_Site=site).status == 403


@pytest.mark.parametrize("token", [None, "", "a-token-for-test", TOKEN.upper(), "\xe9" * 17])
def test_without_the_sessions_token_nothing_is_told_or_done(place, token):
    start = place.start()
    for path in API:
        answer = place.ask("POST", path, start, X_Orbwright_Token=token)
        assert answer.status == 403
        assert place.ask("GET", path, X_Orbwright_Token=token).status == 403
        assert list(answer.record) == ["error"]


def test_preflight_of_another_site_gets_no_leave(place):
    headers = {"Origin": "http://bench.example", "Access_Control_Request_Method": "POST"}
    answer = place.ask("OPTIONS", "/api/quick", X_Orbwright_Token=None, **headers)
    assert answer.status == 403
    assert not [name for name in answer.headers if name.startswith("access-control")]


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/..%2f..%2f..%2fpyproject.toml",
        "/%2e%2e/%2e%2e/layers/ball.py",
        "/bench.js/../../app.py",
        "/static/bench.js",
        "/app.py",
        "/bench.js%00.css",
        "//bench.js",
        "/bench.js/",
        "/etc/passwd",
        "/..\\..\\pyproject.toml",
        "/api",
        "/api/about/",
        "http://bench.example/",
    ],
)
def test_no_other_path_leads_to_a_file(place, path):
    answer = place.ask("GET", path)
    assert answer.status in (400, 404)
    assert b"import" not in answer.body


def test_only_loopback_listens(place):
    with pytest.raises(OSError, match=r"refused|unreachable|not available"):
        # Also this machine, but not the address served: bound to all, it would answer.
        socket.create_connection(("127.0.0.2", place.port), timeout=2)


# What is refused, in one sentence.


@pytest.mark.parametrize(
    ("status", "body", "headers"),
    [
        (413, b"{" + b" " * 70_000 + b"}", {}),
        (413, b"{}", {"Content_Length": "9999999999"}),
        (415, b"{}", {"Content_Type": "text/plain"}),
        (415, b"{}", {"Content_Type": None}),
        (400, b"", {}),
        (400, b"{", {}),
        (400, b"[]", {}),
        (400, b"\xff\xfe", {}),
        (400, b'{"outer_diameter_mm": NaN}', {}),
        (400, b'{"outer_diameter_mm": -Infinity}', {}),
        (400, b'{"a": ' * 9_000, {}),
        (400, b'{"a": ' + b"[" * 30_000 + b"]" * 30_000 + b"}", {}),
        (400, b'{"outer_diameter_mm": ' + b"9" * 5000 + b"}", {}),
    ],
)
def test_what_is_no_setting_at_all_is_refused(place, status, body, headers):
    for path in API[2:]:
        answer = place.ask("POST", path, body, **headers)
        assert answer.status == status
        assert list(answer.record) == ["error"]
        assert "Traceback" not in answer.record["error"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"cover_thickness_mm": 99.0}, "layer 2, thickness_mm is 99.0, but must be at most 25"),
        ({"cover_thickness_mm": None}, "layer 2, thickness_mm is missing"),
        ({"cover_thickness_mm": 19.5}, "leave 3.7 mm for it, but must leave at least 5 mm"),
        ({"core_thickness_mm": 3.0}, "layer 1, thickness_mm is 3, but must not be given"),
        ({"core_youngs_modulus_mpa": "70"}, "layer 1, youngs_modulus_mpa is '70'"),
        ({"core_youngs_modulus_mpa": True}, "layer 1, youngs_modulus_mpa is True"),
        ({"core_density_g_cm3": -1}, "layer 1, density_g_cm3 is -1, but must be at least 0.4"),
        ({"core_density_g_cm3": 1e308}, "layer 1, density_g_cm3 is 1e+308, but must be at most 12"),
        ({"core_densty_g_cm3": 1.0}, "did you mean density_g_cm3?"),
    ],
)
def test_a_number_out_of_range_is_named_with_its_range(place, changes, words):
    for path in API[2:]:
        answer = place.ask("POST", path, moved(place.start(), **changes))
        assert answer.status == 422
        assert words in answer.record["error"]


def test_other_fields_are_named_too(place):
    start = place.start()
    for changes, words in [
        ({"name": ""}, "name is ''"),
        ({"name": "\ud800"}, "name"),
        ({"\ud800": 1}, "unicode"),
        ({"layer": start["layer"] * 2}, "layer has 4 entries, but this ball has 2 layers"),
        ({"outer_diameter_mm": 20}, "outer_diameter_mm is 20, but must be at least 30"),
        ({"hold_mass": {"layer": 3, "mass_g": 45.0}}, "hold_mass, layer is 3, but must be at most"),
        ({"hold_mass": {"layer": 2, "mass_g": 20.0}}, "it would need"),
    ]:
        answer = place.ask("POST", "/api/quick", start | changes)
        assert answer.status == 422
        assert words in answer.record["error"]
    answer = place.ask("POST", "/api/finite", start | {"place": "../pin"})
    assert answer.status == 422
    assert "place is '../pin', but must be one of: bench" in answer.record["error"]


# What is told is true.


def test_closed_forms_come_at_once_and_finite_elements_to_the_last_bit(place):
    setting = moved(place.start(), cover_thickness_mm=1.5, core_youngs_modulus_mpa=61.0)
    quick = place.ask("POST", "/api/quick", setting).lines[0]
    lines = place.ask("POST", "/api/finite", setting).lines
    told = {name: figure for line in lines for name, figure in line["figures"].items()}
    _, ball = place.bench.desk.read(setting)
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
    until(lambda: place.ask("GET", "/api/state").record["learner"]["fitted_on"] >= 8)
    start = place.start()
    setting = moved(start, core_youngs_modulus_mpa=75.0)
    before = place.ask("GET", "/api/state").record["learner"]["checks"]
    told, flown = place.ask("POST", "/api/quick", setting).lines
    assert told["emulator"] == "speaks"
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
    after = lines[-1]["state"]["learner"]
    until(lambda: place.ask("GET", "/api/state").record["learner"]["checks"] > before)
    assert set(after["scores"]) <= set(place.bench.learner.names)
    outside = place.ask("POST", "/api/quick", moved(start, core_youngs_modulus_mpa=900.0)).lines[0]
    assert outside["emulator"] == "outside"
    assert {f["basis"] for f in outside["figures"].values()} == {"closed form"}


def test_a_second_start_learns_from_the_ledger(place, ledger):
    until(lambda: place.ask("GET", "/api/state").record["learner"]["done"])
    with served(read_ball(TWO), swings=[SWING], lessons=8, ledger=ledger) as again:
        until(lambda: again.ask("GET", "/api/state").record["learner"]["learnt"] >= 8, 20.0)
        lines = again.ask("POST", "/api/finite", again.start()).lines
        assert lines[-1]["end"] == "done"


# The newest build takes over; a process that dies is replaced.


def test_the_newest_build_of_a_place_takes_over_and_pinned_ones_wait():
    ball = read_ball(TWO)
    hub = Hub(ball, asked.tests_of(["mass_g"]), None, None, None)
    heard = []

    def listen_for(name):
        return lambda news: news.end and heard.append((name, news.end))

    for name, where in [("older", "bench"), ("pinned", "pin 1"), ("other page", "second")]:
        hub.submit(where, ball, where != "pin 1", listen_for(name))
    given_up = hub.submit("third", ball, True, listen_for("given up"))
    hub.submit("bench", ball, True, listen_for("newer"))
    hub.cancel(given_up)
    assert heard == [("older", "superseded")]
    hub.start()
    until(lambda: len(heard) == 4)
    ends = ["older", "newer", "other page", "pinned"]
    assert heard == list(zip(ends, ["superseded", "done", "done", "done"], strict=True))
    hub.close()
    with pytest.raises(TooBusy):
        hub.submit("bench", ball, True, listen_for("late"))


def test_the_hub_takes_only_so_many_builds():
    ball = read_ball(TWO)
    hub = Hub(ball, asked.tests_of(["mass_g"]), None, None, None)
    for i in range(24):
        hub.submit(f"page {i}", ball, True, lambda _: None)
    with pytest.raises(TooBusy):
        hub.submit("one too many", ball, True, lambda _: None)
    hub.submit("page 0", ball, True, lambda _: None)
    hub.close()


def test_a_killed_process_is_replaced_and_the_page_is_told(place):
    setting = moved(place.start(), core_youngs_modulus_mpa=77.7)
    place.ask("POST", "/api/finite", place.start())
    before = place.bench.hub.restarts
    killed = place.bench.hub.worker_pid
    os.kill(killed, signal.SIGKILL)
    lines = place.ask("POST", "/api/finite", setting).lines
    assert place.bench.hub.restarts == before + 1
    assert place.bench.hub.worker_pid != killed
    assert "it was started again" in place.ask("GET", "/api/state").record["notice"]
    assert [line["notice"] for line in lines if "notice" in line]
    assert lines[-1]["end"] == "done"
    assert not [line for line in lines if line["failed"]]


def test_a_worker_survives_what_it_is_asked():
    worker = Worker("a worker for tests", 0)
    try:
        assert worker.ask(math.sqrt, 4.0, limit_s=60) == 2.0
        with pytest.raises(ArithmeticError, match="math domain error"):
            worker.ask(math.sqrt, -1.0, limit_s=60)
        with pytest.raises(WorkerEnded, match="ended, perhaps"):
            worker.ask(os._exit, 3, limit_s=60)
        with pytest.raises(WorkerEnded, match=r"longer than 0\.2 s"):
            worker.ask(time.sleep, 30, limit_s=0.2)
        with pytest.raises(Unwanted):
            worker.ask(time.sleep, 30, limit_s=20, unwanted=lambda: True)
        assert worker.ask(math.sqrt, 9.0, limit_s=60) == 3.0
    finally:
        worker.close()


# The command.


def test_sliders_take_the_scenarios_ranges_and_hold_the_ball():
    scenario = read_scenario(ROOT / "scenarios" / "four_layer_speed_feel.toml")
    desk = Desk.of(read_ball(FOUR), scenario)
    knobs = {(knob.layer, knob.what): knob for knob in desk.knobs}
    assert len(knobs) == 12
    outer = knobs[2, "thickness_mm"]
    assert (outer.low, outer.high) == (3.5, 11.5)
    assert (knobs[2, "density_g_cm3"].low, knobs[2, "density_g_cm3"].high) == (1.02, 1.35)
    for knob in desk.knobs:
        assert knob.least <= knob.low <= knob.start <= knob.high <= knob.most
        assert knob.value(knob.place(knob.start)) == pytest.approx(knob.start, rel=1e-12)
    assert desk.build(desk.start()) == read_ball(FOUR)


def test_a_ball_of_other_layers_is_refused():
    scenario = read_scenario(ROOT / "scenarios" / "four_layer_speed_feel.toml")
    with pytest.raises(InputError, match="which no build of scenario"):
        Desk.of(read_ball(TWO), scenario)


def test_what_cannot_be_served_is_said_in_one_sentence(tmp_path, capsys):
    taken = listen(0)
    port = str(taken.getsockname()[1])
    for arguments, words in [
        (["--port", port], "cannot be used"),
        (["--swing", "driver fats"], "'driver fats' is not in the table"),
        (["--ledger", str(TWO)], "is damaged"),
        (["--scenario", str(TWO)], "is not a known field"),
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
    with socket.create_connection(("127.0.0.1", int(address[1])), timeout=10):
        pass
    running.send_signal(signal.SIGINT)
    rest = running.stderr.read()
    assert running.wait(30) == 130
    assert "Traceback" not in rest
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", int(address[1])), timeout=2)


def test_fuzzed_requests_meet_no_unhandled_error():
    statuses, logged = fuzzed(300, seed=2)
    assert logged == ""
    assert sum(statuses.values()) == 300
    assert {"200", "400", "403", "422"} <= set(statuses)
    assert not [status for status in statuses if status.startswith("5") and status != "503"]
