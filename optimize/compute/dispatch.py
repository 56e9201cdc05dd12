"""Which worker of a cluster computes which build.

A worker may compute only if it runs the same versions as this machine and reproduces trial builds
to the last bit. So builds are assigned here, a few to each admitted worker, and reassigned when one
dies. A worker's card is admitted by itself: this machine may have none, so the first card that
passed its check against the CPU sets the bits that all others must reproduce.
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
from typing import TYPE_CHECKING, Any, Literal

from layers.arrays import Level
from layers.conditions import Conditions
from layers.errors import InputError, SolverError
from layers.estimates import Estimate
from layers.figures import parse_figure
from optimize.compute.admission import (
    RESOURCE,
    Seat,
    Task,
    Trial,
    Worker,
    offers_card,
    refusal,
    words,
)
from optimize.compute.cluster_work import Trouble, card_there, compute_there, packed
from optimize.compute.jobs import Job, Joining, for_processors, jobs_of

if TYPE_CHECKING:
    from distributed import Client, Future

    from optimize.compute.one import Request

# Builds at a worker at once: the next one is there when one is done, and little is lost with it.
_AT_ONCE = 2
_POLL_S = 0.5
_TRIES = 10  # at a list of all workers
_MOST_LOSSES = 3
_ASKED = f"{packed.__module__}:VERSIONS"


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
    card: str = ""
    _workers: dict[Seat, Worker] = field(default_factory=dict)
    _tasks: dict[int, Task] = field(default_factory=dict)
    _trials: tuple[list[Trial], list[Trial]] = field(default_factory=lambda: ([], []))
    _covered: set[str] = field(default_factory=set)
    _done: "queue.SimpleQueue[tuple[int, Any]]" = field(default_factory=queue.SimpleQueue)
    _numbers: int = 0
    _polled: float = -1.0
    _alone_since: dict[bool, float] = field(default_factory=dict)
    _losses: Counter[tuple[str, bool, int]] = field(default_factory=Counter)
    _pending: tuple[deque[int], deque[int]] = field(default_factory=lambda: (deque(), deque()))

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
        while self._unanswered() and time.monotonic() < until:
            for task, outcome in self._arrived():
                sentence = refusal(task, outcome, self._trials, self.card)
                if sentence:
                    raise InputError(sentence)
                self._workers[task.seat].passed = 0
        count = sum(not seat.on_card for seat in self._workers)
        cards = len(self._workers) - count
        if count:
            beside = f", {cards} with {self.card}" if self.card else ""
            self.tell(f"{count} worker{'s' if count > 1 else ''} at {self.address}{beside}.")

    def _unanswered(self) -> bool:
        """Whether workers have still to name their versions; a card's check may take longer."""
        return any(not task.seat.on_card for task in self._tasks.values())

    def compute(self, requests: Sequence["Request"]) -> Iterator[tuple[int, Estimate]]:
        """Compute a batch; see `optimize.compute.pool.computing`.

        Raises
        ------
        SolverError
            If the scheduler is lost, no worker comes, or a build keeps ending its workers.
        """
        self._forget_builds()
        self._add_trials(requests)
        self._losses = Counter()
        cards = sum(s.on_card and not w.refused for s, w in self._workers.items())
        jobs = jobs_of(requests, max(1, cards) if self.card else 0)
        joining = Joining(requests)
        for on_card in (False, True):
            self._pending[on_card].clear()
            self._pending[on_card].extend(i for i, j in enumerate(jobs) if j.on_card == on_card)
        open_ones = set(range(len(jobs)))
        while open_ones:
            self._update_workers()
            self._assign(jobs)
            for task, outcome in self._arrived():
                if task.kind == "build":
                    if task.place in open_ones:
                        open_ones.remove(task.place)
                        self._assign(jobs)
                        found = self._estimates(task, outcome)
                        yield from joining.add(jobs[task.place], found)
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

    def _update_workers(self) -> None:
        """Update the list of workers: check versions of new ones, drop dead ones."""
        now = time.monotonic()
        if now - self._polled < _POLL_S:
            return
        self._polled = now
        there = self._scheduler_knows()
        known = {seat.address for seat in self._workers}
        for address in sorted(known.difference(there)):
            for on_card in (False, True):
                self._workers.pop(Seat(address, on_card), None)
            self._reassign(address)
        for address, worker in there.items():
            if address not in known:
                host = str(worker["host"])
                self._workers[Seat(address, False)] = Worker(host)
                self._submit(Seat(address, False), "versions", 0, pkgutil.resolve_name, _ASKED)
                if self.card and offers_card(worker):
                    self._workers[Seat(address, True)] = Worker(host)
                    precision = (self.conditions or Conditions()).precision
                    self._submit(Seat(address, True), "versions", 0, card_there, precision)
        for on_card in (False, True):
            self._wait_for_workers(now, on_card)

    def _scheduler_knows(self) -> dict[str, dict[str, Any]]:
        if self.client.status != "running":
            raise self._lost()
        try:
            # Beside this the library itself asks now and then, for no workers or a few, and may put
            # its answer in the place of ours.
            for _ in range(_TRIES):
                # By releases of 2025 a few workers only, unless all are asked for.
                answer = self.client.scheduler_info(n_workers=-1)
                if len(answer["workers"]) >= answer.get("n_workers", 0):
                    break
        except (OSError, ValueError, RuntimeError) as error:
            raise self._lost() from error
        return dict(answer["workers"])

    def _lost(self) -> SolverError:
        return SolverError(
            f"The scheduler at {self.address} is gone or has dropped this search's builds; what "
            f"was done is in the ledger."
        )

    def _wait_for_workers(self, now: float, on_card: bool) -> None:
        needed = not on_card or self._pending[True]
        seats = [w for seat, w in self._workers.items() if seat.on_card == on_card]
        if not needed or any(not worker.refused for worker in seats):
            self._alone_since.pop(on_card, None)
            return
        what = "worker with a card" if on_card else "worker"
        if on_card not in self._alone_since:
            self._alone_since[on_card] = now
            self.tell(
                f"No {what} at {self.address}; waiting up to {self.worker_timeout_s:.0f} s for one."
            )
        elif now - self._alone_since[on_card] > self.worker_timeout_s:
            options = f" --nthreads 1 --resources {RESOURCE}=1" if on_card else ""
            raise SolverError(
                f"No {what} came to {self.address} within {self.worker_timeout_s:.0f} s; what was "
                f"done is in the ledger. Start one with 'dask worker {self.address}{options}'."
            )

    def _reassign(self, address: str) -> None:
        gone = {n: task for n, task in self._tasks.items() if task.seat.address == address}
        for number, task in gone.items():
            del self._tasks[number]
            task.future.cancel()
            on_card = task.seat.on_card
            if task.kind == "build":
                self._pending[on_card].appendleft(task.place)
            self._losses[task.kind, on_card, task.place] += 1
            if self._losses[task.kind, on_card, task.place] == _MOST_LOSSES:
                what = "one batch of builds" if on_card else "one build"
                raise SolverError(
                    f"Workers ended {_MOST_LOSSES} times over {what}, perhaps for want of "
                    f"memory; what was done is in the ledger."
                )
        left = sum(not seat.on_card for seat in self._workers)
        self.tell(f"Worker {address} is gone; {left} left.")

    def _admit(self, task: Task, outcome: Any) -> None:
        sentence = refusal(task, outcome, self._trials, self.card)
        worker, on_card = self._workers[task.seat], task.seat.on_card
        others = [w for s, w in self._workers.items() if s.on_card == on_card and w is not worker]
        if sentence is None:
            if task.kind == "trial":
                self._trials[on_card][task.place].answer = outcome[0]
            worker.passed = 0 if worker.passed is None else worker.passed + 1
            del self._losses[task.kind, on_card, task.place]
        elif any(on_card or w.passed for w in others if not w.refused):
            worker.refused = True
            if not on_card and (card := self._workers.get(Seat(task.seat.address, True))):
                card.refused = True
            self.tell(f"{sentence} {'Its card' if on_card else 'It'} is left out.")
        else:
            raise InputError(sentence)

    # Work.

    def _add_trials(self, requests: Sequence["Request"]) -> None:
        """Choose a trial build for every quantity not covered yet, and compute it here."""
        from optimize.compute.one import compute_one

        for ball, names in requests:
            fresh = tuple(n for n in names if parse_figure(n).quantity not in self._covered)
            self._covered.update(parse_figure(n).quantity for n in fresh)
            here = for_processors(fresh) if self.card else fresh
            if here:
                answer = compute_one(ball, here, self.conditions, self.level)
                self._trials[False].append(Trial((ball, here), answer))
            if there := tuple(name for name in fresh if name not in here):
                self._trials[True].append(Trial((ball, there), None))

    def _assign(self, jobs: Sequence[Job]) -> None:
        """Hand out trials and jobs; a worker's card goes first, as both keep its one thread."""
        loads = Counter(task.seat for task in self._tasks.values())
        free: list[Seat] = []
        for seat, worker in self._workers.items():
            if worker.refused or worker.passed is None:
                continue
            trials = self._trials[seat.on_card]
            if worker.passed == len(trials):
                free.append(seat)
            elif not loads[seat] and self._may_trial(seat, worker):
                job = Job(seat.on_card, (0,), (trials[worker.passed].request,))
                self._submit_job(seat, "trial", worker.passed, job)
        self._hand_out([seat for seat in free if seat.on_card], jobs, loads)
        busy = {seat.address for seat in loads if seat.on_card and loads[seat]}
        cpus = [s for s in free if not s.on_card and s.address not in busy]
        self._hand_out(cpus, jobs, loads)

    def _hand_out(self, seats: Sequence[Seat], jobs: Sequence[Job], loads: "Counter[Seat]") -> None:
        """Give free workers of one sort what is pending for it."""
        tasks = self._tasks.values()
        suspect = {t.seat for t in tasks if self._losses[t.kind, t.seat.on_card, t.place]}
        for round_ in range(_AT_ONCE):
            for seat in seats:
                pending = self._pending[seat.on_card]
                if not pending or loads[seat] != round_ or seat in suspect:
                    continue
                lost_before = self._losses["build", seat.on_card, pending[0]] > 0
                if round_ and (lost_before or len(pending) <= len(seats)):
                    continue  # the last builds go to the first free worker
                index = pending.popleft()
                self._submit_job(seat, "build", index, jobs[index])
                loads[seat] += 1
                if lost_before:
                    suspect.add(seat)

    def _may_trial(self, seat: Seat, worker: Worker) -> bool:
        """Whether no other worker compiles the same trial on the same disk now.

        The first trial on a card is awaited: it is the one to be reproduced.
        """
        trying = {t.seat: t.place for t in self._tasks.values() if t.kind == "trial"}
        assert worker.passed is not None
        if seat.on_card:
            known = self._trials[True][worker.passed].answer is not None
            first = any(s.on_card and place == worker.passed for s, place in trying.items())
            own = self._workers[Seat(seat.address, False)]
            return (known or not first) and own.passed is not None and not own.refused
        same = [(s, w) for s, w in self._workers.items() if w.host == worker.host and not s.on_card]
        ahead = any(w.passed is not None and w.passed > worker.passed for _, w in same)
        return ahead or not any(s in trying for s, _ in same)

    def _submit_job(
        self, seat: Seat, kind: Literal["trial", "build"], index: int, job: Job
    ) -> None:
        work = packed((job.on_card, job.requests, self.conditions, self.level))
        self._submit(seat, kind, index, compute_there, work)

    def _submit(
        self,
        seat: Seat,
        kind: Literal["versions", "trial", "build"],
        index: int,
        function: Callable[..., Any],
        *arguments: Any,
    ) -> None:
        future = self.client.submit(
            function,
            *arguments,
            workers=[seat.address],
            resources={RESOURCE: 1} if seat.on_card else None,
            pure=False,
        )
        self._numbers += 1
        self._tasks[self._numbers] = Task(seat, kind, index, future)
        loop: Any = self.client.loop
        asyncio.run_coroutine_threadsafe(self._fetch(self._numbers, future), loop.asyncio_loop)

    async def _fetch(self, number: int, future: "Future[Any]") -> None:
        try:
            outcome = await self.client.gather(future, asynchronous=True)
        except BaseException as error:  # raised in the thread that waits for it
            outcome = error
        self._done.put((number, outcome))

    def _arrived(self) -> Iterator[tuple[Task, Any]]:
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

    def _estimates(self, task: Task, outcome: Any) -> list[Estimate]:
        if isinstance(outcome, list):
            return outcome
        if isinstance(outcome, Trouble) and outcome.kind == "InputError":
            raise InputError(outcome.text)
        raise SolverError(
            f"Worker {task.seat.address} could not compute a build ({words(outcome)}); what was "
            f"done is in the ledger."
        )
