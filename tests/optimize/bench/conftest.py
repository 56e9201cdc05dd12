"""One served bench for the tests of this folder."""

import pytest

from layers.ball_file import read_ball
from tests.helpers.bench import SWING, TWO, served


@pytest.fixture(scope="package")
def ledger(tmp_path_factory):
    return tmp_path_factory.mktemp("live") / "live.sqlite"


@pytest.fixture(scope="package")
def place(ledger):
    """Serve a bench whose emulator is trained on eight builds, meanwhile."""
    with served(read_ball(TWO), swings=[SWING], training_builds=8, ledger=ledger) as found:
        yield found
