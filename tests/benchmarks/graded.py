"""Time of a graded against an even core on the same mesh, and what a staircase of steps costs.

python -m tests.benchmarks.graded

Processor time, best of several in turn. A graded ball of the same mean modulus is softer and stays
longer on the face, so that a strike takes more steps: the last column is the time a step. The bar
is 1.05 over all.
"""

import time
from collections.abc import Callable
from typing import Any

from layers.ball import Body
from layers.compression.curve import compress, deflection_between
from layers.graded.profile import Profile
from layers.impact.barrier import barrier_impact
from layers.strike.strike import club_impact
from layers.strike.swings import find_swing
from layers.vibration.mode import first_spheroidal_mode
from tests.helpers.staircase import graded_ball, sub_layered

STEEP = Profile(surface_over_centre=6.0, shape=1.5)
REPEATS = 9


def solvers() -> dict[str, Callable[[Body], Any]]:
    """Return the solvers by name."""
    strike = find_swing("driver fast").strike()
    return {
        "compression": compress,
        "vibration": first_spheroidal_mode,
        "barrier": lambda body: barrier_impact(body, 38.1),
        "strike": lambda body: club_impact(body, strike),
    }


def steps_of(answer: Any) -> int:
    """Return the samples of a strike's march; 1 for other solvers."""
    history = getattr(answer, "history", None)
    return len(history.time) if history else 1


def timed(bodies: dict[str, Body], run: Callable[[Body], Any]) -> dict[str, tuple[float, float]]:
    """Return the best processor time of each body, and that of a step, s."""
    best = dict.fromkeys(bodies, (float("inf"), float("inf")))
    for _ in range(REPEATS):
        for name, body in bodies.items():
            start = time.process_time()
            answer = run(body)
            spent = time.process_time() - start
            best[name] = min(best[name], (spent, spent / steps_of(answer)))
    return best


def print_times() -> None:
    """Print a row a solver, and one of all."""
    bodies = {"even": graded_ball().body(), "graded": graded_ball(STEEP).body()}
    print("solver       even, ms  graded, ms  ratio  a step")
    total = {"even": 0.0, "graded": 0.0}
    for name, run in solvers().items():
        best = timed(bodies, run)
        (even, even_step), (graded, graded_step) = best["even"], best["graded"]
        for which, (spent, _) in best.items():
            total[which] += spent
        row = f"{1e3 * even:8.2f}  {1e3 * graded:10.2f}  {graded / even:5.3f}"
        print(f"{name:11}  {row}  {graded_step / even_step:6.3f}")
    print(f"{'all':11}  {1e3 * total['even']:8.2f}  {1e3 * total['graded']:10.2f}  "
          f"{total['graded'] / total['even']:5.3f}")  # fmt: skip


def print_staircase() -> None:
    """Print how far a staircase is from its profile on the same mesh."""
    figures = {
        "deflection": lambda body: deflection_between(compress(body)),
        "frequency": lambda body: first_spheroidal_mode(body).frequency,
        "contact time": lambda body: barrier_impact(body, 38.1).contact_time,
        "driver spin": lambda body: solvers()["strike"](body).spin,
    }
    print("\nsteps  " + "  ".join(figures))
    for steps in (2, 4, 8):
        stepped, pieces = sub_layered(graded_ball(STEEP), steps)
        errors = [abs(f(stepped) / f(pieces) - 1.0) for f in figures.values()]
        print(f"{steps:5}  " + "  ".join(f"{100.0 * e:.2f} %" for e in errors))


if __name__ == "__main__":
    print_times()
    print_staircase()
