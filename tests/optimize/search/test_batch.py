"""Which builds make a batch: the best of the space, and none twice."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from pymoo.indicators.hv import HV

from optimize.emulator.gaussian import Emulator, Prediction, fit
from optimize.scenario.goals import Bound, Goal
from optimize.search import batch
from optimize.search.batch import Choice, choose_batch
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


# Single steps, by predictions that are given.


class Given:
    """What is said of rows: a worth each, and the chance to meet the limits."""

    def __init__(self, worth, chance=None, losses=None):
        self._worth = np.array(worth, float)
        self.feasibility = np.ones(len(worth)) if chance is None else np.array(chance)
        self.losses = np.zeros((len(worth), 2)) if losses is None else np.array(losses)
        zero = np.zeros(len(worth))
        self.predictions = {n: Prediction(zero, zero + 1.0, False) for n in ("mass_g", "cor")}

    def worth(self, cells):
        return self._worth

    def at(self, places):
        return Given(self._worth[places])


def given(predict):
    """Return a problem whose predictions are given, and count the rows that are asked for."""
    asked = []

    def counted(emulator, rows):
        asked.append(len(rows))
        return predict(rows)

    space = SimpleNamespace(genes=(), sizes=())
    return asked, SimpleNamespace(
        space=space, predict=counted, encode=lambda rows: np.array(rows), goals=GOALS, bounds=()
    )


class Told:
    def assuming(self, x, values):
        return self


@pytest.fixture
def started(monkeypatch):
    """Leave the local search out, and record what it starts from and its random numbers."""
    calls = []

    def climbed(problem, emulator, allowed, first, cells, rng):
        calls.append((first, rng))
        return first

    monkeypatch.setattr(batch, "_climbed", climbed)
    return calls


NONE = np.zeros((0, 2))


def test_a_batch_ends_with_the_candidates_its_places_or_its_promise(started):
    for worths, count, rows in (
        ([0.3, 0.9, 0.5], 2, [(1,), (2,)]),
        ([0.3, 0.9, 0.5], 5, [(1,), (2,), (0,)]),
        ([0.0, 0.2, -1.0], 5, [(1,)]),
        ([0.0], 1, []),
        ([-0.1], 1, []),
        ([0.3], 0, []),
    ):
        _, problem = given(lambda some, worths=worths: Given([worths[r[0]] for r in some]))
        candidates = [(i,) for i in range(len(worths))]
        found = choose_batch(problem, Told(), lambda row: True, candidates, NONE, count, 7)
        assert [choice.row for choice in found] == rows
    assert started[0][0].predicted.worth(None) == [0.9]


def test_the_four_hundred_best_candidates_are_ranked_again(started):
    asked, problem = given(lambda rows: Given([float(row[0]) for row in rows]))
    candidates = [(i,) for i in range(1, 501)]
    found = choose_batch(problem, Told(), lambda row: True, candidates, NONE, 3, 7)
    assert [choice.row for choice in found] == [(500,), (499,), (498,)]
    assert asked == [500, 399, 398, 397]  # those taken are left out


def test_a_batch_has_its_own_stream_of_the_seeds_random_numbers(started):
    _, problem = given(lambda rows: Given([1.0] * len(rows)))
    choose_batch(problem, Told(), lambda row: True, [(1,)], NONE, 1, 7)
    later = np.random.default_rng([7, 4])  # streams 1 to 3 are those of other steps of a search
    later.standard_normal(2)  # the figures of the first build were drawn since
    assert started[0][1].random() == later.random()


def test_the_box_holds_the_front_and_what_may_well_meet_the_limits(started, monkeypatch):
    held = []
    monkeypatch.setattr(batch, "box_around", lambda losses: held.append(losses) or (0, 1))
    monkeypatch.setattr(batch, "cells_between", lambda front, box: None)
    losses = [(1.0, 2.0), (3.0, 4.0), (5.0, 6.0)]
    for chance, front, wanted in (
        ([0.25, 0.2499, 1.0], FRONT, [*FRONT, losses[0], losses[2]]),
        ([0.2, 0.1, 0.0], FRONT, FRONT),
        ([0.2, 0.1, 0.0], NONE, losses),
        ([0.2, 0.3, 0.0], NONE, losses[1:2]),
    ):
        _, problem = given(lambda rows, chance=chance: Given([1.0] * 3, chance, losses))
        choose_batch(problem, Told(), lambda row: True, [(0,), (1,), (2,)], front, 0, 7)
        np.testing.assert_array_equal(held[-1], wanted)


def test_a_local_search_moves_to_the_best_that_is_allowed_in_ever_smaller_steps(monkeypatch):
    """Along a line to its top at 7, three steps at most at a time; 3 is not allowed."""
    steps, places = [], []

    def moves(space, row, step, rng):
        steps.append(step)
        places.append(row[0])
        return [(row[0] + k,) for k in (1, 2, 3, -1, 1)]

    monkeypatch.setattr(batch, "_moves", moves)
    asked, problem = given(lambda rows: Given([-float(abs(row[0] - 7)) for row in rows]))
    first = Choice((0,), Given([-7.0]))
    found = batch._climbed(problem, None, lambda row: row != (3,), first, None, None)
    assert places == [0, 2, 5, *[7] * 7]
    assert (found.row, found.predicted.worth(None)) == ((7,), [0.0])
    np.testing.assert_allclose(steps, 0.1 * 0.5 ** np.arange(10.0))
    assert asked == [4] * 10  # each row once
    # What is only as good is no reason to move.
    _, level = given(lambda rows: Given([1.0] * len(rows)))
    assert batch._climbed(
        level, None, lambda row: True, Choice((0,), Given([1.0])), None, None
    ).row == (0,)


def line(*sizes: int, ordered: tuple[bool, ...]):
    """Return a space whose rows are its points, so that moves show."""
    return SimpleNamespace(
        genes=tuple(SimpleNamespace(ordered=one) for one in ordered),
        sizes=np.array(sizes),
        row_of=tuple,
        point_of=np.array,
    )


def test_analytic_moves_are_normal_or_drawn_and_move_half_or_one_of_the_variables(monkeypatch):
    """A step of the second is at least 0.6 of one of three; the last is drawn."""
    rng, row = np.random.default_rng(1), (0.5, 0.45, 0.5)
    space = line(1000, 3, 5, ordered=(True, True, False))
    assert len(batch._moves(space, row, 0.05, rng)) == 40
    monkeypatch.setattr(batch, "_MOVES", 20_000)
    found = np.array(batch._moves(space, row, 0.05, rng))
    moved = found != row
    np.testing.assert_allclose(moved.mean(axis=0), [0.5, 0.5, 1.0 / 3.0], atol=0.015)
    assert np.mean(moved[:, 0] & moved[:, 1]) == pytest.approx(0.25, abs=0.015)
    first, second, drawn = (found[moved[:, j], j] for j in range(3))
    assert (first.mean(), first.std()) == pytest.approx((0.5, 0.05), rel=0.03)
    assert np.median(np.abs(second - 0.45)) == pytest.approx(0.6745 * 0.2, rel=0.04)
    assert (drawn.mean(), drawn.std()) == pytest.approx((0.5, 1.0 / np.sqrt(12.0)), rel=0.03)
    assert drawn.min() < 0.01
    assert drawn.max() > 0.99


def test_moves_stay_in_the_space():
    space = line(100, 100, ordered=(True, True))
    found = np.array(batch._moves(space, (0.01, 0.99), 0.5, np.random.default_rng(1)))
    assert (found[:, 0].min(), found[:, 1].max()) == (0.0, pytest.approx(1.0))
    assert found.min() >= 0.0
    assert found.max() < 1.0
