"""Who is computed next: the build on the page first, then pinned ones, then what teaches.

One thread feeds one process, a test at a time: a slider that moves waits for no more than the test
that is running, and the newest build of a place on the page takes over from the one before it.
"""

import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Protocol

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import OrbwrightError
from layers.figures import Estimate
from optimize.bench.asked import Test
from optimize.bench.memory import Memory, key
from optimize.bench.worker import Unwanted, Worker, WorkerEnded
from optimize.compute.one import compute_one
from optimize.ledger.ledger import Known

# A first call may compile; after it a test takes a tenth of a second.
_LIMIT_S, _FIRST_LIMIT_S = 30.0, 600.0
_MOST_JOBS = 24
_MOST_WARM_UPS = 5


@dataclass(frozen=True)
class News:
    """What a job's owner is told: figures of a test, a notice, or that it is over.

    `end` is empty while more is to come, else ``done``, ``superseded`` or ``closed``.
    """

    found: Known = field(default_factory=lambda: Known({}, {}))
    notice: str = ""
    end: str = ""


@dataclass(eq=False)
class Job:
    """One build to be computed for a place on a page; `urgent` ones go first."""

    place: str
    ball: Ball
    tests: list[Test]
    urgent: bool
    tell: Callable[[News], None]


class Teacher(Protocol):
    """What learns from every build that was computed in full, and asks for more of them."""

    def lesson(self) -> Ball | None:
        """Return a build to compute when nothing else is wanted."""

    def learn(self, ball: Ball, known: Known, urgent: bool) -> None:
        """Take in a build of which every figure is settled; urgent ones were moved to by hand."""


class TooBusy(Exception):
    """More is asked for at once than the bench takes."""


class Hub:
    """Feeds the process that computes.

    Parameters
    ----------
    ball : Ball
        What the process warms up with.
    tests : tuple of Test
        What is computed of each build, the cheapest first.
    conditions : Conditions or None
        Of launch and flight.
    ledger : Path or None
        Where every evaluation is kept.
    teacher : Teacher or None
        What uses the idle time.
    """

    def __init__(
        self,
        ball: Ball,
        tests: tuple[Test, ...],
        conditions: Conditions | None,
        ledger: Path | None,
        teacher: Teacher | None,
    ) -> None:
        self._ball = ball
        self._tests = tests
        self._names = tuple(name for test in tests for name in test.names)
        self._conditions = conditions
        self._ledger = ledger
        self._teacher = teacher
        self._worker = Worker("orbwright-finite-elements", 5)
        self._jobs: dict[str, Job] = {}
        self._change = threading.Condition()
        self._closing = False
        self._answered: set[str] = set()  # kinds of test whose code the process has loaded
        self._compiled: set[str] = set()  # and whose code lies on the disk
        self._victims: set[tuple[str, tuple[str, ...]]] = set()
        self.restarts = 0
        self.notice = ""
        self._thread = threading.Thread(target=self._run, name="hub", daemon=True)

    @property
    def ready(self) -> bool:
        """Whether the process has its code loaded or compiled, for every kind of test."""
        return all(test.kind in self._answered for test in self._tests)

    @property
    def worker_pid(self) -> int | None:
        """Number of the process that computes."""
        return self._worker.pid

    def start(self) -> None:
        """Start feeding."""
        self._thread.start()

    def close(self) -> None:
        """End all jobs and the process."""
        with self._change:
            self._closing = True
            jobs, self._jobs = list(self._jobs.values()), {}
            self._change.notify_all()
        for job in jobs:
            job.tell(News(end="closed"))
        self._worker.close()
        if self._thread.is_alive():
            self._thread.join()

    def submit(self, place: str, ball: Ball, urgent: bool, tell: Callable[[News], None]) -> Job:
        """Compute a build; what was computed for the same place is given up.

        Raises
        ------
        TooBusy
            If as many places wait as the bench takes.
        """
        job = Job(place, ball, list(self._tests), urgent, tell)
        with self._change:
            before = self._jobs.pop(place, None)
            if self._closing or len(self._jobs) >= _MOST_JOBS:
                raise TooBusy
            self._jobs[place] = job
            self._change.notify_all()
        if before:
            before.tell(News(end="superseded"))
        return job

    def cancel(self, job: Job) -> None:
        """Give a job up; one that is over or superseded already is let be."""
        with self._change:
            if self._jobs.get(job.place) is job:
                del self._jobs[job.place]

    def _run(self) -> None:
        # Ctrl-C is for the command alone: the processes that this thread starts inherit that.
        resource_tracker.ensure_running()
        if hasattr(signal, "pthread_sigmask"):
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        memory = Memory(self._ledger, self._conditions)
        try:
            while (act := self._next()) is not None:
                act(memory)
                self.notice = memory.trouble or self.notice
        finally:
            memory.close()
            self._worker.close()

    def _next(self) -> Callable[[Memory], None] | None:
        """Wait for something to do; the newest urgent job comes first, a lesson last.

        None at the end.
        """
        with self._change:
            while not self._closing:
                for urgent in (True, False):
                    for job in reversed(self._jobs.values()):
                        if job.urgent == urgent:
                            return partial(self._step, job)
                cold = [test for test in self._tests if test.kind not in self._answered]
                if cold and self.restarts < _MOST_WARM_UPS:
                    return partial(self._warm_up, cold[0])
                if self._teacher and (ball := self._teacher.lesson()):
                    return partial(self._step, self._lesson(ball))
                self._change.wait(0.5)
        return None

    def _warm_up(self, test: Test, _: Memory) -> None:
        """Have the process load a test's code: the first move of a slider need not wait for it."""
        self._computed(self._lesson(self._ball), test)

    def _lesson(self, ball: Ball) -> Job:
        return Job("", ball, list(self._tests), False, lambda _: None)

    def _step(self, job: Job, memory: Memory) -> None:
        """Tell what is known of a job's build; else run its next test."""
        [known] = memory.known([job.ball])
        while job.tests and known.covers(job.tests[0].names):
            names = job.tests.pop(0).names
            job.tell(News(_only(known, names)))
        if not job.tests:
            self._finish(job, known)
        elif found := self._computed(job, job.tests[0]):
            memory.add(job.ball, *found)
            # A lesson is not among the jobs: it is asked for again, and goes on from memory.

    def _finish(self, job: Job, known: Known) -> None:
        self.cancel(job)
        job.tell(News(end="done"))
        if self._teacher:
            self._teacher.learn(job.ball, _only(known, self._names), job.urgent)

    def _computed(self, job: Job, test: Test) -> tuple[Estimate, bool] | None:
        """Return what a test gave, and whether that is the build's doing; None to try again."""
        loaded = test.kind in self._compiled
        limit = _LIMIT_S if loaded else _FIRST_LIMIT_S
        try:
            found: Estimate = self._worker.ask(
                compute_one,
                job.ball,
                test.names,
                self._conditions,
                limit_s=limit,
                unwanted=lambda: loaded and self._superseded(job),
            )
        except Unwanted:
            self._answered.clear()
            return None
        except OrbwrightError as error:
            return Estimate(job.ball, {}, dict.fromkeys(test.names, str(error))), False
        except WorkerEnded as ended:
            return self._ended(job, test, str(ended))
        self._answered.add(test.kind)
        self._compiled.add(test.kind)
        return found, True

    def _superseded(self, job: Job) -> bool:
        """Whether a job may be given up in the middle of a test."""
        with self._change:
            if job.place:
                return self._jobs.get(job.place) is not job
            return bool(self._jobs)

    def _ended(self, job: Job, test: Test, how: str) -> tuple[Estimate, bool] | None:
        """Tell every page, and try the test once more before it is called failed."""
        if self._closing:
            return None
        self.restarts += 1
        self._answered.clear()
        self.notice = f"The computing process {how}; it was started again."
        with self._change:
            jobs = list(self._jobs.values())
        for other in jobs:
            other.tell(News(notice=self.notice))
        victim = (key(job.ball), test.names)
        if victim not in self._victims:
            self._victims.add(victim)
            return None
        why = f"the computing process {how}"
        return Estimate(job.ball, {}, dict.fromkeys(test.names, why)), False


def _only(known: Known, names: tuple[str, ...]) -> Known:
    return Known(
        {name: known.figures[name] for name in names if name in known.figures},
        {name: known.failed[name] for name in names if name in known.failed},
    )
