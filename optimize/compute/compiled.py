"""Which figures need this processor's machine code, by what computes."""

from collections.abc import Iterable

from optimize.compute.card import OnCard, at_once
from optimize.compute.cluster import Cluster
from optimize.compute.jobs import for_processors


def compiled_for(names: Iterable[str], workers: object) -> set[str]:
    """Return the figures whose machine code this processor needs: not what a card computes.

    Parameters
    ----------
    names : iterable of str
        Figures.
    workers : int, Cluster or OnCard
        What computes.
    """
    wanted = set(names)
    if isinstance(workers, OnCard):
        return {name for name in wanted if not at_once(name)}
    if isinstance(workers, Cluster) and workers.card:
        return set(for_processors(sorted(wanted)))  # for its trials
    return wanted
