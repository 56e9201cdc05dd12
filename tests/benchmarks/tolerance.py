"""Cost of a tolerance study, the surrogate's error, and a direct draw by finite elements beside it.

python -m tests.benchmarks.tolerance [--direct]
"""

import sys
import time
from pathlib import Path

import numpy as np

from layers.ball import Ball
from layers.ball_file import read_ball
from layers.figures import BALL_FIGURES
from layers.rules.screen import rule_set
from optimize.compute.pool import mapping
from optimize.lab.scatter import Scatter, scatter_from_table
from optimize.tolerance.limits import Limit, rule_limits
from optimize.tolerance.nominal import recentre
from optimize.tolerance.pass_rates import draws_of, joint_pass, rate_of, tolerance
from optimize.tolerance.pieces import Draws
from optimize.tolerance.study import compute, study
from tests.helpers.builds import random_balls

ROOT = Path(__file__).parents[2] / "scenarios"
SAMPLES, WORKERS, DIRECT = 10_000, 2, 400
WIDE = {"diameter_mm": 0.06, "density_percent": 0.8, "modulus_percent": 8.0}


def builds() -> list[Ball]:
    named = [ROOT / "prototype" / "ball.toml", ROOT / "balls" / "four_layer_speed_feel.toml"]
    return [*(read_ball(path) for path in named), random_balls(4, seed=5)[3]]


def direct(found, limits, mapper) -> None:
    """Distribution and pass rate of the same pieces by finite elements throughout."""
    draws = draws_of(found, DIRECT, 7)
    names = tuple(found.nominal)
    exact = compute(found.ball, found.sources, draws.move, names, mapper)
    model = found.surrogate(draws.move)
    print(f"  {DIRECT} pieces by finite elements: deviation, surrogate's over exact; correlation")
    values = {}
    for i, name in enumerate(names):
        values[name] = np.array([e.figures[name].value for e in exact])
        both = model[:, i], values[name]
        ratio, alike = both[0].std() / both[1].std(), np.corrcoef(*both)[0, 1]
        print(f"    {name:22s} {ratio:.4f}  {alike:.5f}")
    passed = np.all([limit.passed(values[limit.figure]) for limit in limits], axis=0)
    told = joint_pass(found, limits, Draws(draws.move, draws.offset))
    print(
        f"  joint pass rate {rate_of(told).value:.4f} by surrogate, {rate_of(passed).value:.4f} by "
        f"finite elements; {np.sum(told != passed)} pieces judged otherwise"
    )


def one(ball: Ball, scatter: Scatter, what: str) -> None:
    with mapping(WORKERS) as mapper:
        list(compute_first(ball, mapper))  # start the processes, load what is compiled
        start = time.perf_counter()
        found = study(ball, BALL_FIGURES, scatter, mapper=mapper)
        middle = found.nominal["deflection_mm"].value
        limits = [*rule_limits(rule_set("present")), Limit("deflection_mm", middle, None, "given")]
        drawn = tolerance(found, limits, SAMPLES, seed=0)
        seconds = time.perf_counter() - start
        print(f"{ball.name}, {what}: {seconds:.1f} s on {WORKERS} processes, {SAMPLES} pieces")
        off = {s.name: s.check_error / s.deviation for s in drawn.spread if s.check_error}
        print("  surrogate off, % of deviation: ", end="")
        print(", ".join(f"{name} {100 * share:.1f}" for name, share in off.items()))
        start = time.perf_counter()
        shift = recentre(found, limits, draws_of(found, SAMPLES, 0), 0.9, mapper)
        seconds = time.perf_counter() - start
        best = shift.move[0] if shift.move else None
        print(f"  nominal for 90 %: {seconds:.1f} s; {best}")
        if "--direct" in sys.argv:
            direct(found, limits, mapper)


def compute_first(ball: Ball, mapper):
    return mapper(None, [ball] * 3, [BALL_FIGURES] * 3)


def main() -> None:
    wide = scatter_from_table(
        {role: WIDE for role in ("core", "inner_core", "outer_core", "mantle", "cover")}, "wide"
    )
    for ball in builds():
        one(ball, Scatter(), "default scatter")
        one(ball, wide, "wide scatter")


if __name__ == "__main__":
    main()
