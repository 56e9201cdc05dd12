"""What the emulator saves: hypervolume against builds computed, its error, published problems.

    python -m tests.benchmarks.emulator fronts SCENARIO.toml --ledger FILE.sqlite
    python -m tests.benchmarks.emulator error SCENARIO.toml --ledger FILE.sqlite
    python -m tests.benchmarks.emulator published

The first compares random sampling, evolution alone (NSGA-II of pymoo) and the search by emulator on
a scenario, over five seeds; the second fits the emulator to each of the five searches' 200 builds
and predicts 100 others, drawn blindly. Everything computed is kept in the ledger: a second run of
the script is quick. The third needs no ledger.
"""

import argparse
import os
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from pymoo.indicators.hv import HV
from pymoo.problems import get_problem

from layers.ball import Ball
from optimize.compute.evaluator import Evaluator
from optimize.compute.pool import computing
from optimize.emulator.encoding import Encoding
from optimize.emulator.gaussian import fit
from optimize.emulator.intervals import SIGMAS_68, SIGMAS_95
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.scenario.brief import Scenario, read_scenario
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.space import Row, Space
from optimize.search.by_emulator import emulate
from optimize.search.evolution import evolve
from optimize.search.judge import Judge
from optimize.search.problem import Problem
from optimize.search.result import Run, Score
from optimize.search.run import name_run, run_search
from optimize.search.shortlist import non_dominated

SEEDS = (1, 2, 3, 4, 5)
EMULATED, DIRECT = 200, 2000
COUNTS = (50, 100, 120, 150, 200, 400, 1000, 2000)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["fronts", "error", "published"])
    parser.add_argument("scenario", nargs="?", type=Path)
    parser.add_argument("--ledger", type=Path)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--random", type=int, default=DIRECT)
    parser.add_argument("--also", action="append", default=[], help="error: of a further figure")
    parser.add_argument("--seeds", type=int, default=len(SEEDS), help="error: only the first ones")
    parser.add_argument("--problem", action="append", choices=BUDGETS)
    given = parser.parse_args()
    if given.what == "published":
        published(tuple(given.problem or BUDGETS))
        return
    scenario = read_scenario(given.scenario)
    with Ledger(given.ledger) as ledger:
        if given.what == "fronts":
            fronts(scenario, ledger, given.workers, given.random)
        else:
            error(scenario, ledger, given.workers, SEEDS[: given.seeds], given.also)


# Scenarios.


def searched(scenario: Scenario, ledger: Ledger, workers: int, seed: int, method: str) -> Run:
    builds = EMULATED if method == "emulator" else DIRECT
    changes = {"seed": seed, "method": method, "evaluations": builds}
    return run_search(scenario.model_copy(update=changes), ledger, workers)


def losses_of(scenario: Scenario, values: np.ndarray) -> np.ndarray:
    goals = enumerate(scenario.goal)
    return np.column_stack([[g.loss(float(v)) for v in values[:, j]] for j, g in goals])


def computed(
    scenario: Scenario, ledger: Ledger, workers: int, balls: list[Ball], names: tuple[str, ...]
) -> list[Known]:
    version = name_run(scenario)[1]["model"]
    with computing(workers, scenario.estimate_conditions()) as compute:
        evaluator = Evaluator(ledger, compute, model_version=version)
        return evaluator.figures([(ball, names) for ball in balls])


def blind(
    scenario: Scenario,
    ledger: Ledger,
    workers: int,
    count: int,
    seed: int,
    also: tuple[str, ...] = (),
) -> tuple[list[Row], list[dict[str, float]], np.ndarray]:
    """Draw builds blindly among those that keep the closed-form limits, and compute them."""
    space, judge = Space(scenario), Judge.of(scenario)
    rng, found = np.random.default_rng([seed, 77]), {}
    while len(found) < count:
        candidate = space.decode(space.row_of(rng.random(len(space.genes))))
        if judge.before(candidate) is None:
            found[candidate.row] = candidate
    candidates = list(found.values())
    names = (*judge.names, *also)
    known = computed(scenario, ledger, workers, [c.ball for c in candidates], names)
    outcomes = [judge.after(c, k) for c, k in zip(candidates, known, strict=True)]
    kept = np.array([type(o).__name__ == "Feasible" for o in outcomes])
    values = [{n: k.figures[n].value for n in names} for k in known]
    return [c.row for c in candidates], values, kept


def fronts(scenario: Scenario, ledger: Ledger, workers: int, random: int) -> None:
    curves: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    for seed in SEEDS:
        for method in ("emulator", "direct"):
            began = time.process_time()
            run = searched(scenario, ledger, workers, seed, method)
            losses = losses_of(scenario, run.cloud)
            curves.setdefault(method, []).append((losses, run.cloud_feasible))
            used = f"{time.process_time() - began:.0f} s of processor in this process"
            print(f"{method} seed {seed}: {run.evaluated} builds, {run.reused} reused, {used}")
        _, values, kept = blind(scenario, ledger, workers, random, seed)
        table = np.array([[v[g.figure] for g in scenario.goal] for v in values])
        curves.setdefault("random", []).append((losses_of(scenario, table), kept))
    every = np.vstack([losses[kept] for found in curves.values() for losses, kept in found])
    best = every[non_dominated(every)]
    low, unit = best.min(axis=0), np.ptp(best, axis=0)
    volume = HV(ref_point=np.full(len(low), 1.1))
    whole = volume((best - low) / unit)

    def share(losses: np.ndarray, kept: np.ndarray, count: int) -> float:
        some = losses[:count][kept[:count]]
        return volume((some - low) / unit) / whole if len(some) else 0.0

    print(f"\n{scenario.name}: hypervolume, % of that of all builds together, median of 5 seeds")
    print("builds     " + "".join(f"{count:>8}" for count in COUNTS))
    for method, found in curves.items():
        cells = [
            f"{100 * np.median([share(*one, count) for one in found]):8.2f}"
            if count <= len(found[0][0])
            else " " * 8
            for count in COUNTS
        ]
        print(f"{method:11}" + "".join(cells))
    finals = [share(*one, DIRECT) for one in curves["direct"]]
    print(f"direct at {DIRECT}, each seed: " + ", ".join(f"{100 * f:.2f}" for f in finals))
    for name, goal in (("their median", np.median(finals)), ("their best", max(finals))):
        needed = []
        for one in curves["emulator"]:
            reached = (n for n in range(1, EMULATED + 1) if share(*one, n) >= goal)
            needed.append(next(reached, None))
        print(f"builds until the emulator reaches {name}: {needed}")


def error(
    scenario: Scenario, ledger: Ledger, workers: int, seeds: tuple[int, ...], also: list[str]
) -> None:
    space = Space(scenario)
    encode = Encoding(space)
    judge = Judge.of(scenario)
    names = [*(n for n in judge.names if n not in judge.closed_names), *also]
    print(f"{scenario.name}: emulator of {EMULATED} searched builds on 100 blind ones")
    print(f"{'figure':30} seed  error %  in 68 %  in 95 %")
    for seed in seeds:
        run = searched(scenario, ledger, workers, seed, "emulator")
        x = encode([build.row for build in run.builds])
        balls = [build.ball for build in run.builds]
        found = computed(scenario, ledger, workers, balls, tuple(names))
        emulator = fit(x, {n: np.array([k.figures[n].value for k in found]) for n in names})
        seen = {build.row for build in run.builds}
        rows, values, _ = blind(scenario, ledger, workers, 130, seed + 100, tuple(also))
        kept = [i for i, row in enumerate(rows) if row not in seen][:100]
        predicted = emulator.predict(encode([rows[i] for i in kept]))
        for name in names:
            true = np.array([values[i][name] for i in kept])
            rms = np.sqrt(np.mean((predicted[name].value / true - 1.0) ** 2))
            sigmas = np.abs(predicted[name].sigmas_to(true))
            within = [100 * np.mean(sigmas <= s) for s in (SIGMAS_68, SIGMAS_95)]
            print(f"{name:30} {seed:4}  {100 * rms:7.3f}  {within[0]:7.0f}  {within[1]:7.0f}")


# Published problems, with limits and known fronts: BNH (Binh and Korn 1997), SRN (Srinivas and Deb
# 1994), TNK (Tanaka et al. 1995), OSY (Osyczka and Kundu 1995); all in Deb 2001, Multi-objective
# optimization using evolutionary algorithms, sec. 8.3. Their fronts are written out below and
# checked against the problems' own limits.

BUDGETS = {"bnh": 150, "srn": 200, "osy": 250, "tnk": 250}


class Grid:
    """A cube of continuous variables as a space of 1,001 steps each."""

    def __init__(self, variables: int) -> None:
        self.genes = [SimpleNamespace(ordered=True)] * variables
        self.sizes = np.full(variables, 1001)

    def row_of(self, x: np.ndarray) -> Row:
        steps = np.minimum((np.asarray(x) * self.sizes).astype(int), self.sizes - 1)
        return tuple(int(step) for step in steps)

    def point_of(self, row: Row) -> np.ndarray:
        return (np.array(row) + 0.5) / self.sizes

    def snap(self, x: np.ndarray) -> np.ndarray:
        return np.array([self.point_of(self.row_of(p)) for p in x]).reshape(np.shape(x))


def front_of(name: str) -> np.ndarray:
    """Return goal values of the known front, densely, (n, 2)."""
    t, n = np.linspace(0.0, 1.0, 4001), np.zeros(4001)
    if name == "bnh":
        parts = [(3 * t, 3 * t), (3 + 2 * t, n + 3)]
    elif name == "srn":  # the line of Deb 2001, and what the two limits leave beyond its ends
        left, right = -2.5 - 2.5 * t, -2.5 + 3.6 * t
        parts = [
            (n - 2.5, 2.5 + t * (np.sqrt(225.0 - 6.25) - 2.5)),
            (right, (right + 10.0) / 3.0),
            (left, np.sqrt(225.0 - left**2)),
        ]
    elif name == "tnk":
        angle = np.linspace(0.0, np.pi / 2, 20001)
        radius = np.sqrt(1.0 + 0.1 * np.cos(16.0 * angle))
        parts = [(radius * np.sin(angle), radius * np.cos(angle))]
    else:
        slope = 4.056 + 0.944 * t
        parts = [
            (n + 5, n + 1, 1 + 4 * t, n, n + 5, n),
            (n + 5, n + 1, 1 + 4 * t, n, n + 1, n),
            (slope, (slope - 2) / 3, n + 1, n, n + 1, n),
            (n, n + 2, 1 + 2.732 * t, n, n + 1, n),
            (t, 2 - t, n + 1, n, n + 1, n),
        ]
    x = np.vstack([np.column_stack(part) for part in parts])
    out = get_problem(name).evaluate(x, return_as_dictionary=True)
    goals = out["F"][np.all(out["G"] <= 1e-3, axis=1)]
    return goals[non_dominated(goals)]


def solve(name: str, method: str, budget: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return goal values in the order of computing, and which keep the limits."""
    problem, grid = get_problem(name), Grid(get_problem(name).n_var)
    # The problems' figures are none of a ball's: built without that check.
    goals = tuple(
        Goal.model_construct(figure=f"f{i}", aim="minimize") for i in range(problem.n_obj)
    )
    bounds = tuple(Bound(f"g{i}", "at most", 0.0, 0.0, "") for i in range(problem.n_ieq_constr))

    def encode(rows: list[Row]) -> np.ndarray:
        return np.array(rows) / (grid.sizes - 1)

    if method == "emulator":
        of = Problem(grid, encode, lambda row: True, goals, bounds)
        proposer = emulate(of, budget, 8, seed)
    else:
        proposer = evolve(grid, problem.n_obj, 40, seed)
    losses, kept = [], []
    asks = next(proposer)
    while True:
        x = problem.xl + encode([ask.row for ask in asks]) * (problem.xu - problem.xl)
        out = problem.evaluate(x, return_as_dictionary=True)
        told = []
        for f, g in zip(out["F"], out["G"], strict=True):
            figures = {f"f{i}": float(v) for i, v in enumerate(f)}
            figures |= {f"g{i}": float(v) for i, v in enumerate(g)}
            over = float(np.maximum(g, 0.0).sum())
            told.append(Score(None if over else tuple(f), over / (1.0 + over), figures))
            losses.append(f)
            kept.append(over == 0.0)
        if len(losses) >= budget:
            return np.array(losses)[:budget], np.array(kept)[:budget]
        asks = proposer.send(told)


def published(names: tuple[str, ...]) -> None:
    print("hypervolume, % of the true front's; median of 5 seeds (least, most)")
    print("problem  builds  emulator               evolution alone        until evolution has 99 %")
    for name in names:
        budget = BUDGETS[name]
        true = front_of(name)
        low, unit = true.min(axis=0), np.ptp(true, axis=0)
        volume = HV(ref_point=np.full(2, 1.1))
        whole = volume((true - low) / unit)

        def share(found, count, low=low, unit=unit, volume=volume, whole=whole) -> float:
            losses, kept = found
            some = losses[:count][kept[:count]]
            return 100.0 * volume((some - low) / unit) / whole if len(some) else 0.0

        cells = []
        for method in ("emulator", "direct"):
            shares = [share(solve(name, method, budget, seed), budget) for seed in SEEDS]
            words = f"{np.median(shares):.2f} ({min(shares):.2f}, {max(shares):.2f})"
            cells.append(f"{words:23}")
        long = [solve(name, "direct", 20_000, seed) for seed in SEEDS]
        steps = range(200, 20_001, 200)
        needed = [next((n for n in steps if share(one, n) >= 99.0), None) for one in long]
        print(f"{name:8} {budget:6}  {cells[0]}{cells[1]}{needed}", flush=True)


if __name__ == "__main__":
    main()
