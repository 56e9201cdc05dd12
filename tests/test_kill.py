"""The real command, killed at random moments, goes on to the same answer; see benchmarks/kill."""

import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.kill import Trial

SCENARIO = Path(__file__).parent.parent / "scenarios" / "three_layer_soft_feel.toml"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="kills process groups found in /proc"),
]


def test_a_command_killed_at_random_moments_goes_on_to_the_same_answer(tmp_path):
    trial = Trial([str(SCENARIO), "--evaluations", "40", "--workers", "2"], tmp_path)
    trial.whole("warm.sqlite")  # a first call compiles
    whole = trial.whole("whole.sqlite")
    assert whole.builds
    seed = time.time_ns() % 2**32
    moments = np.random.default_rng(seed).uniform(0.0, whole.wall, 5)
    for k, after in enumerate(moments):
        ended = trial.killed_whole(f"{k}.sqlite", after)
        assert not ended.differs_in(whole), f"killed after {after} s, seed {seed}"
    ended, _ = trial.killed_worker("worker.sqlite", 0.7 * whole.wall)
    assert not ended.differs_in(whole)
