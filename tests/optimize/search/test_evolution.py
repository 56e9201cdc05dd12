"""The seam to the search library, operator by operator: with random numbers that are known.

Kinds: structure, properties.
"""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from pymoo.core.problem import Problem
from pymoo.operators.crossover.sbx import SBX
from pymoo.operators.mutation.pm import PM

from optimize.scenario.space import Space
from optimize.search import evolution
from optimize.search.evolution import (
    _answered,
    _Crossover,
    _latin_hypercube,
    _Mutation,
    _ToCells,
    _unseen,
    evolve,
)
from optimize.search.result import Score
from tests.helpers.briefs import four_layers, two_layers

SPACE = Space(four_layers())
ORDERED = np.array([gene.ordered for gene in SPACE.genes])


def problem(d: int) -> Problem:
    return Problem(n_var=d, n_obj=1, xl=np.zeros(d), xu=np.ones(d))


def test_a_latin_hypercube_has_one_point_in_every_part_of_every_coordinate():
    rng = np.random.default_rng(7)
    points = _latin_hypercube(9, 4, rng)
    assert points.shape == (9, 4)
    for column in points.T:
        assert sorted((column * 9).astype(int)) == list(range(9))
    within = points * 9 % 1.0
    assert 0.2 < within.mean() < 0.8
    assert within.std() > 0.1  # anywhere in its part


def test_values_with_an_order_are_blended_and_others_exchanged():
    ordered = np.array([True, False, True, False])
    parents = np.random.default_rng(1).random((2, 40, 4))
    children = _Crossover(ordered)._do(problem(4), parents, random_state=np.random.default_rng(2))
    blended = SBX(eta=10)._do(problem(4), parents, random_state=np.random.default_rng(2))
    assert np.array_equal(children[..., ordered], blended[..., ordered])
    assert not np.array_equal(children[..., ordered], parents[..., ordered])
    own, other = children[..., ~ordered], parents[..., ~ordered]
    kept, swapped = own == other, own == other[::-1]
    assert np.all(kept | swapped)
    assert np.array_equal(swapped[0], swapped[1])  # both children or neither
    assert 0.3 < swapped.mean() < 0.7


def test_values_with_an_order_are_shifted_and_others_drawn_anew():
    ordered = np.array([True, False, True, False])
    x = np.random.default_rng(1).random((400, 4))
    shifted = _Mutation(ordered)._do(problem(4), x, random_state=np.random.default_rng(2))
    by_library = PM(eta=10)._do(problem(4), x, random_state=np.random.default_rng(2))
    assert np.array_equal(shifted[:, ordered], by_library[:, ordered])
    assert not np.array_equal(shifted[:, ordered], x[:, ordered])
    changed = shifted[:, ~ordered] != x[:, ~ordered]
    assert 0.2 < changed.mean() < 0.3  # one of four
    assert shifted[:, ~ordered][changed].std() == pytest.approx(np.sqrt(1 / 12), rel=0.15)


def test_points_are_moved_to_the_middle_of_their_cells():
    x = np.random.default_rng(1).random((5, len(ORDERED)))
    assert np.array_equal(_ToCells(SPACE)._do(problem(len(ORDERED)), x), SPACE.snap(x))


# A build that was proposed before.


def test_an_unseen_build_is_taken_as_it_is():
    row = SPACE.row_of(np.full(len(ORDERED), 0.4))
    assert _unseen(SPACE, row, {(0,)}, None) == row


def test_beside_a_seen_build_one_value_is_changed_by_one_step():
    space, steps = Space(two_layers()), []
    for seed in range(40):
        near = _unseen(space, (0, 5), {(0, 5)}, np.random.default_rng(seed))
        apart = zip(near, (0, 5), space.sizes.tolist(), strict=True)
        steps.append(sorted(min((a - b) % n, (b - a) % n) for a, b, n in apart))
    # A change by nothing is drawn a third of the time; after four of them the reach grows.
    assert sum(step == [0, 1] for step in steps) >= 36
    assert all(low == 0 and 0 < high <= 3 for low, high in steps)
    assert len({_unseen(space, (0, 5), {(0, 5)}, np.random.default_rng(s)) for s in range(40)}) >= 4


class Recorder:
    """A generator that changes nothing and notes what it was asked."""

    def __init__(self) -> None:
        self.places, self.ranges = [], []

    def choice(self, count, size, replace):
        assert not replace
        self.places.append((count, size))
        return range(count)[:size]

    def integers(self, low, high):
        self.ranges.append((int(low), int(high)))
        return 0


def test_the_longer_nothing_is_new_the_more_values_and_the_farther():
    row, rng = SPACE.row_of(np.full(len(ORDERED), 0.4)), Recorder()
    assert _unseen(SPACE, row, {row}, rng) == row
    count, sizes = len(ORDERED), SPACE.sizes.tolist()
    assert rng.places == [(count, min(count, 1 + attempt // 8)) for attempt in range(64)]
    wanted = []
    for attempt in range(64):
        for i in range(min(count, 1 + attempt // 8)):
            reach = min(sizes[i], 2 + attempt // 4) if ORDERED[i] else sizes[i]
            wanted.append((1 - reach, reach))
    assert rng.ranges == wanted


def test_where_every_build_was_seen_the_row_itself_is_proposed_again():
    space = Space(two_layers())
    seen = set(itertools.product(*(range(int(n)) for n in space.sizes)))
    assert _unseen(space, (3, 4), seen, np.random.default_rng(1)) == (3, 4)
    seen.remove((9, 9))
    tries = {_unseen(space, (3, 4), seen, np.random.default_rng(s)) for s in range(60)}
    assert tries == {(3, 4), (9, 9)}


# Asking and telling.


def test_start_builds_come_first_and_only_as_many_as_a_generation_holds():
    start = [(i, i) for i in range(6)]
    rows = [ask.row for ask in next(evolve(Space(two_layers()), 2, 10, 1, start))]
    assert rows[:6] == start
    assert len(rows) == 10
    few = [ask.row for ask in next(evolve(Space(two_layers()), 2, 4, 1, start))]
    assert few == start[:4]


def test_a_space_of_one_build_is_asked_once():
    proposer = evolve(SimpleNamespace(genes=()), 1, 10, 1)
    assert next(proposer) == [evolution.Ask(())]
    with pytest.raises(StopIteration):
        proposer.send([None])


def test_what_is_known_of_a_build_and_no_more_is_told():
    asked = [SimpleNamespace() for _ in range(2)]
    _answered(asked, [Score((1.0, 2.0), 0.0), Score(None, 0.7)], 2)
    assert asked[0].F.tolist() == [1.0, 2.0]
    assert np.isnan(asked[1].F).tolist() == [True, True]
    assert [one.G.tolist() for one in asked] == [[0.0], [0.7]]
    assert all(one.H.tolist() == [] for one in asked)


def test_a_first_generation_of_failures_ends_and_a_later_one_does_not():
    proposer = evolve(Space(two_layers()), 2, 6, 1)
    asks = next(proposer)
    asks = proposer.send([Score((1.0, float(i)), 0.0) for i in range(len(asks))])
    again = proposer.send([None] * len(asks))
    assert len(again) > 0
    proposer = evolve(Space(two_layers()), 2, 6, 1)
    count = len(next(proposer))
    with pytest.raises(StopIteration):
        proposer.send([None] * count)


@pytest.mark.parametrize("goals", [1, 2])
def test_the_better_half_is_bred_and_broken_builds_come_last(goals):
    """Of many generations scored by the first value, the later ones have lower ones."""
    proposer = evolve(SPACE, goals, 12, 3)
    rows, means = [ask.row for ask in next(proposer)], []
    for _ in range(12):
        means.append(np.mean([row[0] for row in rows]))
        scores = [
            Score(None, 1.0 + row[0]) if row[0] > 60 else Score((float(row[0]),) * goals, 0.0)
            for row in rows
        ]
        rows = [ask.row for ask in proposer.send(scores)]
        assert len(set(rows)) == len(rows)
    assert np.mean(means[-3:]) < 0.5 * means[0]


def test_a_build_is_not_proposed_again_while_others_are_left():
    proposer, seen = evolve(Space(two_layers()), 2, 12, 1), []
    rows = [ask.row for ask in next(proposer)]
    for _ in range(6):
        seen += rows
        rows = [ask.row for ask in proposer.send([Score((1.0, 1.0), 0.0)] * len(rows))]
    assert len(set(seen)) == len(seen)


def test_a_space_that_is_searched_out_ends():
    """Nothing is proposed when every build is in the population: none may stand in it twice."""
    layers = [
        {"role": "core", "material": "core rubber, soft", "density_g_cm3": [1.1, 1.11]},
        {"role": "cover", "material": "ionomer, soft", "thickness_mm": [1.0, 1.1]},
    ]
    space = Space(two_layers(layer=layers))
    assert space.sizes.prod() == 4
    proposer, seen = evolve(space, 2, 4, 1), set()
    asks: list[evolution.Ask] | None = next(proposer)
    for _ in range(30):
        if asks is None:
            break
        seen |= {ask.row for ask in asks}
        scores = [Score((float(a.row[0]), -float(a.row[0])), 0.0) for a in asks]
        try:
            asks = proposer.send(scores)
        except StopIteration:
            asks = None
    assert asks is None
    assert len(seen) == 4
