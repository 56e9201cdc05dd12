"""Which worker of a cluster computes which build.

Not every worker may compute: one must run the same versions as this machine and must reproduce
trial builds to the last bit. So builds are handed out here, a few to each worker that may, and are
taken back from one that dies.
"""

import asyncio
import pkgutil
import queue
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from layers.conditions import Conditions
from layers.errors import InputError, SolverError
from layers.figures import Estimate, parse_figure
from optimize.compute.cluster_work import VERSIONS, Trouble, compute_there, packed

if TYPE_CHECKING:
    from distributed import Client, Future

    from optimize.compute.one import Request

# Builds given to a worker at once: the next one lies there when one is done, and little is lost
# with a worker.
_AT_ONCE = 2
_POLL_S = 0.5
_MOST_LOSSES = 3
_ASKED = f"{packed.__module__}:VERSIONS"


@dataclass
class _Worker:
    """A worker of the cluster, and how far it is trusted.

    Attributes
    ----------
    host : str
        Workers of one host share the compiled code on its disk.
    passed : int or None
        How many trial builds it has reproduced; None until its versions are known to be right.
    refused : bool
        Whether it is left out.
    """

    host: str
    passed: int | None = None
    refused: bool = False


class _Task(NamedTuple):
    worker: str
    kind: Literal["versions", "trial", "build"]
    place: int
    future: "Future[Any]"


@dataclass
class Dispatch:
    """Hands builds to workers, and takes them back from those that die."""

    address: str
    client: "Client"
    conditions: Conditions | None
    tell: Callable[[str], None]
    answer_s: float
    patience_s: float
    _workers: dict[str, _Worker] = field(default_factory=dict)
    _tasks: dict[int, _Task] = field(default_factory=dict)
    _trials: list[tuple["Request", Estimate]] = field(default_factory=list)
    _tried: set[str] = field(default_factory=set)
    _done: "queue.SimpleQueue[tuple[int, Any]]" = field(default_factory=queue.SimpleQueue)
    _numbers: int = 0
    _polled: float = -1.0
    _alone_since: float | None = None
    _losses: Counter[tuple[str, int]] = field(default_factory=Counter)

    # What a search calls.

    def greet(self) -> None:
        """Ask the workers that are there for their versions.

        Raises
        ------
        InputError
            If one runs other versions.
        """
        self._meet()
        until = time.monotonic() + self.answer_s
        while self._tasks and time.monotonic() < until:
            for task, outcome in self._arrived():
                sentence = self._refusal(task, outcome)
                if sentence:
                    raise InputError(sentence)
                self._workers[task.worker].passed = 0
        count = len(self._workers)
        if count:
            self.tell(f"{count} worker{'s' if count > 1 else ''} at {self.address}.")

    def compute(self, requests: Sequence["Request"]) -> Iterator[tuple[int, Estimate]]:
        """Compute a batch; see `optimize.compute.pool.computing`.

        Raises
        ------
        SolverError
            If the scheduler is lost, no worker comes, or a build keeps ending its workers.
        """
        self._forget_builds()
        self._add_trial(requests)
        self._losses = Counter()
        pending = deque(range(len(requests)))
        open_ones = set(pending)
        while open_ones:
            self._meet(pending)
            self._hand_out(pending, requests)
            for task, outcome in self._arrived():
                if task.kind == "build":
                    if task.place in open_ones:
                        open_ones.remove(task.place)
                        self._hand_out(pending, requests)
                        yield task.place, self._estimate(task, outcome)
                else:
                    self._trust(task, outcome)

    def _forget_builds(self) -> None:
        """Drop what is left of a batch that was given up: its places are not those of the next."""
        for number in [n for n, task in self._tasks.items() if task.kind == "build"]:
            self._tasks.pop(number).future.cancel()

    def close(self) -> None:
        """Take back all that is still to be computed."""
        futures = [task.future for task in self._tasks.values()]
        self._tasks.clear()
        with suppress(Exception):  # the scheduler may be gone, and the futures with it
            self.client.cancel(futures, force=True)

    # Workers come and go.

    def _meet(self, pending: deque[int] | None = None) -> None:
        """See which workers there are: ask new ones for their versions, mourn dead ones."""
        now = time.monotonic()
        if now - self._polled < _POLL_S:
            return
        self._polled = now
        there = self._scheduler_knows()
        for address in [a for a in self._workers if a not in there]:
            del self._workers[address]
            self._take_back(address, pending if pending is not None else deque())
        for address, host in there.items():
            if address not in self._workers:
                self._workers[address] = _Worker(host)
                self._submit(address, "versions", 0, pkgutil.resolve_name, _ASKED)
        self._wait_for_some(now)

    def _scheduler_knows(self) -> dict[str, str]:
        if self.client.status != "running":
            raise self._lost()
        try:
            workers = self.client.scheduler_info()["workers"]
        except (OSError, ValueError, RuntimeError) as error:
            raise self._lost() from error
        return {address: str(worker["host"]) for address, worker in workers.items()}

    def _lost(self) -> SolverError:
        return SolverError(
            f"The scheduler at {self.address} is gone or has dropped this search's builds; what "
            f"was done is in the ledger."
        )

    def _wait_for_some(self, now: float) -> None:
        if any(not worker.refused for worker in self._workers.values()):
            self._alone_since = None
            return
        if self._alone_since is None:
            self._alone_since = now
            self.tell(
                f"No worker at {self.address}; waiting up to {self.patience_s:.0f} s for one."
            )
        elif now - self._alone_since > self.patience_s:
            raise SolverError(
                f"No worker came to {self.address} within {self.patience_s:.0f} s; what was done "
                f"is in the ledger. Start one with 'dask worker {self.address}'."
            )

    def _take_back(self, address: str, pending: deque[int]) -> None:
        gone = {number: task for number, task in self._tasks.items() if task.worker == address}
        for number, task in gone.items():
            del self._tasks[number]
            task.future.cancel()
            if task.kind == "build":
                pending.appendleft(task.place)
            self._losses[task.kind, task.place] += 1
            if self._losses[task.kind, task.place] == _MOST_LOSSES:
                raise SolverError(
                    f"Workers ended {_MOST_LOSSES} times over one build, perhaps for want of "
                    f"memory; what was done is in the ledger."
                )
        self.tell(f"Worker {address} is gone; {len(self._workers)} left.")

    def _trust(self, task: _Task, outcome: Any) -> None:
        sentence = self._refusal(task, outcome)
        worker = self._workers[task.worker]
        if sentence is None:
            worker.passed = 0 if worker.passed is None else worker.passed + 1
            del self._losses[task.kind, task.place]
        elif any(w.passed for w in self._workers.values() if not w.refused and w is not worker):
            worker.refused = True
            self.tell(f"{sentence} It is left out.")
        else:
            raise InputError(sentence)

    def _refusal(self, task: _Task, outcome: Any) -> str | None:
        """Say why a worker may not compute; None if it may."""
        if isinstance(outcome, BaseException | Trouble):
            return (
                f"Worker {task.worker} cannot compute ({_words(outcome)}): install this orbwright "
                f"with its extra 'cluster' there and beside the scheduler."
            )
        if task.kind == "versions":
            other = next((name for name in VERSIONS if VERSIONS[name] != outcome.get(name)), None)
            return other and (
                f"Worker {task.worker} runs {other} {outcome.get(other)}, this machine "
                f"{VERSIONS[other]}: they must be the same."
            )
        if outcome != self._trials[task.place][1]:
            return (
                f"Worker {task.worker} computes other last digits than this machine: set "
                f"NUMBA_CPU_NAME=generic here and for all workers, or use processors of one kind."
            )
        return None

    # Work.

    def _add_trial(self, requests: Sequence["Request"]) -> None:
        """Compute one build here for every kind of figure that was not met before."""
        from optimize.compute.one import compute_one

        for ball, names in requests:
            fresh = tuple(n for n in names if parse_figure(n).quantity not in self._tried)
            if fresh:
                self._tried.update(parse_figure(n).quantity for n in fresh)
                trial = compute_one(ball, fresh, self.conditions)
                self._trials.append(((ball, fresh), trial))

    def _hand_out(self, pending: deque[int], requests: Sequence["Request"]) -> None:
        free: list[str] = []
        loads = Counter(task.worker for task in self._tasks.values())
        careful = {t.worker for t in self._tasks.values() if self._losses[t.kind, t.place]}
        for address, worker in self._workers.items():
            if worker.refused or worker.passed is None:
                continue
            if worker.passed == len(self._trials):
                free.append(address)
            elif not loads[address] and self._may_try(worker):
                request, _ = self._trials[worker.passed]
                self._submit_build(address, "trial", worker.passed, request)
        for round_ in range(_AT_ONCE):
            for address in free:
                if not pending or loads[address] != round_ or address in careful:
                    continue
                lost_before = self._losses["build", pending[0]] > 0
                if round_ and (lost_before or len(pending) <= len(free)):
                    continue  # the last builds go to whoever is free first
                index = pending.popleft()
                self._submit_build(address, "build", index, requests[index])
                loads[address] += 1
                if lost_before:
                    careful.add(address)

    def _may_try(self, worker: _Worker) -> bool:
        """Whether a trial would not be compiled twice at once on one disk."""
        trying = {t.worker for t in self._tasks.values() if t.kind == "trial"}
        same = [(a, w) for a, w in self._workers.items() if w.host == worker.host]
        assert worker.passed is not None
        ahead = any(w.passed is not None and w.passed > worker.passed for _, w in same)
        return ahead or not any(a in trying for a, _ in same)

    def _submit_build(
        self, address: str, kind: Literal["trial", "build"], index: int, request: "Request"
    ) -> None:
        self._submit(address, kind, index, compute_there, packed((*request, self.conditions)))

    def _submit(
        self,
        address: str,
        kind: Literal["versions", "trial", "build"],
        index: int,
        function: Callable[..., Any],
        *arguments: Any,
    ) -> None:
        future = self.client.submit(function, *arguments, workers=[address], pure=False)
        self._numbers += 1
        self._tasks[self._numbers] = _Task(address, kind, index, future)
        loop: Any = self.client.loop
        asyncio.run_coroutine_threadsafe(self._fetch(self._numbers, future), loop.asyncio_loop)

    async def _fetch(self, number: int, future: "Future[Any]") -> None:
        try:
            outcome = await self.client.gather(future, asynchronous=True)
        except BaseException as error:  # told to whoever waits for it, in the other thread
            outcome = error
        self._done.put((number, outcome))

    def _arrived(self) -> Iterator[tuple[_Task, Any]]:
        """Wait a moment for a task's outcome; then give all that there are."""
        with suppress(queue.Empty):
            number, outcome = self._done.get(timeout=_POLL_S)
            while True:
                if number in self._tasks:
                    # A task brings its own errors as text: these are of the line to the scheduler.
                    if isinstance(outcome, CancelledError | OSError):
                        raise self._lost()
                    yield self._tasks.pop(number), outcome
                number, outcome = self._done.get_nowait()

    def _estimate(self, task: _Task, outcome: Any) -> Estimate:
        if isinstance(outcome, Estimate):
            return outcome
        if isinstance(outcome, Trouble) and outcome.kind == "InputError":
            raise InputError(outcome.text)
        raise SolverError(
            f"Worker {task.worker} could not compute a build ({_words(outcome)}); what was done "
            f"is in the ledger."
        )


def _words(trouble: BaseException | Trouble) -> str:
    """Say in one line what went wrong there."""
    if isinstance(trouble, BaseException):
        error = trouble.__cause__ or trouble
        trouble = Trouble(type(error).__name__, str(error))
    return " ".join(f"{trouble.kind}: {trouble.text}".split())
