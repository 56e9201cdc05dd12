"""Processes that share graphics cards: each keeps to one card, and every card has one at least.

What surrounds an impact (packing, flights, judging) takes a core longer than the impact takes the
card: several processes keep one card busy, and several cards need them.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Concatenate, ParamSpec, TypeVar

from layers.arrays import Level
from layers.conditions import Conditions
from layers.errors import SolverError
from layers.gpu.batch import Device
from layers.gpu.many import CHUNK
from optimize.compute.one import Request
from optimize.compute.pool import Pool

# Processes of one card beyond these would wait for it, and each takes some of its memory.
MOST_PROCESSES = 12

P = ParamSpec("P")
T = TypeVar("T")


@dataclass
class CardProcesses:
    """Processes of each card; started at the first work.

    Attributes
    ----------
    devices : tuple of Device
        Of one kind: no result depends on which computes.
    count : int
        Processes wanted in all.
    conditions : Conditions or None
    level : {"default", "fine"}
        Of the mesh.
    """

    devices: tuple[Device, ...]
    count: int
    conditions: Conditions | None
    level: Level = "default"
    _pools: list[Pool] = field(default_factory=list)
    _given: list[list[Future[Any]]] = field(default_factory=list)

    @property
    def each(self) -> int:
        """Processes of one card."""
        return max(1, min(self.count // len(self.devices), MOST_PROCESSES))

    def submit(
        self, function: Callable[Concatenate[Device, P], T], *args: P.args, **more: P.kwargs
    ) -> "Future[T]":
        """Have a function of a device computed beside the card that has least to do.

        Parameters
        ----------
        function : callable
            Takes a device first.
        *args, **more
            What else it takes.
        """
        if not self._pools:
            self._pools = [Pool(self.each, self.conditions, self.level) for _ in self.devices]
        given = [[one for one in futures if not one.done()] for futures in self._given]
        self._given = given or [[] for _ in self.devices]
        number = min(range(len(self._pools)), key=lambda n: len(self._given[n]))
        future = self._pools[number].used().submit(function, self.devices[number], *args, **more)
        self._given[number].append(future)
        return future

    def over(
        self, function: Callable[..., Sequence[T]], requests: Sequence[Request]
    ) -> Iterator[tuple[int, T]]:
        """Share requests out, and yield each one's place and result as they come.

        Parameters
        ----------
        function : callable
            Takes a device and requests; returns a result of each.
        requests : sequence of (Ball, tuple of str)
        """
        parts = self.each * len(self.devices)
        step = min(CHUNK, -(-len(requests) // parts))
        with self.watched():
            firsts = {
                self.submit(function, requests[first : first + step]): first
                for first in range(0, len(requests), step)
            }
            for future in as_completed(firsts):
                yield from enumerate(future.result(), firsts[future])

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Turn the end of a process into a sentence."""
        try:
            yield
        except BrokenProcessPool as error:
            raise SolverError(
                "A process beside a graphics card ended, perhaps for want of memory or because the "
                "card failed; what was done is in the ledger. Try fewer workers, or 'orbwright "
                "check-gpu'."
            ) from error

    def abandon(self) -> None:
        """End the processes, whatever they do."""
        for pool in self._pools:
            pool.abandon()

    def close(self) -> None:
        """Wait for the processes and end them."""
        for pool in self._pools:
            pool.close()


def sharing(processes: int, cards: int, builds: int) -> int:
    """Return how many processes a batch of so many builds pays for; 0 for none but this one.

    Parameters
    ----------
    processes : int
        At most.
    cards : int
        Each has one at least, if there are several.
    builds : int
        Of the batch.
    """
    wanted = min(processes, builds // _BUILDS_A_PROCESS)
    return max(wanted, cards) if max(wanted, cards) > 1 else 0


# Some 1 ms each beside the card's time: fewer do not pay for a further process.
_BUILDS_A_PROCESS = 512
