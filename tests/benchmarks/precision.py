"""Single against double precision, and this tree's time against another's, in one run.

``python -m tests.benchmarks.precision BUILDS`` prints what single precision moves over random
builds under four swings and on the barrier. ``python -m tests.benchmarks.precision times FOLDER``
lets a process of this tree and one of the tree in FOLDER compute the same impacts in turn, and
prints the ratios of the least processor times, compiled code warm, meshing included; names of jobs
after FOLDER choose among them.
"""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from layers.ball import Body
from layers.compression.curve import compress
from layers.impact.barrier import barrier_impact
from layers.strike.model import build_model
from layers.strike.strike import club_impact
from layers.strike.swings import find_swing
from tests.helpers.builds import random_bodies

SWINGS = ("driver fast", "mid iron fast", "wedge full fast", "wedge half moderate")
SPEEDS = (20.0, 44.0)  # m/s
LAUNCH = ("ball_speed", "launch_angle", "spin", "contact_time", "peak_deformation")
REBOUND = ("cor", "contact_time", "peak_force", "peak_deformation")
TIMED = 8  # builds
ROUNDS = 6

# Of either tree, wherever it keeps them.
LEVELS = vars(sys.modules[club_impact.__module__])["LEVELS"]
STRIKES = [find_swing(name).strike() for name in SWINGS]
JOBS: dict[str, Callable[[Body, int], object]] = {
    "oblique impact": lambda body, k: club_impact(body, STRIKES[k % len(STRIKES)]),
    "barrier impact": lambda body, k: barrier_impact(body, SPEEDS[1]),
    "compression": lambda body, k: compress(body),
    "building": lambda body, k: build_model(body, LEVELS["default"]),
}


def differences(bodies: list[Body]) -> None:
    """Print the relative differences of single from double precision."""
    strikes = [
        [club_impact(body, strike, precision=p) for p in ("single", "double")]  # type: ignore[arg-type]
        for body in bodies
        for strike in STRIKES
    ]
    walls = [
        [barrier_impact(body, v, precision=p) for p in ("single", "double")]  # type: ignore[arg-type]
        for body in bodies
        for v in SPEEDS
    ]
    for what, names, pairs in (("club", LAUNCH, strikes), ("barrier", REBOUND, walls)):
        for name in names:
            off = [abs(getattr(one, name) / getattr(two, name) - 1.0) for one, two in pairs]
            low, high = np.median(off), np.quantile(off, 0.95)
            rms = np.sqrt(np.mean(np.square(off)))
            print(f"{what}, {name}: median {low:.1e}, rms {rms:.1e}, 95 % {high:.1e}, ", end="")
            print(f"most {max(off):.1e}")
    residual = max(one.momentum_residual for one, _ in strikes)
    print(f"momentum residual in single precision at most {residual:.1e}")


def serve() -> None:
    """Compute the jobs that are named on standard input; answer with their processor times."""
    bodies = random_bodies(TIMED, 3)
    for job in JOBS.values():
        job(bodies[0], 0)
    print("ready", flush=True)
    for line in sys.stdin:
        name, _, number = line.strip().rpartition(" ")
        start = time.thread_time()
        JOBS[name](bodies[int(number)], int(number))
        print(time.thread_time() - start, flush=True)


def times(other: Path, names: list[str]) -> None:
    """Print least times of the other tree and of this one, of the named jobs."""
    command = [sys.executable, "-c", "import runpy; runpy.run_path('PATH', run_name='serve')"]
    command[2] = command[2].replace("PATH", str(Path(__file__).resolve()))
    packages = [os.environ["PYTHONPATH"]] if "PYTHONPATH" in os.environ else []
    trees = [
        subprocess.Popen(
            command,
            cwd=folder,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), *packages])},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        for folder in (other, Path(__file__).parents[2])
    ]

    def asked(tree: "subprocess.Popen[str]", question: str) -> float:
        assert tree.stdin is not None
        assert tree.stdout is not None
        tree.stdin.write(question + "\n")
        return float(tree.stdout.readline())

    for tree in trees:
        assert tree.stdout is not None
        tree.stdout.readline()
    for name in names:
        least = np.full((len(trees), TIMED), np.inf)
        for _ in range(ROUNDS):
            for number in range(TIMED):
                for i, tree in enumerate(trees):
                    spent = asked(tree, f"{name} {number}")
                    least[i, number] = min(least[i, number], spent)
        before, after = 1e3 * least.mean(axis=1)
        ratio = least[1] / least[0]
        print(f"{name}: {before:.2f} -> {after:.2f} ms, ratio {after / before:.3f}", end=" ")
        print(f"({ratio.min():.3f} to {ratio.max():.3f})")
    for tree in trees:
        tree.terminate()


if __name__ == "serve":
    serve()
elif __name__ == "__main__":
    if sys.argv[1:2] == ["times"]:
        times(Path(sys.argv[2]), sys.argv[3:] or list(JOBS))
    else:
        differences(random_bodies(int(sys.argv[1]) if len(sys.argv) > 1 else 100, 17))
