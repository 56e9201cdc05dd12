"""A Ctrl-C whose exception Python drops still stops the work."""

import os
import signal
import subprocess
import sys
import textwrap
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


IMPORTED = """
import signal
try:
    signal.raise_signal(signal.SIGINT)
except KeyboardInterrupt as error:  # what the import of a compiled module may do
    raise ImportError("an array library failed to import") from None
imported = True
"""


def test_ctrl_c_within_an_import_is_met_after_it(tmp_path, monkeypatch):
    (tmp_path / "imported_slowly.py").write_text(IMPORTED)
    monkeypatch.syspath_prepend(tmp_path)
    found = []

    def interrupted() -> None:
        with ctrl_c.remembered():
            from imported_slowly import imported  # type: ignore[import-not-found]

            found.append(imported)
            time.sleep(60.0)

    begun = time.perf_counter()
    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert found == [True]
    assert time.perf_counter() - begun < 50.0
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_search_that_is_itself_imported_can_be_stopped(tmp_path, monkeypatch):
    code = """
        import signal, time
        from optimize.compute import ctrl_c
        with ctrl_c.remembered():
            signal.raise_signal(signal.SIGINT)
            time.sleep(60.0)
    """
    (tmp_path / "searching_script.py").write_text(textwrap.dedent(code))
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(KeyboardInterrupt):
        import searching_script  # type: ignore[import-not-found]  # noqa: F401


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
def test_a_dropped_ctrl_c_is_met_again():
    def interrupted() -> None:
        with ctrl_c.remembered():
            deleted = _Deleted()
            del deleted
            time.sleep(60.0)

    with pytest.raises(KeyboardInterrupt):
        interrupted()


def started(command_line: str) -> subprocess.CompletedProcess[str]:
    """Run the command's start with another command line, as an installed command runs it."""
    code = "import atexit, signal, sys\nfrom optimize.commands import app\n"
    code += textwrap.dedent(command_line)
    code += "from optimize.start import main\nsys.exit(main())\n"
    ran = [sys.executable, "-c", code]
    return subprocess.run(ran, capture_output=True, text=True, check=False)


TURNED_INTO_ANOTHER_ERROR = """
    def interrupted():
        signal.raise_signal(signal.SIGINT)
    def main():  # as compiled code may
        try:
            interrupted()
        except KeyboardInterrupt:
            raise SystemError('an error is set') from None
    app.main = main
"""
LEFT_HALF_MADE = """
    class Half:
        def __init__(self):
            signal.raise_signal(signal.SIGINT)
            self.made = True
        def __del__(self):
            self.made
    def main():
        app.kept = Half.__new__(Half)  # deleted when the interpreter ends
        Half()
    app.main = main
"""


@pytest.mark.parametrize("command_line", [TURNED_INTO_ANOTHER_ERROR, LEFT_HALF_MADE])
def test_ctrl_c_is_told_in_one_sentence_whatever_it_met(command_line):
    ran = started(command_line)
    assert (ran.returncode, ran.stderr) == (130, "orbwright: stopped by Ctrl-C.\n")


ANSWERED = "app.main = lambda: print('the answer') or 0\n"


def test_ctrl_c_while_the_interpreter_ends_stops_nothing_that_is_done():
    ran = started(ANSWERED + "atexit.register(lambda: signal.raise_signal(signal.SIGINT))\n")
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "the answer\n", "")
    ignored = "lambda: print(signal.getsignal(signal.SIGINT) is signal.SIG_IGN)"
    ran = started(ANSWERED + f"atexit.register({ignored})\n")
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "the answer\nTrue\n", "")


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
