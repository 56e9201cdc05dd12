"""The cards of a cluster's workers: those that offer one by Dask's resource GPU."""

from dataclasses import replace

from layers.errors import InputError
from layers.gpu.version import GPU_VERSION
from optimize.compute.admission import RESOURCE, offers_card, other_version
from optimize.compute.cluster import Cluster, connected
from optimize.compute.cluster_work import Kind, Trouble, card_there

# Longest time to wait for the kinds of cards, s: a worker may be busy with a batch.
_ANSWER_S = 60.0


def with_cards(cluster: Cluster, place: str) -> Cluster:
    """Return a cluster that computes impacts on its workers' cards.

    Parameters
    ----------
    cluster : Cluster
    place : {"gpu", "gpu-or-cpu"}
        The last returns the cluster as it is where no worker offers a card, and says so.

    Raises
    ------
    InputError
        If no worker offers a card, one cannot be used, or they are of several kinds.
    """
    if place not in ("gpu", "gpu-or-cpu"):
        raise InputError(
            f"--device is {place!r}, but with --cluster must be one of: cpu, gpu, gpu-or-cpu; a "
            "worker takes the first card that CUDA_VISIBLE_DEVICES shows it."
        )
    kinds = _kinds(cluster)
    if not kinds:
        sentence = (
            f"no worker at {cluster.address} offers a card: start one with "
            f"'dask worker {cluster.address} --nthreads 1 --resources GPU=1'."
        )
        if place == "gpu":
            raise InputError(sentence)
        cluster.tell(f"The CPU computes: {sentence}")
        return cluster
    for address, found in kinds.items():
        if not isinstance(found, Kind):
            raise InputError(f"Worker {address} cannot use its card ({found.kind}: {found.text}).")
        if found.version != GPU_VERSION:
            raise InputError(other_version(address, found))
    names = sorted({kind.name for kind in kinds.values() if isinstance(kind, Kind)})
    if len(names) > 1:
        raise InputError(
            f"the workers at {cluster.address} have cards of several kinds ({', '.join(names)}), "
            "whose figures differ in their last digits and are kept apart: leave --resources out "
            "for all but one kind."
        )
    first = next(iter(kinds.values()))
    assert isinstance(first, Kind)
    return replace(cluster, card=first)


def _kinds(cluster: Cluster) -> dict[str, Kind | Trouble]:
    """Ask the workers that offer a card what it is."""
    with connected(cluster) as client:
        there = client.scheduler_info(n_workers=-1)["workers"]
        asked = {
            address: client.submit(
                card_there, workers=[address], resources={RESOURCE: 1}, pure=False
            )
            for address, worker in there.items()
            if offers_card(worker)
        }
        found = {}
        for address, future in asked.items():
            try:
                found[address] = future.result(timeout=_ANSWER_S)
            except Exception as error:  # what a worker without this file raises
                found[address] = Trouble(type(error).__name__, str(error) or "no answer")
        return found
