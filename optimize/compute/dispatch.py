"""Which worker of a cluster computes which build.

A worker may compute only if it runs the same versions as this machine and reproduces trial builds
to the last bit. So builds are assigned here, a few to each admitted worker, and reassigned when one
dies.
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

from layers.arrays import Level
from layers.conditions import Conditions
from layers.errors import InputError, SolverError
from layers.estimates import Estimate
from layers.figures import parse_figure
from optimize.compute.cluster_work import VERSIONS, Trouble, compute_there, packed

if TYPE_CHECKING:
    from distributed import Client, Future

    from optimize.compute.one import Request

# Builds at a worker at once: the next one is there when one is done, and little is lost with it.
_AT_ONCE = 2
_POLL_S = 0.5
_MOST_LOSSES = 3
_ASKED = f"{packed.__module__}:VERSIONS"


@dataclass
class _Worker:
    """A worker of the cluster, and whether it is admitted.

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


class _Task(NamedTuple):
    worker: str
    kind: Literal["versions", "trial", "build"]
    place: int
    future: "Future[Any]"


@dataclass
class Dispatch:
    """Assigns builds to workers, and reassigns those of workers that die."""

    address: str
    client: "Client"
    conditions: Conditions | None
    level: Level
    tell: Callable[[str], None]
    connect_timeout_s: float
    worker_timeout_s: float
    _workers: dict[str, _Worker] = field(default_factory=dict)
    _tasks: dict[int, _Task] = field(default_factory=dict)
    _trials: list[tuple["Request", Estimate]] = field(default_factory=list)
    _covered: set[str] = field(default_factory=set)
    _done: "queue.SimpleQueue[tuple[int, Any]]" = field(default_factory=queue.SimpleQueue)
    _numbers: int = 0
    _polled: float = -1.0
    _alone_since: float | None = None
    _losses: Counter[tuple[str, int]] = field(default_factory=Counter)

    # Called by a search.

    def check_versions(self) -> None:
        """Check the versions of the workers that are there.

        Raises
        ------
        InputError
            If one runs other versions.
        """
        self._update_workers()
        until = time.monotonic() + self.connect_timeout_s
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
            self._update_workers(pending)
            self._assign(pending, requests)
            for task, outcome in self._arrived():
                if task.kind == "build":
                    if task.place in open_ones:
                        open_ones.remove(task.place)
                        self._assign(pending, requests)
                        yield task.place, self._estimate(task, outcome)
                else:
                    self._admit(task, outcome)

    def _forget_builds(self) -> None:
        """Cancel what is left of an abandoned batch: its indices are not those of the next."""
        for number in [n for n, task in self._tasks.items() if task.kind == "build"]:
            self._tasks.pop(number).future.cancel()

    def close(self) -> None:
        """Cancel all that is still to be computed."""
        futures = [task.future for task in self._tasks.values()]
        self._tasks.clear()
        with suppress(Exception):  # the scheduler may be gone, and the futures with it
            self.client.cancel(futures, force=True)

    # Workers come and go.

    def _update_workers(self, pending: deque[int] | None = None) -> None:
        """Update the list of workers: check versions of new ones, drop dead ones."""
        now = time.monotonic()
        if now - self._polled < _POLL_S:
            return
        self._polled = now
        there = self._scheduler_knows()
        for address in [a for a in self._workers if a not in there]:
            del self._workers[address]
            self._reassign(address, pending if pending is not None else deque())
        for address, host in there.items():
            if address not in self._workers:
                self._workers[address] = _Worker(host)
                self._submit(address, "versions", 0, pkgutil.resolve_name, _ASKED)
        self._wait_for_workers(now)

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

    def _wait_for_workers(self, now: float) -> None:
        if any(not worker.refused for worker in self._workers.values()):
            self._alone_since = None
            return
        if self._alone_since is None:
            self._alone_since = now
            self.tell(
                f"No worker at {self.address}; waiting up to {self.worker_timeout_s:.0f} s for one."
            )
        elif now - self._alone_since > self.worker_timeout_s:
            raise SolverError(
                f"No worker came to {self.address} within {self.worker_timeout_s:.0f} s; what was "
                f"done is in the ledger. Start one with 'dask worker {self.address}'."
            )

    def _reassign(self, address: str, pending: deque[int]) -> None:
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

    def _admit(self, task: _Task, outcome: Any) -> None:
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
        """Return why a worker may not compute; None if it may."""
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
        """Compute one trial build here for every quantity not covered yet."""
        from optimize.compute.one import compute_one

        for ball, names in requests:
            fresh = tuple(n for n in names if parse_figure(n).quantity not in self._covered)
            if fresh:
                self._covered.update(parse_figure(n).quantity for n in fresh)
                trial = compute_one(ball, fresh, self.conditions, self.level)
                self._trials.append(((ball, fresh), trial))

    def _assign(self, pending: deque[int], requests: Sequence["Request"]) -> None:
        free: list[str] = []
        loads = Counter(task.worker for task in self._tasks.values())
        suspect = {t.worker for t in self._tasks.values() if self._losses[t.kind, t.place]}
        for address, worker in self._workers.items():
            if worker.refused or worker.passed is None:
                continue
            if worker.passed == len(self._trials):
                free.append(address)
            elif not loads[address] and self._may_trial(worker):
                request, _ = self._trials[worker.passed]
                self._submit_build(address, "trial", worker.passed, request)
        for round_ in range(_AT_ONCE):
            for address in free:
                if not pending or loads[address] != round_ or address in suspect:
                    continue
                lost_before = self._losses["build", pending[0]] > 0
                if round_ and (lost_before or len(pending) <= len(free)):
                    continue  # the last builds go to the first free worker
                index = pending.popleft()
                self._submit_build(address, "build", index, requests[index])
                loads[address] += 1
                if lost_before:
                    suspect.add(address)

    def _may_trial(self, worker: _Worker) -> bool:
        """Whether no other worker compiles the same trial on the same disk now."""
        trying = {t.worker for t in self._tasks.values() if t.kind == "trial"}
        same = [(a, w) for a, w in self._workers.items() if w.host == worker.host]
        assert worker.passed is not None
        ahead = any(w.passed is not None and w.passed > worker.passed for _, w in same)
        return ahead or not any(a in trying for a, _ in same)

    def _submit_build(
        self, address: str, kind: Literal["trial", "build"], index: int, request: "Request"
    ) -> None:
        job = packed((*request, self.conditions, self.level))
        self._submit(address, kind, index, compute_there, job)

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
        except BaseException as error:  # raised in the thread that waits for it
            outcome = error
        self._done.put((number, outcome))

    def _arrived(self) -> Iterator[tuple[_Task, Any]]:
        """Wait a moment for a task's outcome; then yield all that there are."""
        with suppress(queue.Empty):
            number, outcome = self._done.get(timeout=_POLL_S)
            while True:
                if number in self._tasks:
                    # A task returns its own errors as text: these are of the connection.
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
    """Return in one line what went wrong there."""
    if isinstance(trouble, BaseException):
        error = trouble.__cause__ or trouble
        trouble = Trouble(type(error).__name__, str(error))
    return " ".join(f"{trouble.kind}: {trouble.text}".split())
