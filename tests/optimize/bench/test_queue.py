"""The newest build takes over; a process that dies is replaced."""

import math
import os
import signal
import threading
import time
from multiprocessing.context import SpawnProcess

import pytest

from layers.ball_file import read_ball
from optimize.bench.figures import grouped_by_test
from optimize.bench.jobs import TooBusy
from optimize.bench.queue import BuildQueue
from optimize.bench.worker import Unwanted, Worker, WorkerEnded
from tests.helpers.bench import TWO, moved, until


def test_the_newest_build_of_a_place_takes_over_and_pinned_ones_wait():
    ball = read_ball(TWO)
    queue = BuildQueue(ball, grouped_by_test(["mass_g"]), None, None, None)
    heard = []

    def listen_for(name):
        return lambda news: news.end and heard.append((name, news.end))

    for name, where in [("older", "bench"), ("pinned", "pin 1"), ("other page", "second")]:
        queue.submit(where, ball, where != "pin 1", listen_for(name))
    given_up = queue.submit("third", ball, True, listen_for("given up"))
    queue.submit("bench", ball, True, listen_for("newer"))
    queue.cancel(given_up)
    assert heard == [("older", "superseded")]
    queue.start()
    until(lambda: len(heard) == 4)
    ends = ["older", "newer", "other page", "pinned"]
    assert heard == list(zip(ends, ["superseded", "done", "done", "done"], strict=True))
    queue.close()
    with pytest.raises(TooBusy):
        queue.submit("bench", ball, True, listen_for("late"))


def test_the_hub_takes_only_so_many_builds():
    ball = read_ball(TWO)
    queue = BuildQueue(ball, grouped_by_test(["mass_g"]), None, None, None)
    for i in range(24):
        queue.submit(f"page {i}", ball, True, lambda _: None)
    with pytest.raises(TooBusy):
        queue.submit("one too many", ball, True, lambda _: None)
    queue.submit("page 0", ball, True, lambda _: None)
    queue.close()


def test_a_killed_process_is_replaced_and_the_page_is_told(place):
    setting = moved(place.start(), core_youngs_modulus_mpa=77.7)
    place.ask("POST", "/api/finite", place.start())
    before = place.bench.queue.restarts
    killed = place.bench.queue.worker_pid
    os.kill(killed, signal.SIGKILL)
    lines = place.ask("POST", "/api/finite", setting).lines
    assert place.bench.queue.restarts == before + 1
    assert place.bench.queue.worker_pid != killed
    assert "it was started again" in place.ask("GET", "/api/state").record["notice"]
    assert [line["notice"] for line in lines if "notice" in line]
    assert lines[-1]["end"] == "done"
    assert not [line for line in lines if line["failed"]]


def test_a_worker_survives_what_it_is_asked():
    worker = Worker("a worker for tests", 0)
    try:
        assert worker.ask(math.sqrt, 4.0, limit_s=600) == 2.0
        with pytest.raises(ArithmeticError, match="math domain error"):
            worker.ask(math.sqrt, -1.0, limit_s=600)
        with pytest.raises(WorkerEnded, match="ended, perhaps"):
            worker.ask(os._exit, 3, limit_s=600)
        with pytest.raises(WorkerEnded, match=r"longer than 0\.2 s"):
            worker.ask(time.sleep, 30, limit_s=0.2)
        with pytest.raises(Unwanted):
            worker.ask(time.sleep, 30, limit_s=20, unwanted=lambda: True)
        assert worker.ask(math.sqrt, 9.0, limit_s=600) == 3.0
    finally:
        worker.close()


def test_a_worker_may_be_closed_while_its_process_is_being_started(monkeypatch):
    starting, go_on = threading.Event(), threading.Event()
    start = SpawnProcess.start

    def slowly(process):
        starting.set()
        assert go_on.wait(600)
        start(process)

    monkeypatch.setattr(SpawnProcess, "start", slowly)
    worker, ended = Worker("a worker for tests", 0), []

    def ask():
        with pytest.raises(WorkerEnded):
            worker.ask(time.sleep, 600.0, limit_s=600.0)
        ended.append("asked")

    def close():
        worker.close()
        ended.append("closed")

    asking = threading.Thread(target=ask, daemon=True)
    asking.start()
    assert starting.wait(600)
    closing = threading.Thread(target=close)
    closing.start()
    go_on.set()
    closing.join(600)
    assert "closed" in ended
    asking.join(600)
    assert "asked" in ended
    assert worker.pid is None
