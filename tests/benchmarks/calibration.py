"""Calibrate on a drawn truth: how often intervals hold it, what calibration takes off the error.

python -m tests.benchmarks.calibration [repetitions] [scatter]

The truth is a draw of every card's numbers and of the model's bias from their priors, run through
the finite elements, with scatter from lot to lot (`scatter` times what is assumed) and the lab's
noise. Derivatives are taken once, at the nominal cards, and shared by all repetitions.
"""

import sys
import time

import numpy as np

from layers.figures import parse_figure
from optimize.calibration.calibrate import concluded
from optimize.calibration.case import case_of
from optimize.calibration.model import Model, jacobian, predict
from optimize.calibration.parameters import parameters_of
from optimize.calibration.result import WIDTH, Calibration, key_of
from tests.helpers.lab import FIVE, build, draw_errors, measure, true_means

NAMES = (
    "stage1.mass_g",
    "stage1.deflection_mm",
    "stage2.mass_g",
    "stage2.deflection_mm",
    "mass_g",
    "deflection_mm",
    "moi_g_cm2",
    "cor@38.1",
    "cor@25",
    "contact_time_us@38.1",
)
# Builds that nobody has measured, within the materials and sizes of those that were.
NEW = {
    "new 1": ("core rubber, soft", 1.16, "ionomer, firm", 1.5, "urethane, soft", 0.9),
    "new 2": ("core rubber, medium", 1.15, "ionomer, medium", 1.4, "urethane, medium", 0.9),
}


def inside(away: np.ndarray, sd: np.ndarray) -> tuple[int, int]:
    return int(np.sum(np.abs(away) <= WIDTH * sd)), len(away)


def left_out_error(found: Calibration) -> dict[str, tuple[float, float]]:
    """Return rms errors before calibration and left out after it, by key, relative."""
    errors: dict[str, list[tuple[float, float]]] = {}
    for o in found.observation:
        pair = np.log(o.measured / o.before), np.log(o.measured / o.left_out)
        errors.setdefault(key_of(parse_figure(o.figure)), []).append(pair)
    return {k: tuple(np.sqrt(np.mean(np.square(v), axis=0))) for k, v in errors.items()}


def main(repetitions: int, scatter: float) -> None:
    begun = time.process_time()
    balls = [build(name, parts) for name, parts in FIVE.items()]
    news = [build(name, parts) for name, parts in NEW.items()]
    parameters = parameters_of(balls)
    model = Model(parameters, tuple((ball, NAMES) for ball in balls))
    ahead = Model(parameters, tuple((ball, NAMES) for ball in news))
    nominal = np.zeros(len(parameters))
    slopes, slopes_ahead = jacobian(model, nominal), jacobian(ahead, nominal)
    print(f"derivatives at the nominal cards: {time.process_time() - begun:.1f} s CPU")
    sd = np.array([p.prior_sd for p in parameters])
    builds, names = [b.name for b in balls for _ in NAMES], NAMES * len(balls)
    keys = tuple(dict.fromkeys(key_of(parse_figure(n)) for n in NAMES))
    counts = {"parameters": [], "left-out builds": [], "new builds": []}
    ratios, per_key = [], []
    for n in range(repetitions):
        rng = np.random.default_rng(n)
        theta = rng.normal(0.0, sd)
        bias = draw_errors(keys, rng)
        logs = true_means(names, predict(model, theta), bias, rng, scatter)
        measured = measure(builds, names, logs, rng)
        case = case_of(balls, measured)
        found = concluded(case, measured, lambda x: predict(model, x), lambda x: slopes)
        own = np.array([p.sd for p in found.parameter])
        counts["parameters"].append(inside(found.theta - theta, own))
        away = np.array([np.log(o.measured / o.left_out) for o in found.observation])
        left_sd = np.array([o.left_out_sd for o in found.observation])
        counts["left-out builds"].append(inside(away, left_sd))
        counts["new builds"].append(
            new_builds(found, ahead, slopes_ahead, theta, bias, rng, scatter)
        )
        errors = left_out_error(found)
        per_key.append([errors[k] for k in keys])
        ratios.append(np.mean([after / before for before, after in errors.values()]))
    print(f"{repetitions} repetitions: {time.process_time() - begun:.0f} s CPU\n")
    for what, pairs in counts.items():
        held, total = np.sum(pairs, axis=0)
        each = np.array([100.0 * a / b for a, b in pairs])
        print(
            f"95 % intervals, {what:16}: hold {100 * held / total:.1f} % of {total} "
            f"(each repetition {each.mean():.1f} +- {each.std(ddof=1):.1f}, least {each.min():.0f})"
        )
    print("\nerror, rms over repetitions   uncalibrated   build left out")
    for key, (before, after) in zip(
        keys, np.sqrt(np.mean(np.square(per_key), axis=0)), strict=True
    ):
        print(f"  {key:26} {100 * before:10.2f} % {100 * after:14.2f} %")
    fell = sum(ratio < 1.0 for ratio in ratios)
    print(
        f"mean ratio of the two over figures: {np.mean(ratios):.2f} +- {np.std(ratios, ddof=1):.2f}"
        f"; below 1 in {fell} of {repetitions}"
    )


def new_builds(found, ahead, slopes, theta, bias, rng, scatter) -> tuple[int, int]:
    """Count the true figures of unmeasured builds that the calibrated intervals hold."""
    names = NAMES * len(ahead.requests)
    truth = true_means(names, predict(ahead, theta), bias, rng, scatter)
    keys = [d.key for d in found.discrepancy]
    k = np.array([keys.index(key_of(parse_figure(n))) for n in names])
    mean = predict(ahead, found.theta) + np.array([d.bias for d in found.discrepancy])[k]
    rows = np.hstack([slopes, np.eye(len(keys))[k]])
    variance = np.sum((rows @ np.array(found.covariance)) * rows, axis=1)
    variance += np.array([d.scatter for d in found.discrepancy])[k] ** 2
    return inside(truth - mean, np.sqrt(variance))


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 20,
        float(sys.argv[2]) if len(sys.argv) > 2 else 1.0,
    )
