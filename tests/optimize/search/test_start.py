"""Both methods propose the start builds first, each once; kinds: structure."""

from functools import partial

import pytest

from optimize.emulator.encoding import Encoding
from optimize.scenario.goals import Goal
from optimize.scenario.space import Space
from optimize.search.by_emulator import emulate
from optimize.search.evolution import evolve
from optimize.search.problem import Problem
from tests.helpers.briefs import four_layers

SPACE = Space(four_layers())
START = tuple(SPACE.row_of([place] * len(SPACE.genes)) for place in (0.2, 0.9))
GOAL = Goal(figure="moi_ratio", aim="maximize")
PROBLEM = Problem(SPACE, Encoding(SPACE), lambda row: True, (GOAL,), ())


@pytest.mark.parametrize(
    "propose",
    [partial(evolve, SPACE, 1, 20, 1), partial(emulate, PROBLEM, 40, 20, 1)],
    ids=["direct", "emulator"],
)
def test_start_builds_come_first_and_once(propose):
    first = [ask.row for ask in next(propose(start=START))]
    assert first[: len(START)] == list(START)
    assert len(set(first)) == len(first) == 20
    without = [ask.row for ask in next(propose())]
    assert len(without) == 20
    assert first[len(START) :] == without[: -len(START)]  # the others are spread as before
