"""Builds cut into jobs for the workers of a cluster: figures that a card computes, and the rest."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from layers.estimates import Estimate
from layers.figures import QUANTITIES, parse_figure
from layers.gpu.many import CHUNK
from optimize.compute.one import Request


class Job(NamedTuple):
    """What a worker computes at a time.

    Attributes
    ----------
    on_card : bool
        Whether it needs a card: then many builds, else one.
    places : tuple of int
        Of the builds among those asked for.
    requests : tuple of (Ball, tuple of str)
        The builds, and the figures wanted of each.
    """

    on_card: bool
    places: tuple[int, ...]
    requests: tuple[Request, ...]


def rests_on_impact(name: str) -> bool:
    """Whether a figure rests on an impact, which a card computes.

    Parameters
    ----------
    name : str
        The figure.
    """
    quantity = QUANTITIES[parse_figure(name).quantity]
    return quantity.of != "body" or quantity.condition in ("speed", "speeds")


def for_processors(names: Sequence[str]) -> tuple[str, ...]:
    """Return the figures of a build that go to workers of any kind, where others have a card.

    Closed forms go with the impacts, if there are any.

    Parameters
    ----------
    names : sequence of str
        All figures wanted of it.
    """
    heavy = [name for name in names if not rests_on_impact(name)]
    if len(heavy) < len(names):
        heavy = [n for n in heavy if QUANTITIES[parse_figure(n).quantity].basis != "closed form"]
    return tuple(heavy)


def jobs_of(requests: Sequence[Request], cards: int) -> list[Job]:
    """Cut requests into jobs.

    Parameters
    ----------
    requests : sequence of (Ball, tuple of str)
        Builds and the figures wanted of each.
    cards : int
        Workers that have a card; 0 if none shall be used.
    """
    if not cards:
        return [Job(False, (i,), (request,)) for i, request in enumerate(requests)]
    light: list[tuple[int, Request]] = []
    jobs = []
    for i, (ball, names) in enumerate(requests):
        heavy = for_processors(names)
        if heavy:
            jobs.append(Job(False, (i,), ((ball, heavy),)))
        if rest := tuple(name for name in names if name not in heavy):
            light.append((i, (ball, rest)))
    step = min(CHUNK, max(1, -(-len(light) // cards)))
    for first in range(0, len(light), step):
        places, parts = zip(*light[first : first + step], strict=True)
        jobs.append(Job(True, places, parts))
    return jobs


@dataclass
class Joining:
    """Joins the parts of each build's estimate.

    Attributes
    ----------
    requests : sequence of (Ball, tuple of str)
        As they were cut.
    """

    requests: Sequence[Request]
    _parts: dict[int, Estimate] = field(default_factory=dict)

    def add(self, job: Job, found: Sequence[Estimate]) -> Iterator[tuple[int, Estimate]]:
        """Take a job's estimates; yield those of builds that are complete now.

        Parameters
        ----------
        job : Job
        found : sequence of Estimate
            Of its builds, in order.
        """
        for place, (_, part), estimate in zip(job.places, job.requests, found, strict=True):
            names = self.requests[place][1]
            if len(part) == len(names):
                yield place, estimate
            elif (first := self._parts.pop(place, None)) is None:
                self._parts[place] = estimate
            else:
                yield place, _joined(names, first, estimate)


def _joined(names: Sequence[str], first: Estimate, second: Estimate) -> Estimate:
    """Join two parts, in the order of the names asked for."""
    figures, failed = first.figures | second.figures, first.failed | second.failed
    order = [parse_figure(name).name for name in names]
    both = zip(first.others, second.others, strict=True)
    return replace(
        first,
        figures={name: figures[name] for name in order if name in figures},
        failed={name: failed[name] for name in order if name in failed},
        others=tuple(_joined(names, one, other) for one, other in both),
    )
