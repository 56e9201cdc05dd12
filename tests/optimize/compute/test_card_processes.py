"""Processes that share cards: who gets what, and how they end.

Kind: structure, with processes that are none.
"""

from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool

import pytest

from layers.errors import SolverError
from optimize.compute import card_processes as module
from optimize.compute.card_processes import CardProcesses
from tests.helpers.marching import Here

CARDS = (Here(name="left"), Here(name="right"))


class _Pool:
    """Computes at once, here; what a card of the name `slow` is given stays undone."""

    def __init__(self, workers, *_):
        self.workers, self.state = workers, "open"

    def used(self):
        return self

    def submit(self, function, device, *args):
        future = Future()
        if device.name != "slow":
            try:
                future.set_result(function(device, *args))
            except Exception as error:
                future.set_exception(error)
        return future

    def abandon(self):
        self.state = "abandoned"

    def close(self):
        self.state = "closed"


@pytest.fixture(autouse=True)
def _no_processes(monkeypatch):
    monkeypatch.setattr(module, "Pool", _Pool)


def named(device, requests):
    return [(device.name, request) for request in requests]


@pytest.mark.parametrize(("count", "each"), [(1, 1), (2, 1), (9, 4), (99, 12)])
def test_every_card_has_a_process_and_at_most_twelve(count, each):
    assert CardProcesses(CARDS, count, None).each == each


def test_requests_are_shared_out_and_keep_their_places(monkeypatch):
    cards = CardProcesses(CARDS, 4, None)
    found = dict(cards.over(named, list("abcdefghij")))
    assert {place: request for place, (_, request) in found.items()} == dict(
        enumerate("abcdefghij")
    )
    monkeypatch.setattr(module, "CHUNK", 2)
    parts = []
    dict(cards.over(lambda device, part: parts.append(part) or part, list("abcdefghij")))
    assert list(map(len, parts)) == [2] * 5


def test_the_card_that_has_least_to_do_is_given_the_next():
    cards = CardProcesses((Here(name="slow"), Here(name="quick")), 2, None)
    given = [cards.submit(lambda device: device.name) for _ in range(4)]
    assert [future.done() for future in given] == [False, True, True, True]
    assert {future.result() for future in given[1:]} == {"quick"}


@pytest.mark.parametrize(
    ("raised", "said"),
    [
        (BrokenProcessPool("ended"), "A process beside a graphics card ended.*check-gpu"),
        (SolverError("graphics card 1 failed: unknown."), "graphics card 1 failed: unknown"),
    ],
)
def test_a_card_or_a_process_that_fails_is_one_sentence(raised, said):
    def failing(device, requests):
        raise raised

    cards = CardProcesses(CARDS, 2, None)
    with pytest.raises(SolverError, match=said):
        list(cards.over(failing, ["a", "b"]))
    cards.abandon()
    assert {pool.state for pool in cards._pools} == {"abandoned"}
    cards.close()
    assert {pool.state for pool in cards._pools} == {"closed"}
