"""Choose the next prototypes, and see whether they tell more than a random choice of as many.

python -m tests.benchmarks.nextround [repetitions] [budget] [about]

Twelve candidates share three cores, three mantles and three covers. In each repetition a truth is
drawn from the priors; the chosen builds are measured, the model is calibrated on them, and predicts
goals of all candidates. The error is against the truth, in standard deviations of what is not known
beforehand; random choices see the same truth.
"""

import sys
import time

import numpy as np

from layers.figures import parse_figure
from optimize.calibration.calibrate import concluded
from optimize.calibration.case import case_of
from optimize.calibration.model import Model, jacobian, predict
from optimize.calibration.next_round import BALL_PLAN, GOALS, STAGE_PLAN, next_round
from optimize.calibration.parameters import parameters_of
from optimize.calibration.result import key_of
from tests.helpers.lab import build, draw_errors, measure, true_means

CORES = (("core rubber, soft", 1.16), ("core rubber, medium", 1.15), ("core rubber, firm", 1.14))
MANTLES = ("ionomer, soft", "ionomer, medium", "ionomer, firm")
COVERS = ("urethane, soft", "urethane, medium", "ionomer, very firm")
RANDOM = 4

PLAN = (
    *(f"stage{n}.{name}" for n in (1, 2) for name in STAGE_PLAN),
    *STAGE_PLAN,
    *BALL_PLAN,
)


def candidates(count: int = 12):
    rng = np.random.default_rng(7)
    # Few lists are balanced: the first of each material is the usual one.
    share = (0.5, 0.35, 0.15)
    made = []
    for n in range(count):
        core = CORES[rng.choice(3, p=share)]
        mantle, cover = MANTLES[rng.choice(3, p=share)], COVERS[rng.choice(3, p=share)]
        parts = (*core, mantle, rng.uniform(0.8, 1.8), cover, rng.uniform(0.7, 1.4))
        made.append(build(f"candidate {n + 1}", parts))
    return made


def main(repetitions: int, budget: int, about: str) -> None:
    begun = time.process_time()
    balls = candidates()
    chosen = next_round(balls, GOALS, budget, about=about)
    for pick in chosen.pick:
        print(f"{pick.ball.name}: {pick.reason}")
    best = [balls.index(pick.ball) for pick in chosen.pick]
    parameters = parameters_of(balls)
    whole = Model(parameters, tuple((ball, PLAN) for ball in balls))
    slopes = jacobian(whole, np.zeros(len(parameters))).reshape(len(balls), len(PLAN), -1)
    keys = tuple(dict.fromkeys(key_of(parse_figure(n)) for n in PLAN))
    sd = np.array([p.prior_sd for p in parameters])
    goals = [PLAN.index(g) for g in GOALS]
    errors, material_errors = [], []
    for n in range(repetitions):
        rng = np.random.default_rng(n)
        theta, bias = rng.normal(0.0, sd), draw_errors(keys, rng)
        clean = predict(whole, theta)
        truth = true_means(PLAN * len(balls), clean, bias, rng).reshape(len(balls), -1)
        middle = clean.reshape(len(balls), -1) + [bias[key_of(parse_figure(p))] for p in PLAN]
        draws = [rng.choice(len(balls), budget, replace=False) for _ in range(RANDOM)]
        row, material_row = [], []
        for picks in [best, *draws]:
            found = calibrated(
                [balls[i] for i in picks], truth[picks], slopes[picks], parameters, rng
            )
            error, material = found_errors(found, whole, middle, goals, theta)
            row.append(error)
            material_row.append(material)
        errors.append(row)
        material_errors.append(material_row)
        print(n, *(f"{e:.2f}" for e in row), f"{time.process_time() - begun:.0f} s", flush=True)
    for what, table in (("goals", errors), ("materials", material_errors)):
        told(what, np.array(table))


def told(what: str, table: np.ndarray) -> None:
    ours, random = table[:, 0], table[:, 1:]
    gain = random.mean(axis=1) - ours
    spread = gain.std(ddof=1) / np.sqrt(len(gain))
    print(
        f"{what}: rms error {rms(ours):.3f} chosen, {rms(random):.3f} random; difference of means "
        f"{gain.mean():.3f} +- {spread:.3f} (standard error); chosen better than the mean of the "
        f"random ones in {np.sum(gain > 0)} of {len(gain)}, than single random choices in "
        f"{100 * np.mean(random > ours[:, None]):.0f} %"
    )


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def calibrated(balls, truth, slopes, parameters, rng):
    """Measure some builds and calibrate on them; derivatives are those at the nominal cards."""
    names = [ball.name for ball in balls for _ in PLAN]
    measured = measure(names, PLAN * len(balls), truth.ravel(), rng, pieces=6)
    case = case_of(balls, measured)
    own = [parameters.index(p) for p in case.model.parameters]
    shared = slopes.reshape(-1, slopes.shape[-1])[:, own]
    return concluded(case, measured, lambda x: predict(case.model, x), lambda x: shared)


def found_errors(found, whole, truth, goals, theta):
    """Return errors of goals over all candidates and of parameters, in prior deviations."""
    at = np.zeros(len(whole.parameters))
    for p in found.parameter:
        at[whole.parameters.index(p.parameter)] = p.theta
    bias = {d.key: d.bias for d in found.discrepancy}
    names = [PLAN[g] for g in goals]
    model = Model(whole.parameters, tuple((ball, tuple(names)) for ball, _ in whole.requests))
    mean = predict(model, at).reshape(len(truth), -1)
    mean += np.array([bias[key_of(parse_figure(n))] for n in names])
    before = np.array([0.18, 0.05])  # about the prior deviation of each goal
    sd = np.array([p.prior_sd for p in whole.parameters])
    return rms((mean - truth[:, goals]) / before), rms((at - theta) / sd)


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 20,
        int(sys.argv[2]) if len(sys.argv) > 2 else 3,
        sys.argv[3] if len(sys.argv) > 3 else "both",
    )
