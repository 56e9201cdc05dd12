"""How far slopes can be trusted: against samples between theirs, and against the fine mesh.

python -m tests.benchmarks.sensitivity [--fine]
"""

import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from layers.ball import Ball
from layers.ball_file import read_ball
from layers.estimation import estimate
from optimize.sensitivity.perturbation import PERTURBATIONS, perturbed
from optimize.sensitivity.slopes import Slopes, sensitivities
from tests.helpers.builds import random_balls

OF_BODY = ("deflection_mm", "frequency_hz", "cor", "contact_time_us")
OF_SWING = tuple(
    f"{swing}.{name}"
    for swing in ("driver fast", "wedge full fast")
    for name in ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "carry_m")
)
BALLS = Path(__file__).parent.parent.parent / "scenarios" / "balls"


def builds() -> list[Ball]:
    names = ("four_layer_speed_feel", "three_layer_soft_feel")
    return [*(read_ball(BALLS / f"{name}.toml") for name in names), random_balls(1, seed=5)[0]]


def share_of_strongest(found: Slopes, name: str) -> float:
    return max(abs(d.change) for (n, _), d in found.slopes.items() if n == name)


def against_samples_between(ball: Ball, found: Slopes) -> dict[str, list[tuple[float, float]]]:
    """Differences and errors, % of the row's strongest, from a cubic through other samples."""
    names = OF_BODY + OF_SWING
    result = defaultdict(list)
    powers = np.vander(np.arange(-3.5, 4.0), 4, increasing=True)
    for variable in found.variables:
        offsets = np.arange(-3.5, 4.0) * variable.step
        around = [estimate(perturbed(ball, variable, by), names).figures for by in offsets]
        for name in names:
            slope = found.slopes.get((name, variable))
            strongest = share_of_strongest(found, name)
            values = np.array([e[name].value for e in around])
            if slope is None or not np.ptp(values):
                continue
            fit, (left, *_) = np.polynomial.Polynomial.fit(offsets, values, 3, full=True)
            scatter = np.sqrt(left[0] / 4.0) * np.linalg.norm(np.linalg.pinv(powers)[1])
            scale = 100.0 * PERTURBATIONS[variable.kind].practical / strongest
            off = abs(fit.deriv()(0.0) - slope.value) * scale
            told = np.hypot(slope.error, 2.0 * scatter / variable.step) * scale
            result[name].append((off, told))
    return result


def main() -> None:
    together, finer = defaultdict(list), defaultdict(list)
    for ball in builds():
        start = time.process_time()
        found = sensitivities(ball, OF_BODY + OF_SWING)
        seconds = time.process_time() - start
        resolved = [d.resolved for d in found.slopes.values() if d.value != 0.0]
        print(
            f"{ball.name}: {seconds:.1f} s processor time, {len(resolved)} slopes, "
            f"{100 * np.mean(resolved):.0f} % larger than their error"
        )
        for name, pairs in against_samples_between(ball, found).items():
            together[name] += pairs
        if "--fine" in sys.argv:
            fine = sensitivities(ball, OF_BODY + OF_SWING, level="fine")
            for (name, variable), d in found.slopes.items():
                off = abs(d.change - fine.slopes[name, variable].change)
                finer[name].append(100.0 * off / share_of_strongest(fine, name))
    print("of the row's strongest change: difference from samples between, error told, covered")
    for name, pairs in together.items():
        off, told = np.array(pairs).T
        print(
            f"  {name:34s} median {np.median(off):5.2f} % largest {off.max():5.2f} %  "
            f"told {np.median(told):5.2f} %  covered {100 * np.mean(off <= told):3.0f} %"
        )
    for name, off in finer.items():
        print(f"  {name:34s} fine mesh: median {np.median(off):5.2f} % largest {max(off):5.2f} %")


if __name__ == "__main__":
    main()
