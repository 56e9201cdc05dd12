"""A search on a real Dask scheduler with real workers, each a process on this machine."""

import itertools
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")

from distributed import Client

from layers.errors import InputError, SolverError
from optimize.compute import pool
from optimize.compute.cluster import Cluster
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario
from optimize.scenario.conditions import ConditionsTable
from optimize.search import answer
from optimize.search.result import Interrupted, Progress, Run
from optimize.search.run import run_search
from tests.helpers.briefs import four_layers
from tests.helpers.builds import random_balls
from tests.helpers.loopback import Loopback, free_port, loopback_cluster
from tests.optimize.commands.test_app import ROOT, refused
from tests.optimize.search.test_run import same, stop_after, with_deflection

QUICK = ROOT / "tests" / "helpers" / "closed_form.toml"

# Read by a worker as it starts: it then believes that it is of another version.
_OTHER_MODEL = "from layers import model_version; model_version.MODEL_VERSION = '0123456789ab'\n"

# A worker that dies of one build, and stumbles over another; it may read this twice.
_DEADLY = """
import os
from optimize.compute import one
def deadly(ball, *rest, compute_one=one.compute_one):
    if ball.name == "deadly":
        os._exit(1)
    if ball.name == "bad":
        raise MemoryError("no more")
    return compute_one(ball, *rest)
if one.compute_one.__name__ != "deadly":
    one.compute_one = deadly
"""


@pytest.fixture(autouse=True)
def _short_full_estimates(monkeypatch):
    """Members are estimated by closed forms only: what is tested here is not the mechanics."""
    monkeypatch.setattr(answer, "BALL_FIGURES", ("mass_g", "moi_g_cm2", "moi_ratio"))
    monkeypatch.setattr(answer, "STAGE_FIGURES", ("mass_g", "moi_g_cm2"))


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    with loopback_cluster(tmp_path_factory.mktemp("cluster"), workers=2) as cluster:
        yield cluster


@pytest.fixture
def cluster(standing) -> Loopback:
    """The standing cluster with two living workers."""
    while len(standing.workers) < 2:
        standing.add_worker()
    standing.wait(2)
    return standing


@pytest.fixture(scope="module")
def here(tmp_path_factory):
    """Runs of this process alone, each searched once."""
    runs: dict[str, Run] = {}

    def run(scenario: Scenario) -> Run:
        key = scenario.model_dump_json()
        if key not in runs:
            runs[key] = searched(scenario, tmp_path_factory.mktemp("here"), 1)
        return runs[key]

    return run


def searched(scenario: Scenario, path: Path, hands: int | Cluster, progress=None) -> Run:
    path.mkdir(exist_ok=True)
    with Ledger(path / "l.sqlite") as ledger:
        return run_search(scenario, ledger, hands, progress)


def at(count: int, act):
    """Act once when so many builds are evaluated."""
    done: list[int] = []

    def progress(state: Progress) -> None:
        if state.evaluated == count and not done:
            done.append(count)
            act()

    return progress


def kill_all(cluster: Loopback) -> None:
    for worker in list(cluster.workers):
        cluster.kill(worker)


# The same figures.


def test_a_cluster_gives_the_same_to_the_last_bit(cluster, here, tmp_path):
    scenario = with_deflection(24)
    told: list[str] = []
    there = searched(scenario, tmp_path / "there", Cluster(cluster.address, told.append))
    assert there.reused == 0
    assert same(there, here(scenario))
    assert told == [f"2 workers at {cluster.address}."]
    assert cluster.unfinished() == 0


def test_own_conditions_travel(cluster):
    # Drag and lift as a laboratory might measure them, head wind, thin air.
    rows = [(re, s, 0.22 + 0.1 * s, 0.8 * s) for re in (5e4, 1e5, 2e5) for s in (0.05, 0.2, 0.5)]
    table = ConditionsTable(aerodynamics_table=rows, altitude_m=1500.0, wind_m_s=(-6.0, 0.0, 0.0))
    conditions = table.resolved()
    names = ("driver fast.carry_m",)
    requests = [(ball, names) for ball in random_balls(2, seed=3)]
    with Cluster(cluster.address).computing(conditions) as compute:
        there = dict(compute(requests))
    assert [there[i] for i in (0, 1)] == [pool.compute_one(*r, conditions) for r in requests]
    assert there[0] != pool.compute_one(*requests[0])


# Workers die and come.


def test_a_worker_killed_in_mid_run_loses_nothing(cluster, here, tmp_path):
    scenario, told = with_deflection(24), []
    kill = at(12, lambda: cluster.kill(cluster.workers[0]))
    there = searched(scenario, tmp_path / "there", Cluster(cluster.address, told.append), kill)
    assert len(cluster.workers) == 1
    assert any("is gone; 1 left" in sentence for sentence in told)
    assert same(there, here(scenario))
    assert cluster.unfinished() == 0


def test_a_listing_that_the_library_cut_short_makes_no_worker_gone(
    cluster, here, tmp_path, monkeypatch
):
    """Its own inquiry, for no workers, may put its answer in the place of ours."""
    listed, told, cut = Client.scheduler_info, [], itertools.cycle((True, False))

    def scheduler_info(client, n_workers):
        answer = dict(listed(client, n_workers=n_workers))
        cut_short = {"n_workers": len(answer["workers"]), "workers": {}}
        return answer | cut_short if next(cut) else answer

    monkeypatch.setattr(Client, "scheduler_info", scheduler_info)
    scenario = with_deflection(12)
    there = searched(scenario, tmp_path / "there", Cluster(cluster.address, told.append))
    assert told == [f"2 workers at {cluster.address}."]
    assert same(there, here(scenario))


@pytest.mark.slow
def test_new_workers_are_waited_for_when_all_are_dead(cluster, here, tmp_path):
    scenario, told = four_layers(evaluations=60), []

    def tell(sentence: str) -> None:
        told.append(sentence)
        if "No worker at" in sentence:
            cluster.add_worker()

    hands = Cluster(cluster.address, tell, worker_timeout_s=60.0)
    there = searched(scenario, tmp_path / "there", hands, at(20, lambda: kill_all(cluster)))
    assert told[-1] == f"No worker at {cluster.address}; waiting up to 60 s for one."
    assert len(cluster.workers) == 1
    assert same(there, here(scenario))


@pytest.mark.slow
def test_when_no_worker_comes_the_search_says_so_and_goes_on_later(cluster, here, tmp_path):
    scenario = four_layers(evaluations=60)
    hands = Cluster(cluster.address, worker_timeout_s=1.0)
    with pytest.raises(SolverError, match=r"No worker came .* within 1 s; what was done"):
        searched(scenario, tmp_path / "there", hands, at(20, lambda: kill_all(cluster)))
    with Ledger(tmp_path / "there" / "l.sqlite") as ledger:
        assert ledger.runs()[0].status == "interrupted"
        assert len(ledger) >= 20
    assert cluster.unfinished() == 0
    resumed = searched(scenario, tmp_path / "there", 1)
    assert resumed.reused >= 20
    assert same(resumed, here(scenario))


@pytest.mark.slow
def test_a_lost_scheduler_ends_in_one_sentence_and_the_search_goes_on(here, tmp_path):
    scenario = four_layers(evaluations=60)
    with loopback_cluster(tmp_path, workers=1) as lone:
        kill = at(20, lambda: lone.kill(lone.scheduler))
        with pytest.raises(SolverError, match=r"The scheduler at tcp://.* is gone"):
            searched(scenario, tmp_path / "there", Cluster(lone.address), kill)
    resumed = searched(scenario, tmp_path / "there", 1)
    assert resumed.reused >= 20
    assert same(resumed, here(scenario))


def test_ctrl_c_leaves_the_cluster_clean_and_the_search_goes_on(cluster, here, tmp_path):
    scenario = four_layers()
    with pytest.raises(Interrupted, match="goes on from there"):
        searched(scenario, tmp_path / "there", Cluster(cluster.address), stop_after(30))
    assert cluster.unfinished() == 0
    resumed = searched(scenario, tmp_path / "there", Cluster(cluster.address))
    assert resumed.reused >= 30
    assert same(resumed, here(scenario))


def test_the_command_stopped_by_ctrl_c_says_how_to_go_on(cluster, here, tmp_path):
    command = [
        sys.executable,
        "-c",
        "import sys; from optimize.start import main; sys.exit(main())",
    ]
    options = ["--cluster", cluster.address, "--ledger", str(tmp_path / "l.sqlite")]
    options += ["--evaluations", "4000"]
    search = subprocess.Popen(
        [*command, "search", str(QUICK), *options], stderr=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert search.stderr is not None
    while "workers at tcp" not in (line := search.stderr.readline()):
        assert line, "the search ended before it was stopped"
    time.sleep(0.5)
    search.send_signal(signal.SIGINT)
    _, told = search.communicate(timeout=600)
    assert search.returncode == 130, told
    assert "Traceback" not in told
    assert told.count("\n") == 1
    assert f"Go on with: orbwright search {QUICK}" in told
    assert f"--cluster {cluster.address}" in told
    assert cluster.unfinished() == 0


@pytest.mark.slow
def test_a_build_that_ends_its_workers_ends_the_search_in_one_sentence(tmp_path):
    (tmp_path / "deadly.py").write_text(_DEADLY)
    balls = random_balls(12, seed=3)

    def computed(name: str) -> set[int]:
        named = [*balls[:5], balls[5].model_copy(update={"name": name}), *balls[6:]]
        found: set[int] = set()
        with Cluster(lone.address).computing(None) as compute:
            found.update(i for i, _ in compute([(ball, ("mass_g",)) for ball in named]))
        return found

    with loopback_cluster(tmp_path, workers=0) as lone:
        for _ in range(4):
            lone.add_worker("--preload", str(tmp_path / "deadly.py"))
        lone.wait(4)
        assert computed("good") == set(range(12))
        with pytest.raises(SolverError, match=r"compute a build \(MemoryError: no more\)"):
            computed("bad")
        with pytest.raises(SolverError, match="Workers ended 3 times over one build"):
            computed("deadly")
        assert sum(worker.poll() is None for worker in lone.workers) == 1


# Who may compute.


def check_refused(cluster, tmp_path, preloaded, sentence):
    """Let a worker join that runs some code first, and see the search refuse it."""
    (tmp_path / "first.py").write_text(preloaded)
    other = cluster.add_worker("--preload", str(tmp_path / "first.py"))
    cluster.wait(3)
    with pytest.raises(InputError, match=sentence):
        searched(four_layers(), tmp_path / "there", Cluster(cluster.address))
    cluster.kill(other)


def test_a_worker_of_another_version_is_refused_in_one_sentence(cluster, tmp_path):
    sentence = r"runs model 0123456789ab, this machine [0-9a-f]{12}: "
    check_refused(cluster, tmp_path, _OTHER_MODEL, sentence)


@pytest.mark.slow
def test_a_worker_of_another_version_that_joins_later_is_left_out(cluster, here, tmp_path):
    (tmp_path / "other.py").write_text(_OTHER_MODEL)
    scenario, told, others = four_layers(evaluations=60), [], []

    def join() -> None:
        others.append(cluster.add_worker("--preload", str(tmp_path / "other.py")))
        cluster.wait(3)
        time.sleep(0.6)  # until the search looks for workers again

    hands = Cluster(cluster.address, told.append)
    there = searched(scenario, tmp_path / "there", hands, at(20, join))
    cluster.kill(others[0])
    assert any("runs model 0123456789ab" in s and s.endswith("left out.") for s in told)
    assert same(there, here(scenario))


@pytest.mark.slow
def test_a_worker_without_orbwright_is_refused_in_one_sentence(cluster, tmp_path):
    without = "import sys; sys.modules['optimize'] = None\n"
    sentence = r"cannot compute \(ModuleNotFoundError: .*: install this"
    check_refused(cluster, tmp_path, without, sentence)


@pytest.mark.slow
def test_a_worker_that_computes_other_last_digits_is_refused(tmp_path):
    # Code for any processor of the family adds in another order than code for this one.
    with loopback_cluster(tmp_path, workers=0) as lone:
        cache = str(tmp_path / "cache")
        lone.add_worker(NUMBA_CPU_NAME="generic", NUMBA_CPU_FEATURES="", NUMBA_CACHE_DIR=cache)
        lone.wait(1)
        with pytest.raises(InputError, match="computes other last digits"):
            searched(with_deflection(4), tmp_path / "there", Cluster(lone.address))


# What is refused before anything is computed.


def test_where_no_scheduler_answers_that_is_said(tmp_path):
    silent = socket.socket()
    silent.bind(("127.0.0.1", 0))
    silent.listen()
    for port in (free_port(), silent.getsockname()[1]):
        hands = Cluster(f"tcp://127.0.0.1:{port}", connect_timeout_s=0.5)
        with pytest.raises(InputError, match=rf"No Dask scheduler answers at .*:{port} within"):
            searched(four_layers(), tmp_path, hands)
    silent.close()


@pytest.mark.parametrize(
    "address",
    ["127.0.0.1:8786", "http://127.0.0.1:80", "tcp://:8786", "tcp://here", "tcp://h:99999", "x"],
)
def test_malformed_addresses_are_refused(address, tmp_path):
    ledger = tmp_path / "l.sqlite"
    told = refused("search", QUICK, "--ledger", ledger, "--cluster", address)
    assert address in told
    assert "tcp://192.168.0.7:8786" in told
    assert not ledger.exists()


def test_workers_and_cluster_exclude_each_other(tmp_path):
    options = ("--cluster", "tcp://127.0.0.1:8786", "--workers", 2)
    assert "leave it out" in refused("search", QUICK, *options, "--ledger", tmp_path / "l.sqlite")


def test_without_the_extra_its_name_is_said(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'orbwright\[cluster\]'"):
        searched(four_layers(), tmp_path, Cluster("tcp://127.0.0.1:8786"))
