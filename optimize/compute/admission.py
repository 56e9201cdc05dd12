"""Whether a worker of a cluster, or its card, may compute: its versions and its trial builds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from layers.estimates import Estimate
from layers.gpu.version import GPU_VERSION
from optimize.compute.cluster_work import VERSIONS, Kind, Trouble

if TYPE_CHECKING:
    from distributed import Future

    from optimize.compute.one import Request


# Dask's name for what a worker with a card offers.
RESOURCE = "GPU"


class Seat(NamedTuple):
    """A worker's processor, or its card."""

    address: str
    on_card: bool


@dataclass
class Worker:
    """A worker of the cluster, or its card, and whether it is admitted.

    Attributes
    ----------
    host : str
        Workers of one host share the compiled code on its disk.
    passed : int or None
        Number of trial builds it has reproduced; None until its versions were checked.
    refused : bool
        Whether it is excluded.
    """

    host: str
    passed: int | None = None
    refused: bool = False


@dataclass
class Trial:
    """A build that workers must reproduce; its estimate is None until the first card gave it."""

    request: "Request"
    answer: Estimate | None


class Task(NamedTuple):
    """What a worker was asked: its versions, a trial build, or a job, by their place."""

    seat: Seat
    kind: Literal["versions", "trial", "build"]
    place: int
    future: "Future[Any]"


def offers_card(worker: Mapping[str, Any]) -> bool:
    """Whether a worker, as the scheduler describes it, offers a card.

    Parameters
    ----------
    worker : mapping
        Its description.
    """
    return bool(worker.get("resources", {}).get(RESOURCE, 0.0) >= 1.0)


def other_version(address: str, kind: Kind) -> str:
    """Say that a worker's card runs another source.

    Parameters
    ----------
    address : str
        The worker's.
    kind : Kind
        Of its card.
    """
    return (
        f"Worker {address} runs version {kind.version} of the card's source, this machine "
        f"{GPU_VERSION}: they must be the same."
    )


def refusal(task: Task, outcome: Any, trials: Sequence[Sequence[Trial]], card: str) -> str | None:
    """Return why a worker, or its card, may not compute; None if it may.

    Parameters
    ----------
    task : Task
        What it was asked.
    outcome : object
        What it answered.
    trials : two lists of Trial
        Of processors and of cards.
    card : str
        The kind of card that computes.
    """
    address, on_card = task.seat
    if isinstance(outcome, BaseException | Trouble):
        if on_card:
            return f"Worker {address} cannot use its card ({words(outcome)})."
        return (
            f"Worker {address} cannot compute ({words(outcome)}): install this orbwright "
            f"with its extra 'cluster' there and beside the scheduler."
        )
    if task.kind == "versions":
        if isinstance(outcome, Kind):
            return _other_kind(address, outcome, card)
        other = next((name for name in VERSIONS if VERSIONS[name] != outcome.get(name)), None)
        return other and (
            f"Worker {address} runs {other} {outcome.get(other)}, this machine "
            f"{VERSIONS[other]}: they must be the same."
        )
    answer = trials[on_card][task.place].answer
    if answer is None or outcome == [answer]:
        return None
    if on_card:
        return (
            f"Worker {address} computes other last digits on its card than another worker on a "
            f"card of the same kind: use one release of driver and compiler, and see "
            f"'orbwright check-gpu' there."
        )
    return (
        f"Worker {address} computes other last digits than this machine: set "
        f"NUMBA_CPU_NAME=generic here and for all workers, or use processors of one kind."
    )


def _other_kind(address: str, kind: Kind, wanted: str) -> str | None:
    """Return why a card is not one of those that compute; None if it is."""
    if kind.version != GPU_VERSION:
        return other_version(address, kind)
    if kind.name != wanted:
        return f"Worker {address} has {kind.name}, not {wanted}: their figures are kept apart."
    return None


def words(trouble: BaseException | Trouble) -> str:
    """Return in one line what went wrong there.

    Parameters
    ----------
    trouble : exception or Trouble
    """
    if isinstance(trouble, BaseException):
        error = trouble.__cause__ or trouble
        trouble = Trouble(type(error).__name__, str(error))
    return " ".join(f"{trouble.kind}: {trouble.text}".split())
