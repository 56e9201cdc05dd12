"""Single steps of the search by emulator, without a fit: what it starts from, learns and proposes.

Whole searches are in test_by_emulator.py.
"""

from collections import deque
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import qmc

from optimize.emulator.gaussian import Prediction
from optimize.ledger.rows import Predicted
from optimize.scenario.goals import Goal
from optimize.search import by_emulator
from optimize.search.by_emulator import _Data
from optimize.search.evolution import Ask
from optimize.search.problem import Problem
from optimize.search.result import Score

GOALS = (Goal(figure="mass_g", aim="minimize"), Goal(figure="cor", aim="maximize"))


class Grid:
    """Ordered choices, of which the last gene's are idle where the first is 0."""

    def __init__(self, *sizes: int) -> None:
        self.sizes = np.array(sizes)
        self.genes = (SimpleNamespace(ordered=True),) * len(sizes)
        self.drawn = 0

    def row_of(self, x):
        self.drawn += 1
        row = tuple(int(i) for i in np.minimum(x * self.sizes, self.sizes - 1))
        return row if row[0] else (*row[:-1], 0)

    def point_of(self, row):
        return (np.array(row) + 0.5) / self.sizes


def problem(*sizes: int, admissible=lambda row: True) -> Problem:
    space, encode = Grid(*sizes), lambda rows: np.array(rows, float)
    return Problem(space, encode, admissible, GOALS, ())  # type: ignore[arg-type]


def told(losses, **figures) -> Score:
    return Score(losses, 0.0 if losses else 1.0, figures)


def data(*builds: tuple[int, float, float, bool]) -> _Data:
    """Return computed builds: row, mass, COR, feasible."""
    found = _Data()
    rows = [(row,) for row, *_ in builds]
    found.tell(rows, [told((m, -c) if ok else None, mass_g=m, cor=c) for _, m, c, ok in builds])
    return found


# What is learnt.


def test_failed_builds_and_those_that_were_not_computed_teach_nothing():
    found = _Data()
    scores = [
        told((1.0, -2.0), mass_g=1.0, cor=2.0),
        None,
        Score(None, 1.0),
        told(None, mass_g=3.0),
    ]
    found.tell([(0,), (1,), (2,), (3,)], scores)
    assert found.rows == [(0,), (3,)]
    assert found.feasible == [True, False]
    np.testing.assert_array_equal(found.values(["mass_g"])["mass_g"], [1.0, 3.0])


def test_the_front_is_that_of_feasible_builds_in_the_order_of_the_first_goal():
    known = data(
        (5, 0.1, 9.0, False),  # the best of all, but not feasible
        (6, 3.0, 3.0, True),
        (7, 4.0, 2.0, True),  # dominated
        (8, 1.0, 1.0, True),
        (9, 2.0, 2.0, True),
    )
    losses, rows = known.front(GOALS)
    np.testing.assert_array_equal(losses, [(1.0, -1.0), (2.0, -2.0), (3.0, -3.0)])
    assert rows == [(8,), (9,), (6,)]
    losses, rows = data((5, 0.1, 9.0, False)).front(GOALS)
    assert losses.shape == (0, 2)
    assert rows == []


@pytest.mark.parametrize("builds", [5, 1999, 2000])
def test_the_emulator_is_fitted_to_all_of_two_thousand_builds(builds):
    np.testing.assert_array_equal(by_emulator._training_builds(builds), np.arange(builds))


def test_of_more_builds_to_the_latest_thousand_and_as_many_spread_over_all():
    just = by_emulator._training_builds(2001)
    np.testing.assert_array_equal(just[-1000:], np.arange(1001, 2001))
    assert len(just) < 2001
    many = by_emulator._training_builds(9991)
    np.testing.assert_array_equal(many[-1000:], np.arange(8991, 9991))
    np.testing.assert_array_equal(many[:900], np.arange(0, 9000, 10))
    assert len(many) == 1900


def test_errors_of_the_last_batches_predictions_join_the_next_fit(monkeypatch):
    fits = []
    monkeypatch.setattr(by_emulator, "fit", lambda *asked: fits.append(asked) or "fitted")
    monkeypatch.setattr(by_emulator, "_training_builds", lambda builds: np.arange(1, builds))
    checked = []

    class Emulator:
        def standardised_errors(self, x, values):
            checked.append((x, values))
            return {name: figure * 10.0 for name, figure in values.items()}

    known, recent = data(*[(k, float(k), 1.0, True) for k in range(6)]), deque(maxlen=4)
    of, emulator = problem(9), Emulator()
    assert by_emulator._refit(of, known, 4, None, recent) == "fitted"  # nothing was predicted
    x, values, start, errors = fits[0]
    np.testing.assert_array_equal(x, np.arange(1.0, 6.0)[:, None])
    np.testing.assert_array_equal(values["mass_g"], np.arange(1.0, 6.0))
    assert (start, errors, list(recent)) == (None, {}, [])
    by_emulator._refit(of, known, 6, emulator, recent)  # nothing is new
    assert (checked, list(recent)) == ([], [])
    by_emulator._refit(of, known, 5, emulator, recent)
    by_emulator._refit(of, known, 4, emulator, recent)
    np.testing.assert_array_equal(checked[0][0], [(5.0,)])
    np.testing.assert_array_equal(checked[1][1]["mass_g"], [4.0, 5.0])
    assert fits[3][2] is emulator
    np.testing.assert_array_equal(fits[3][3]["mass_g"], [50.0, 40.0, 50.0])


# What is proposed.


def test_all_builds_of_a_small_space_once():
    assert list(by_emulator._all_rows(Grid(2, 3))) == [(0, 0), (1, 0), (1, 1), (1, 2)]
    assert by_emulator._count(Grid(2, 3, 4)) == 24


@pytest.mark.parametrize(("sizes", "evolved"), [((40, 50), False), ((3, 667), True)])
def test_spaces_of_two_thousand_builds_are_looked_through(monkeypatch, sizes, evolved):
    monkeypatch.setattr(by_emulator, "evolve", lambda *_: iter([[]]))
    monkeypatch.setattr(by_emulator, "_INNER_GENERATIONS", 0)
    of, known = problem(*sizes, admissible=lambda row: row[1] != 3), _Data(asked={(1, 1)})
    found = by_emulator._candidates(of, known, None, [], 1)
    left = {row for row in by_emulator._all_rows(of.space) if row[1] != 3 and row != (1, 1)}
    assert len(found) == len(set(found))
    assert set(found) == (set() if evolved else left)


@pytest.mark.parametrize("generations", [25, 3])
def test_others_by_twenty_generations_of_an_evolution_over_the_emulator(monkeypatch, generations):
    """Half of its first generation lies evenly on the front; it may end before."""
    started, scored = [], []

    def evolve(space, goals, population, seed, start):
        started.append((goals, population, seed, start))
        for k in range(generations):
            answers = yield [Ask((k, 1)), Ask((k, 2)), Ask((k, 3))]
            assert answers == ["scores"]

    def scores(problem, emulator, rows):
        scored.append(rows)
        return ["scores"]

    monkeypatch.setattr(by_emulator, "evolve", evolve)
    monkeypatch.setattr(by_emulator, "_predicted_scores", scores)
    of = problem(50, 50, admissible=lambda row: row[1] != 3)
    best = [(k, 0) for k in range(200)]
    found = by_emulator._candidates(of, _Data(asked={(1, 1)}), "emulator", best, 77)
    assert scored == [[(k, 1), (k, 2), (k, 3)] for k in range(min(20, generations))]
    assert found == [row for some in scored for row in some[:2] if row != (1, 1)]
    ((goals, population, seed, start),) = started
    assert (goals, population, seed, len(start)) == (2, 160, 77, 80)
    assert (start[0], start[-1]) == (best[0], best[-1])
    assert set(np.diff([row[0] for row in start])) == {2, 3}
    by_emulator._candidates(of, _Data(), "emulator", best[:3], 77)
    by_emulator._candidates(of, _Data(), "emulator", [], 77)
    assert [start for *_, start in started[1:]] == [best[:3], []]


def test_a_build_ranks_as_infeasible_below_a_chance_of_a_quarter():
    predicted = SimpleNamespace(
        losses=np.arange(8.0).reshape(4, 2), feasibility=np.array([0.25, 0.2499, 1.0, 0.0])
    )
    of = SimpleNamespace(predict=lambda *_: predicted, admissible=lambda row: row != (2,))
    scores = by_emulator._predicted_scores(of, None, [(0,), (1,), (2,), (3,)])  # type: ignore[arg-type]
    assert [score.losses for score in scores] == [(0.0, 1.0), None, None, None]
    assert [score.violation for score in scores] == pytest.approx([0.0, 0.7501, 2.0, 1.0])


def test_a_batch_is_chosen_among_builds_not_proposed_yet(monkeypatch):
    asked = []

    def choose_batch(problem, emulator, allowed, candidates, front, count, seed):
        asked.append((candidates, len(front), count, seed))
        assert [allowed((k,)) for k in (1, 2, 3)] == [False, False, True]  # proposed, ruled out
        figures = {"mass_g": Prediction(np.array([5.0]), np.array([0.5]), True)}
        return [SimpleNamespace(row=(4,), predicted=SimpleNamespace(predictions=figures))]

    monkeypatch.setattr(by_emulator, "choose_batch", choose_batch)
    of, known = problem(7, admissible=lambda row: row != (2,)), data((1, 1.0, 1.0, True))
    known.asked.add((1,))
    found = by_emulator._batch(of, known, None, 3, 8)
    assert found == [Ask((4,), {"mass_g": Predicted(5.0, 0.5, True)})]
    assert asked == [([(0,), (3,), (4,), (5,), (6,)], 1, 3, 8)]
    assert known.asked == {(1,), (4,)}
    known.asked.update((k,) for k in range(7))
    assert by_emulator._batch(of, known, None, 3, 8) == []


def test_predictions_go_with_what_is_asked_where_there_are_any():
    figures = {"mass_g": Prediction(np.array([5.0, 6.0]), np.array([0.5, 0.6]), False)}
    of = SimpleNamespace(predict=lambda *_: SimpleNamespace(predictions=figures))
    rows = [(1,), (2,)]
    plain = by_emulator._with_predictions(of, rows, None)  # type: ignore[arg-type]
    assert plain == [Ask((1,)), Ask((2,))]
    assert by_emulator._with_predictions(None, [], "one") == []  # type: ignore[arg-type]
    found = by_emulator._with_predictions(of, rows, "one")  # type: ignore[arg-type]
    assert found == [
        Ask((1,), {"mass_g": Predicted(5.0, 0.5, False)}),
        Ask((2,), {"mass_g": Predicted(6.0, 0.6, False)}),
    ]


# The start.


def test_builds_spread_over_the_space_come_once_those_that_keep_closed_limits_first():
    of = problem(4, 5, admissible=lambda row: row[1] != 2)
    known = _Data(asked={(3, 3)})
    found = list(by_emulator._space_filling(of, known, 1))
    everything = [row for row in by_emulator._all_rows(of.space) if row != (3, 3)]
    assert sorted(found) == sorted(everything)
    assert all(row[1] != 2 for row in found[: len(found) - 3])
    assert known.asked == {*everything, (3, 3)}


def test_a_large_space_is_given_up_after_two_hundred_builds_that_closed_limits_rule_out():
    of = problem(1000, 1000, admissible=lambda row: False)
    known = _Data()
    found = list(by_emulator._space_filling(of, known, 1))
    assert of.space.drawn == 200
    assert len(set(found)) == len(found) == 200
    assert known.asked == set(found)


def test_a_space_of_two_thousand_builds_is_proposed_to_its_end():
    """Also where closed limits rule all out; of one more, what was drawn."""
    for sizes, whole in (((40, 50), True), ((3, 667), False)):
        of = problem(*sizes, admissible=lambda row: False)
        found = list(by_emulator._space_filling(of, _Data(), 1))
        assert len(set(found)) == len(found)
        assert (set(found) == set(by_emulator._all_rows(of.space))) == whole


def test_a_build_that_closed_limits_leave_starts_the_count_anew():
    of = problem(1000, 1000, admissible=lambda row: of.space.drawn == 150)
    fresh = by_emulator._space_filling(of, _Data(), 1)
    next(fresh)
    assert of.space.drawn == 150
    next(fresh)
    assert of.space.drawn == 350


def test_the_start_is_spread_evenly():
    """Sobol's first 64 points: one in each of 64 equal cells of either way, eight by eight."""
    of = problem(8, 8)
    of.space.row_of = lambda x: tuple(int(i) for i in x * 8)
    fresh = by_emulator._space_filling(of, _Data(), 1)
    first = [next(fresh) for _ in range(64)]
    assert len(set(first)) == 64
    stream = np.random.default_rng([1, 3])  # 1, 2 and 4 are those of other steps of a search
    assert first[0] == of.space.row_of(qmc.Sobol(2, rng=stream).random(1)[0])
    again = by_emulator._space_filling(of, _Data(), 1)
    other = by_emulator._space_filling(of, _Data(), 2)
    assert [next(again) for _ in range(64)] == first != [next(other) for _ in range(64)]


@pytest.fixture
def steps(monkeypatch):
    """Leave fits and batches out, and record when they are asked for."""
    asked = SimpleNamespace(fits=[], batches=[], found=[])

    def refit(problem, data, before, emulator, recent_errors):
        asked.fits.append((len(data.rows), before, emulator, recent_errors.maxlen))
        return len(asked.fits)

    def batch(problem, data, emulator, count, seed):
        asked.batches.append((emulator, count, seed))
        return list(asked.found)

    monkeypatch.setattr(by_emulator, "_refit", refit)
    monkeypatch.setattr(by_emulator, "_batch", batch)
    monkeypatch.setattr(
        by_emulator,
        "_with_predictions",
        lambda _, rows, emulator: [Ask(row, {"by": emulator}) for row in rows],
    )
    return asked


KNOWN = told((1.0, 1.0), mass_g=1.0, cor=1.0)


@pytest.mark.parametrize(
    ("budget", "batch", "start", "count"),
    [
        (400, 2, 0, 9),  # three for each of three coordinates
        (18, 2, 0, 9),
        (17, 2, 0, 8),  # at most half of the budget
        (400, 10, 0, 10),  # but a batch at least
        (400, 2, 4, 9),
        (400, 2, 11, 11),
    ],
)
def test_the_start_is_three_builds_a_coordinate_those_given_first(
    steps, budget, batch, start, count
):
    of, given = problem(20, 20, 20), [(k, k, 1) for k in range(1, start + 1)]
    proposer = by_emulator.emulate(of, budget, batch, 1, given)
    asks = next(proposer)
    assert len({ask.row for ask in asks}) == len(asks) == count
    assert [ask.row for ask in asks[:start]] == given
    assert all(not ask.predictions for ask in asks)


def test_without_a_choice_there_is_one_build(steps):
    proposer = by_emulator.emulate(problem(), 100, 4, 1)
    assert next(proposer) == [Ask(())]
    with pytest.raises(StopIteration):
        proposer.send([KNOWN])


def test_the_emulator_is_fitted_from_five_builds_on_and_batches_have_seeds_of_their_own(steps):
    proposer = by_emulator.emulate(problem(20, 20), 400, 2, 7_000_000)
    asks = next(proposer)
    asks = proposer.send([KNOWN] * 4 + [None] * (len(asks) - 4))
    assert (steps.fits, len(asks)) == ([], 2)
    assert [ask.predictions for ask in asks] == [{"by": None}] * 2
    for _ in range(5):
        asks = proposer.send([KNOWN, None])
    assert [ask.predictions for ask in asks] == [{"by": 5}] * 2
    assert steps.fits == [(5 + k, 4 + k, k or None, 4) for k in range(5)]
    seed = 7_000_000 * 1009 - 2**32  # the largest seed that fits 32 bits is passed
    assert steps.batches == [
        (1, 2, seed + 1), (2, 2, seed + 2), (3, 2, seed + 3), (4, 1, seed + 4), (5, 2, seed + 5)
    ]  # fmt: skip


def test_builds_spread_over_the_space_fill_what_a_batch_leaves(steps):
    proposer = by_emulator.emulate(problem(20, 20), 400, 5, 1)
    next(proposer)
    for found in ([], [Ask((19, 1))], [Ask((19, k)) for k in range(5)]):
        steps.found = found
        asks = proposer.send([KNOWN] * (6 if not found else 5))
        assert asks[: len(found)] == found
        assert len(asks) == 5
        assert all(ask.predictions for ask in asks[len(found) :])


def test_a_search_ends_when_nothing_is_left_to_propose(steps):
    proposer = by_emulator.emulate(problem(2, 4), 100, 4, 1)  # of five builds
    assert len(next(proposer)) == 5
    with pytest.raises(StopIteration):
        proposer.send([KNOWN] * 5)
