"""Batches of builds whose impacts on a club are computed on a graphics card."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache

from layers.arrays import Level
from layers.bench.bench import Impacts
from layers.conditions import Conditions
from layers.estimates import Estimate
from layers.figures import QUANTITIES, parse_figure
from layers.gpu.batch import Device
from layers.gpu.many import CHUNK, impacts_on
from layers.gpu.version import GPU_VERSION
from optimize.compute.one import Compute, Request, compute_one
from optimize.compute.pool import Pool


@dataclass(frozen=True)
class OnCard:
    """A graphics card, and the processes that compute what is not an impact on a club.

    Attributes
    ----------
    device : Device
    workers : int
        Number of processes.
    """

    device: Device
    workers: int = 1

    def label(self, conditions: Conditions | None) -> str:
        """Name card and precision, as ledgers keep their figures apart."""
        precision = (conditions or Conditions()).precision
        return f"{precision} on {self.device.name}, {GPU_VERSION}"

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
        pool = Pool(self.workers, conditions, level)
        known = conditions or Conditions()

        def compute(requests: Sequence[Request]) -> Iterator[tuple[int, Estimate]]:
            names = {name for _, wanted in requests for name in wanted}
            apart = self.workers > 1 and not all(map(_at_once, names))
            ready: list[tuple[int, Impacts]] = []
            found = impacts_on(self.device, requests, known, level)
            for i, impacts in found:
                if not apart:
                    yield i, compute_one(*requests[i], conditions, level, impacts)
                    continue
                ready.append((i, impacts))
                if len(ready) == CHUNK or i == len(requests) - 1:
                    places = [place for place, _ in ready]
                    part = [requests[place] for place in places]
                    for k, estimate in pool.compute(part, [impacts for _, impacts in ready]):
                        yield places[k], estimate
                    ready = []

        try:
            yield compute
        except BaseException:
            pool.abandon()
            raise
        finally:
            pool.close()


def compiled_for(names: Iterable[str], workers: object) -> set[str]:
    """Return the figures whose machine code this processor needs: not what a card computes.

    Parameters
    ----------
    names : iterable of str
        Figures.
    workers : int, Cluster or OnCard
        What computes.
    """
    return {name for name in names if not (isinstance(workers, OnCard) and _at_once(name))}


@cache
def _at_once(name: str) -> bool:
    """Whether a figure is had from impacts and flights at once: processes would only cost."""
    quantity = parse_figure(name).quantity
    known = QUANTITIES[quantity]
    if known.of != "body":
        return quantity != "total_m"
    return known.basis == "closed form" or known.condition in ("speed", "speeds")
