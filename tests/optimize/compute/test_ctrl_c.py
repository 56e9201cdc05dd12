"""A Ctrl-C whose exception Python drops still stops the work."""

import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from optimize.compute import ctrl_c, pool
from tests.helpers.builds import random_balls


class _Deleted:
    def __del__(self) -> None:
        signal.raise_signal(signal.SIGINT)


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
def test_ctrl_c_within_a_deletion_stops_a_batch_without_a_traceback(monkeypatch, capsys):
    requests = [(ball, ("mass_g",)) for ball in random_balls(5, seed=1)]
    computed = []

    def compute_one(*_: object) -> object:
        computed.append(_Deleted() and None)  # deleted here: its exception is dropped
        return object()

    monkeypatch.setattr(pool, "compute_one", compute_one)
    with pytest.raises(KeyboardInterrupt), pool.computing(1) as compute:
        for _ in compute(requests):
            pass
    assert len(computed) == 1
    assert capsys.readouterr().err == ""
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_without_ctrl_c_nothing_is_raised():
    with ctrl_c.remembered() as check:
        check()
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_another_thread_leaves_ctrl_c_alone():
    met = []

    def work() -> None:
        with ctrl_c.remembered() as check:
            check()
            met.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert met == [signal.default_int_handler]


def test_a_blocked_ctrl_c_is_met_at_the_end_though_another_thread_takes_it():
    ended, reached = threading.Event(), []

    def start_processes() -> None:
        with ctrl_c.blocked():
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.05)
            reached.append("the end of the block")

    thread = threading.Thread(target=ended.wait)  # does not block the signal
    thread.start()
    try:
        with pytest.raises(KeyboardInterrupt):
            start_processes()
    finally:
        ended.set()
        thread.join()
    assert reached == ["the end of the block"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])


def test_a_process_that_ignores_ctrl_c_goes_on_ignoring_it():
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)\n"
        "from optimize.compute import ctrl_c\n"
        "with ctrl_c.remembered() as check:\n"
        "    signal.raise_signal(signal.SIGINT); check()\n"
        "print('went on')"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "went on\n"
