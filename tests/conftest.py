"""Compile once before any test process starts.

Code that several processes compile at the same moment can differ in the last bit, and some tests
ask for equality to that bit.
"""

import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from optimize.report import units
from optimize.report.words import use_currency_of

# A test that another program slows down has not failed.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

_COMPILE = """
from layers.estimation import estimate
from layers.figures import BALL_FIGURES
from optimize.compute.first_call import compile_ahead
from tests.helpers.builds import random_balls
figures = (*BALL_FIGURES, "driver fast.spin_rpm")
compile_ahead(figures)
compile_ahead(figures, "double")
estimate(random_balls(1, seed=0)[0], figures)
"""


def pytest_configure(config):
    # A shell's background jobs ignore Ctrl-C, and so would the commands that tests interrupt.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if not hasattr(config, "workerinput"):
        # A slip in the mechanics fails the tests that meet it, each with its own traceback.
        ended = subprocess.run([sys.executable, "-c", _COMPILE], capture_output=True, text=True)
        if ended.returncode:
            sys.stderr.write(f"Nothing was compiled before the tests:\n{ended.stderr}")


@pytest.fixture(autouse=True)
def units_end_with_the_test() -> Iterator[None]:
    """Leave the next test the units that this one found: a command called here chooses its own.

    A currency that an earlier one chose is forgotten.
    """
    use_currency_of(None)
    with units.used(units.chosen()):
        yield


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Provide a folder that any user may enter and write to."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        yield Path(name)
