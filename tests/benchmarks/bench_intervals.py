"""How often finite elements lie within the live bench's 95 % intervals, figure by figure.

The emulator is fitted as the bench fits it, to builds over the sliders' ranges; then two times a
hundred builds check it: some drawn evenly over the ranges, and a walk that moves one slider at a
time, as a hand does. Of a hundred checks, 90 to 98 should lie within. What is computed is kept in
the ledger: a second run is quick.

    python -m tests.benchmarks.bench_intervals LEDGER [BALL.toml]
"""

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.ball_file import read_ball
from layers.conditions import Conditions
from layers.errors import InputError
from optimize.bench.build import build_of
from optimize.bench.choices import Choices, materials_of
from optimize.bench.course import design, values_of
from optimize.bench.coverage import CoverageTable
from optimize.bench.figures import bounds_shown, figures_shown, swings_shown
from optimize.bench.prediction import with_flights
from optimize.bench.sliders import Panel
from optimize.bench.training import TRAINING_BUILDS, emulated, fit_known, pair
from optimize.compute.evaluator import Evaluator
from optimize.compute.pool import computing
from optimize.emulator.gaussian import Emulator
from optimize.ledger.ledger import Ledger

BALL = Path(__file__).parents[2] / "scenarios" / "balls" / "four_layer_speed_feel.toml"
CHECKS, FEWEST, MOST = 100, 90, 98
FITS = (40, 105, TRAINING_BUILDS)


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


def trained(panel: Panel, names: tuple[str, ...], compute: Evaluator) -> Emulator:
    balls = list(design(panel, TRAINING_BUILDS))
    known = compute.figures([(ball, names) for ball in balls])
    x = np.array([panel.point(ball) for ball in balls])
    rows = [values_of(k, names) for k in known]
    columns = {name: np.array([row.get(name, np.nan) for row in rows]) for name in names}
    emulator = None
    for count in FITS:
        few = {name: column[:count] for name, column in columns.items()}
        emulator = fit_known(x[:count], few, emulator)
    assert emulator is not None
    return emulator


def main(path: Path, ball: Ball) -> None:
    choices, conditions = Choices(ball, None), Conditions()
    panel = choices.panel(materials_of(ball))
    names = figures_shown(swings_shown((), None, conditions.swings), None, bounds_shown(None))
    with Ledger(path) as ledger, computing(2, None) as pool:
        compute = Evaluator(ledger, pool)
        emulator = trained(panel, emulated(names), compute)
        groups = {
            "even": evenly(panel, np.random.default_rng(11)),
            "walk": walked(panel, np.random.default_rng(12)),
        }
        tables = {}
        for group, balls in groups.items():
            table = tables[group] = CoverageTable(names)
            for build, known in zip(
                balls, compute.figures([(b, names) for b in balls]), strict=True
            ):
                found = emulator.predict(panel.point(build)[None, :])
                pairs = {name: pair(prediction) for name, prediction in found.items()}
                told = with_flights(names, build, pairs, conditions)
                table.count(told, values_of(known, names))
    report({group: table.record()["scores"] for group, table in tables.items()})


def report(scores: dict[str, dict[str, dict[str, float]]]) -> None:
    for name in scores["even"]:
        cells = []
        for of in scores.values():
            score = of[name]
            share = 100.0 * score["covered"] / score["checks"]
            mark = " " if FEWEST <= share <= MOST else "!"
            cells.append(f"{score['covered']:4} of {score['checks']} {mark}")
        error = scores["even"][name]["mean_error_percent"]
        print(f"{name:36}", *cells, f"mean error {error:.3f} %")


if __name__ == "__main__":
    main(Path(sys.argv[1]), read_ball(Path(sys.argv[2]) if len(sys.argv) > 2 else BALL))
