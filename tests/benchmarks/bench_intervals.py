"""How often finite elements lie within the live bench's 95 % intervals, figure by figure.

The emulator is trained as the bench trains it, on builds over the sliders' ranges; then two times a
hundred builds check it: some drawn evenly over the ranges, and a walk that moves one slider at a time,
as a hand does. Of a hundred checks, 90 to 98 should lie within. What is computed is kept in the
ledger: a second run is quick.

    python -m tests.benchmarks.bench_intervals LEDGER [BALL.toml] [SCENARIO.toml]
"""

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.ball_file import read_ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.model_version import MODEL_VERSION
from optimize.bench.build import build_of
from optimize.bench.coverage import CoverageTable
from optimize.bench.prediction import emulated_figures
from optimize.bench.session import open_bench
from optimize.bench.sliders import Panel
from optimize.bench.training import Trainer
from optimize.compute.evaluator import Evaluator
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import read_scenario

BALL = Path(__file__).parents[2] / "scenarios" / "balls" / "four_layer_speed_feel.toml"
CHECKS = 100
LOW, HIGH = 90, 98


def evenly(panel: Panel, rng: np.random.Generator) -> list[Ball]:
    """Draw builds evenly over the sliders."""
    return made(panel, (rng.random(len(panel.sliders)) for _ in range(10 * CHECKS)))


def walked(panel: Panel, rng: np.random.Generator) -> list[Ball]:
    """Move one slider after the other to anywhere between a tenth and nine tenths of its length."""

    def points():
        point = panel.point(panel.ball)
        for i in range(10 * CHECKS):
            point = point.copy()
            point[i % len(point)] = rng.uniform(0.1, 0.9)
            yield point

    return made(panel, points())


def made(panel: Panel, points) -> list[Ball]:
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
