"""Compile once before any test process starts.

Code that several processes compile at the same moment can differ in the last bit, and some tests
ask for equality to that bit.
"""

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

_COMPILE = """
from layers.estimation import estimate
from layers.figures import BALL_FIGURES
from tests.helpers.builds import random_balls
estimate(random_balls(1, seed=0)[0], (*BALL_FIGURES, "driver fast.spin_rpm"))
"""


def pytest_configure(config):
    if not hasattr(config, "workerinput"):
        subprocess.run([sys.executable, "-c", _COMPILE], check=True)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Provide a folder that any user may enter and write to."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        yield Path(name)
