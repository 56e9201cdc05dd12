"""How often finite elements lie within the live bench's 95 % intervals, figure by figure.

The emulator is trained as the bench trains it; then a hundred builds for each seed, drawn evenly
over the sliders' ranges, and a walk that moves one slider at a time, as a hand does, check it. Of a
hundred checks, 90 to 98 should lie within. What is computed is kept in the ledger: a second run is
quick.

    python -m tests.benchmarks.bench_intervals LEDGER [SEED ...]
"""

import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.ball_file import read_ball
from layers.conditions import Conditions
from layers.errors import InputError
from optimize.bench.build import build_of
from optimize.bench.choices import Choices, materials_of
from optimize.bench.course import values_of
from optimize.bench.coverage import CoverageTable
from optimize.bench.figures import bounds_shown, figures_shown, swings_shown
from optimize.bench.sliders import Panel
from optimize.bench.training import TRAINING_BUILDS, Trainer
from optimize.compute.evaluator import Evaluator
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known

BALL = Path(__file__).parents[2] / "scenarios" / "balls" / "four_layer_speed_feel.toml"
CHECKS, FEWEST, MOST = 100, 90, 98


def evenly(panel: Panel, rng: np.random.Generator) -> list[Ball]:
    """Draw builds evenly over the sliders."""
    return made(panel, (rng.random(len(panel.sliders)) for _ in range(10 * CHECKS)))


def walked(panel: Panel, rng: np.random.Generator) -> list[Ball]:
    """Move one slider after the other to anywhere between a tenth and nine tenths of its length."""

    def points() -> Iterator[FloatArray]:
        point = panel.point(panel.ball)
        for i in range(10 * CHECKS):
            point = point.copy()
            point[i % len(point)] = rng.uniform(0.1, 0.9)
            yield point

    return made(panel, points())


def made(panel: Panel, points: Iterable[FloatArray]) -> list[Ball]:
    found: list[Ball] = []
    for point in points:
        values = [float(s.value(p)) for s, p in zip(panel.sliders, point, strict=True)]
        try:
            found.append(build_of(panel.setting(values, "a check"), panel.ball))
        except InputError:
            continue
        if len(found) == CHECKS:
            break
    return found


def trained(choices: Choices, names: Sequence[str], compute: Evaluator) -> Trainer:
    """Train as the bench does, to the last check build."""
    trainer = Trainer(choices, names, Conditions())
    trainer.start()
    while (ball := trainer.next_build()) is not None:
        [known] = compute.figures([(ball, names)])
        trainer.add(ball, known, urgent=False)
    while (state := trainer.state())["fitted_on"] < TRAINING_BUILDS:
        if state["trouble"]:
            sys.exit(state["trouble"])
        time.sleep(0.1)
    return trainer


def main(path: Path, seeds: Sequence[int]) -> None:
    ball = read_ball(BALL)
    choices = Choices(ball, None)
    panel = choices.panel(materials_of(ball))
    swings = swings_shown((), None, Conditions().swings)
    names = figures_shown(swings, None, bounds_shown(None))
    scores = {}
    with Ledger(path) as ledger, computing(2, None) as pool:
        compute = Evaluator(ledger, pool)
        trainer = trained(choices, names, compute)
        for seed in seeds:
            balls = evenly(panel, np.random.default_rng(seed))
            table = CoverageTable(names)
            for build, known in with_figures(balls, names, compute):
                predicted = trainer.predict(build)
                assert predicted is not None  # within the ranges
                table.count(predicted, values_of(known, names))
            scores[f"even {seed}"] = table.record()["scores"]
        # The walk trains the emulator, so there is one only.
        for build, known in with_figures(
            walked(panel, np.random.default_rng(seeds[0])), names, compute
        ):
            trainer.add(build, known, urgent=True)
        scores[f"walk {seeds[0]}"] = trainer.state()["scores"]
        trainer.close()
    report(scores)


def with_figures(
    balls: list[Ball], names: Sequence[str], compute: Evaluator
) -> Iterator[tuple[Ball, Known]]:
    return zip(balls, compute.figures([(ball, names) for ball in balls]), strict=True)


def report(scores: dict[str, dict[str, dict[str, float]]]) -> None:
    print(f"{'':36}", *(f"{group:>16}" for group in scores), "mean error")
    within = dict.fromkeys(scores, 0)
    first = next(iter(scores.values()))
    for name in first:
        cells = []
        for group, of in scores.items():
            share = 100.0 * of[name]["covered"] / of[name]["checks"]
            holds = FEWEST <= share <= MOST
            within[group] += holds
            cells.append(f"{of[name]['covered']:6} of {of[name]['checks']} {' ' if holds else '!'}")
        print(f"{name:36}", *cells, f"{first[name]['mean_error_percent']:.3f} %")
    print(f"{'within the bar':36}", *(f"{count:7} of {len(first)}" for count in within.values()))


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(seed) for seed in sys.argv[2:]] or [11])
