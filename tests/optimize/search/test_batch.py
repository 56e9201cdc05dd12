"""Which builds make a batch: the best of the space, and none twice."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from pymoo.indicators.hv import HV

from optimize.emulator.gaussian import Emulator, fit
from optimize.scenario.goals import Bound, Goal
from optimize.search import batch
from optimize.search.batch import choose_batch
from optimize.search.problem import Problem

STEPS = 201
GOALS = (Goal(figure="mass_g", aim="minimize"), Goal(figure="cor", aim="minimize"))


class Square:
    """Two ordered variables of so many steps."""

    genes = (SimpleNamespace(ordered=True),) * 2
    sizes = np.full(2, STEPS)

    def row_of(self, x: np.ndarray) -> tuple[int, ...]:
        return tuple(int(i) for i in np.minimum(np.asarray(x) * STEPS, STEPS - 1))

    def point_of(self, row: tuple[int, ...]) -> np.ndarray:
        return (np.array(row) + 0.5) / STEPS


def figures(x: np.ndarray) -> dict[str, np.ndarray]:
    """Squared distances from two points of the square: best along the line between them."""
    ends = np.array([[0.2, 0.5], [0.8, 0.5]])
    mass, cor = (np.sum((x - end) ** 2, axis=1) + 1.0 for end in ends)
    return {"mass_g": mass, "cor": cor, "moi_ratio": x[:, 0]}


def problem(*bounds: Bound) -> Problem:
    return Problem(
        Square(),  # type: ignore[arg-type]
        lambda rows: (np.array(rows) + 0.5) / STEPS,
        lambda row: True,
        GOALS,
        bounds,
    )


@pytest.fixture(scope="module")
def emulator() -> Emulator:
    x = np.random.default_rng(1).random((30, 2))
    return fit(x, figures(x))


def losses(rows: list[tuple[int, ...]]) -> np.ndarray:
    found = figures((np.array(rows) + 0.5) / STEPS)
    return np.column_stack([found["mass_g"], found["cor"]])


CANDIDATES = [(40, 110), (60, 92), (100, 108), (130, 90), (160, 112)]
FRONT = losses([(20, 100), (180, 100)])


def chosen(of: Problem, emulator: Emulator, count: int, front=FRONT, seed=3, allowed=None):
    allowed = allowed or (lambda row: True)
    return choose_batch(of, emulator, allowed, CANDIDATES, front, count, seed)


def test_a_batch_lies_on_the_front_that_no_candidate_reached(emulator):
    rows = [choice.row for choice in chosen(problem(), emulator, 5)]
    assert len(set(rows)) == 5
    assert max(abs(row[1] - 100) for row in rows) <= 1
    assert min(abs(row[1] - 100) for row in CANDIDATES) >= 8


def test_a_batch_is_spread_along_the_front(emulator):
    """It gains nearly what five builds evenly spread along the front gain; one spot gains less."""
    volume = HV(ref_point=np.array([1.5, 1.5]))
    rows = [choice.row for choice in chosen(problem(), emulator, 5)]
    even = [(int(i), 100) for i in np.linspace(40, 160, 7)[1:-1]]
    one_spot = [(100 + i, 100) for i in range(-2, 3)]
    gains = [
        volume(np.vstack([FRONT, losses(some)])) - volume(FRONT) for some in (rows, even, one_spot)
    ]
    assert gains[0] > 0.95 * gains[1] > gains[2]


def test_a_batch_keeps_the_limits_and_what_is_not_allowed_out(emulator):
    limited = problem(Bound("moi_ratio", "at least", 0.5, 0.0, ""))
    found = chosen(limited, emulator, 3, allowed=lambda row: row[0] % 2 == 1)
    assert all(choice.row[0] >= 100 for choice in found)
    assert all(choice.row[0] % 2 == 1 for choice in found if choice.row not in CANDIDATES)


def test_equal_seeds_choose_equal_batches(emulator):
    first, again = (chosen(problem(), emulator, 4) for _ in range(2))
    assert [c.row for c in first] == [c.row for c in again]


def test_builds_without_promise_are_not_chosen(emulator):
    assert chosen(problem(), emulator, 2, front=np.array([[0.5, 0.5]])) == []


def test_each_build_is_chosen_as_if_the_earlier_ones_were_computed(monkeypatch):
    """The emulator is told drawn figures; only those that keep the limits join the front."""
    x = np.random.default_rng(1).random((30, 2))
    unsure = fit(x, figures(x) | {"moi_ratio": np.random.default_rng(2).random(30)})
    told, fronts = [], []
    real_assuming, real_cells = Emulator.assuming, batch.cells_between

    def assuming(self, coordinates, values):
        told.append((coordinates, values))
        return real_assuming(self, coordinates, values)

    def cells_between(front, box):
        fronts.append(front)
        return real_cells(front, box)

    monkeypatch.setattr(Emulator, "assuming", assuming)
    monkeypatch.setattr(batch, "cells_between", cells_between)
    limited = problem(Bound("moi_ratio", "at least", 0.5, 0.0, ""))
    found = chosen(limited, unsure, 8)
    assert len(found) == len(told) == len(fronts) == 8
    np.testing.assert_array_equal([c for c, _ in told], limited.encode([c.row for c in found]))
    kept = [values for _, values in told[:-1] if values["moi_ratio"] >= 0.5]
    assert 0 < len(kept) < 7
    grown = [len(after) - len(before) for before, after in pairwise(fronts)]
    assert grown == [int(values["moi_ratio"] >= 0.5) for _, values in told[:-1]]
    np.testing.assert_allclose(
        fronts[-1][len(FRONT) :], [(values["mass_g"], values["cor"]) for values in kept]
    )
    drawn = np.array([values["moi_ratio"] for _, values in told])
    medians = np.array([c.predicted.predictions["moi_ratio"].value[0] for c in found])
    assert np.std(drawn - medians) > 0.1  # drawn, not the median of each
