"""The real command, killed at random moments, goes on to the same answer; see benchmarks/kill."""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from layers.figures import BALL_FIGURES
from tests.benchmarks.kill import Trial

SCENARIO = Path(__file__).parents[3] / "scenarios" / "three_layer_soft_feel.toml"

SPIN = "driver fast.spin_rpm"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="kills process groups found in /proc"),
]


def test_a_command_killed_at_random_moments_goes_on_to_the_same_answer(tmp_path):
    trial = Trial([str(SCENARIO), "--evaluations", "40", "--workers", "2"], tmp_path)
    whole = trial.whole("whole.sqlite")
    assert whole.builds
    seed = time.time_ns() % 2**32
    moments = np.random.default_rng(seed).uniform(0.0, whole.wall, 5)
    for k, after in enumerate(moments):
        ended = trial.killed_whole(f"{k}.sqlite", after)
        assert not ended.differs_in(whole), f"killed after {after} s, seed {seed}"
    ended, _ = trial.killed_worker("worker.sqlite", 0.7 * whole.wall)
    assert not ended.differs_in(whole)


def test_a_first_call_computes_the_same_bits_as_later_ones(tmp_path, monkeypatch):
    """It compiles: code just compiled can differ in the last bit from code loaded from the disk."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "code"))
    ball = SCENARIO.parent / "balls" / "three_layer_soft_feel.toml"
    command = [sys.executable, "-c", "from optimize.start import main; main()", "estimate"]
    command += [str(ball), "--json", *(f"--figure={name}" for name in (*BALL_FIGURES, SPIN))]
    printed = [subprocess.run(command, capture_output=True, text=True) for _ in range(2)]
    assert "compiling" in printed[0].stderr
    assert "compiling" not in printed[1].stderr
    assert printed[0].stdout == printed[1].stdout
    code = {p.name for p in (tmp_path / "code").rglob("*.code")}
    scenario = [sys.executable, "-c", "from optimize.start import main; main()", "search"]
    scenario += [str(SCENARIO), "--evaluations", "4", "--ledger", str(tmp_path / "l.sqlite")]
    subprocess.run(scenario, check=True, capture_output=True)
    assert {p.name for p in (tmp_path / "code").rglob("*.code")} == code  # nothing was left out
