"""Batches of builds whose impacts are computed on graphics cards of this machine."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, partial
from itertools import islice

from layers.arrays import Level
from layers.bench.bench import Impacts
from layers.conditions import Conditions
from layers.estimates import Estimate
from layers.figures import QUANTITIES, parse_figure
from layers.gpu.batch import Device
from layers.gpu.many import CHUNK, impacts_on
from layers.gpu.version import GPU_VERSION
from optimize.compute.card_processes import CardProcesses, sharing
from optimize.compute.one import Compute, Request, compute_one
from optimize.compute.pool import Pool

Placed = Iterator[tuple[int, Impacts]]


@dataclass(frozen=True)
class OnCard:
    """Graphics cards of one kind, and the processes that compute what is not an impact.

    Attributes
    ----------
    devices : tuple of Device
    workers : int
        Number of processes; with several cards each has one at least.
    """

    devices: tuple[Device, ...]
    workers: int = 1

    def label(self, conditions: Conditions | None) -> str:
        """Name kind of card and precision, as ledgers keep their figures apart."""
        return label_of(self.devices[0].name, conditions)

    @contextmanager
    def computing(
        self, conditions: Conditions | None, level: Level = "default"
    ) -> Iterator[Compute]:
        """Provide a function that computes a batch; see `optimize.compute.pool.computing`.

        Parameters
        ----------
        conditions : Conditions or None
            Swings, aerodynamics, air and precision; the shipped ones if None.
        level : {"default", "fine"}
            Mesh.
        """
        known = conditions or Conditions()
        pool = Pool(self.workers, conditions, level)
        shared: list[CardProcesses] = []

        def compute(requests: Sequence[Request]) -> Iterator[tuple[int, Estimate]]:
            if not shared and (count := sharing(self.workers, len(self.devices), len(requests))):
                shared.append(CardProcesses(self.devices, count, conditions, level))
            names = {name for _, wanted in requests for name in wanted}
            if self.workers > 1 and not all(map(at_once, names)):
                found = (
                    shared[0].over(partial(_impacts, known, level), requests)
                    if shared
                    else impacts_on(self.devices, requests, known, level)
                )
                yield from _others(pool, requests, found)
            elif shared:
                yield from shared[0].over(partial(estimates_on, known, level), requests)
            else:
                for i, impacts in impacts_on(self.devices, requests, known, level):
                    yield i, compute_one(*requests[i], conditions, level, impacts)

        try:
            yield compute
        except BaseException:
            pool.abandon()
            for one in shared:
                one.abandon()
            raise
        finally:
            pool.close()
            for one in shared:
                one.close()


def label_of(card: str, conditions: Conditions | None) -> str:
    """Name a kind of card and a precision.

    Parameters
    ----------
    card : str
        The kind's name.
    conditions : Conditions or None
        The shipped ones if None.
    """
    return f"{(conditions or Conditions()).precision} on {card}, {GPU_VERSION}"


def _impacts(
    conditions: Conditions, level: Level, device: Device, requests: Sequence[Request]
) -> list[Impacts]:
    """Compute the impacts of some requests, in a process of its own."""
    return [impacts for _, impacts in impacts_on((device,), requests, conditions, level)]


def estimates_on(
    conditions: Conditions, level: Level, device: Device, requests: Sequence[Request]
) -> list[Estimate]:
    """Compute some requests in full: impacts on the card, the rest in this process.

    Parameters
    ----------
    conditions : Conditions
        Swings, aerodynamics, air and precision.
    level : {"default", "fine"}
        Mesh.
    device : Device
    requests : sequence of (Ball, tuple of str)
    """
    found = impacts_on((device,), requests, conditions, level)
    return [compute_one(*requests[i], conditions, level, impacts) for i, impacts in found]


def _others(
    pool: Pool, requests: Sequence[Request], found: Placed
) -> Iterator[tuple[int, Estimate]]:
    """Have processes compute what does not rest on impacts, chunk by chunk."""
    while chunk := list(islice(found, CHUNK)):
        part = [requests[i] for i, _ in chunk]
        for k, estimate in pool.compute(part, [impacts for _, impacts in chunk]):
            yield chunk[k][0], estimate


@cache
def at_once(name: str) -> bool:
    """Whether a figure is had from impacts and flights at once: processes would only cost.

    Parameters
    ----------
    name : str
        The figure.
    """
    quantity = parse_figure(name).quantity
    known = QUANTITIES[quantity]
    if known.of != "body":
        return quantity != "total_m"
    return known.basis == "closed form" or known.condition in ("speed", "speeds")
