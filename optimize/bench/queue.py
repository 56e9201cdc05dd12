"""The queue of builds: the one on the page first, then pinned ones, then training builds.

One thread feeds one process, a test at a time: a slider that moves waits at most for the running
test, and the newest build of a place on the page replaces the one before it.
"""

import signal
import threading
from collections.abc import Callable
from functools import partial
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import OrbwrightError
from layers.estimates import Estimate
from optimize.bench.cache import Cache, key
from optimize.bench.figures import Test
from optimize.bench.impact import impact_of
from optimize.bench.jobs import Job, News, TooBusy
from optimize.bench.training import Trainer
from optimize.bench.worker import Unwanted, Worker, WorkerEnded
from optimize.compute.evaluator import only
from optimize.compute.one import compute_one
from optimize.ledger.rows import Known

# A first call may compile; after it a test takes a tenth of a second.
_LIMIT_S, _FIRST_LIMIT_S = 30.0, 600.0
_LOOK_LIMIT_S = 120.0  # a recorded strike takes some seconds
_MOST_JOBS = 24
_MOST_WARM_UPS = 5


class BuildQueue:
    """Feeds the computing process.

    Parameters
    ----------
    ball : Ball
        Computed once while the process starts.
    tests : tuple of Test
        Run for each build, the cheapest first.
    conditions : Conditions or None
        Of launch and flight.
    ledger : Path or None
        Where every evaluation is kept.
    trainer : Trainer or None
        Its training builds fill the idle time.
    """

    def __init__(
        self,
        ball: Ball,
        tests: tuple[Test, ...],
        conditions: Conditions | None,
        ledger: Path | None,
        trainer: Trainer | None,
    ) -> None:
        self._ball = ball
        self._tests = tests
        self._names = tuple(name for test in tests for name in test.names)
        self._conditions = conditions
        self._ledger = ledger
        self._trainer = trainer
        self._worker = Worker("orbwright-finite-elements", 5)
        self._jobs: dict[str, Job] = {}
        self._change = threading.Condition()
        self._closing = False
        self._loaded: set[str] = set()  # kinds of test whose code the process has loaded
        self._compiled: set[str] = set()  # and whose code is compiled on disk
        self._victims: set[tuple[str, tuple[str, ...]]] = set()
        self.restarts = 0
        self.notice = ""
        self._thread = threading.Thread(target=self._run, name="queue", daemon=True)

    @property
    def ready(self) -> bool:
        """Whether the process has loaded its code for every kind of test."""
        return all(test.kind in self._loaded for test in self._tests)

    @property
    def worker_pid(self) -> int | None:
        """Process id of the computing process."""
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
            job.send(News(end="closed"))
        self._worker.close()
        if self._thread.is_alive():
            self._thread.join()

    def submit(
        self,
        place: str,
        ball: Ball,
        urgent: bool,
        send: Callable[[News], None],
        impact: str = "",
    ) -> Job:
        """Compute a build; it replaces the one of the same place.

        Parameters
        ----------
        place : str
            On which page and where: the sliders or a pin.
        ball : Ball
            The build.
        urgent : bool
            Whether it goes before those that are not.
        send : callable
            Called from the queue's thread with each `News`.
        impact : str
            A swing, or `BARRIER`, for a look into this impact instead of the tests.

        Raises
        ------
        TooBusy
            If as many builds wait as the bench accepts.
        """
        tests = [] if impact else list(self._tests)
        job = Job(place, ball, tests, urgent, send, impact)
        with self._change:
            before = self._jobs.pop(place, None)
            if self._closing or len(self._jobs) >= _MOST_JOBS:
                raise TooBusy
            self._jobs[place] = job
            self._change.notify_all()
        if before:
            before.send(News(end="superseded"))
        return job

    def cancel(self, job: Job) -> None:
        """Cancel a job, unless it has ended or been superseded."""
        with self._change:
            if self._jobs.get(job.place) is job:
                del self._jobs[job.place]

    def _run(self) -> None:
        # The command alone handles Ctrl-C: the processes that this thread starts inherit the mask.
        resource_tracker.ensure_running()
        if hasattr(signal, "pthread_sigmask"):
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        cache = Cache(self._ledger, self._conditions)
        try:
            while (act := self._next()) is not None:
                act(cache)
                self.notice = cache.trouble or self.notice
        finally:
            cache.close()
            self._worker.close()

    def _next(self) -> Callable[[Cache], None] | None:
        """Wait for work: the newest urgent job first, a training build last.

        None at the end.
        """
        with self._change:
            while not self._closing:
                for urgent in (True, False):
                    for job in reversed(self._jobs.values()):
                        if job.urgent == urgent:
                            return partial(self._look if job.impact else self._step, job)
                if self._trainer and self._trainer.wants_past():
                    return self._recall
                cold = [test for test in self._tests if test.kind not in self._loaded]
                if cold and self.restarts < _MOST_WARM_UPS:
                    return partial(self._warm_up, cold[0])
                if self._trainer and (ball := self._trainer.next_build()):
                    return partial(self._step, self._training_job(ball))
                self._change.wait(0.5)
        return None

    def _recall(self, cache: Cache) -> None:
        """Train with what the ledger has, before anything is computed for it."""
        if self._trainer:
            self._trainer.recall(cache.past())

    def _warm_up(self, test: Test, _: Cache) -> None:
        """Load a test's code in the process, so that the first move of a slider need not wait."""
        self._computed(self._training_job(self._ball), test)

    def _training_job(self, ball: Ball) -> Job:
        return Job("", ball, list(self._tests), False, lambda _: None)

    def _step(self, job: Job, cache: Cache) -> None:
        """Send what is known of a job's build; run its next test."""
        [known] = cache.known([job.ball])
        while job.tests and known.covers(job.tests[0].names):
            names = job.tests.pop(0).names
            job.send(News(only(known, names)))
        if not job.tests:
            self._finish(job, known)
        elif found := self._computed(job, job.tests[0]):
            cache.add(job.ball, *found)
            # A training build is not among the jobs: it is requested again, and resumes.

    def _finish(self, job: Job, known: Known) -> None:
        self.cancel(job)
        job.send(News(end="done"))
        if self._trainer:
            self._trainer.add(job.ball, only(known, self._names), job.urgent)

    def _look(self, job: Job, _: Cache) -> None:
        """Compute the impact that a job asks for, and send what came of it."""
        job.send(News(begun=True))
        try:
            seen = self._asked(job, job.impact, impact_of, job.ball, job.impact, self._conditions)
        except Unwanted:
            return
        except OrbwrightError as error:
            seen = {"failed": str(error)}
        except WorkerEnded as ended:
            if not self._ended(job.ball, (job.impact,), str(ended)):
                return
            seen = {"failed": f"The computing process {ended}."}
        self.cancel(job)
        job.send(News(impact=seen, end="done"))

    def _computed(self, job: Job, test: Test) -> tuple[Estimate, bool] | None:
        """Return the result of a test, and whether it may be kept; None to try again."""
        try:
            found: Estimate = self._asked(
                job, test.kind, compute_one, job.ball, test.names, self._conditions
            )
        except Unwanted:
            return None
        except OrbwrightError as error:
            return Estimate(job.ball, {}, dict.fromkeys(test.names, str(error))), False
        except WorkerEnded as ended:
            if not self._ended(job.ball, test.names, str(ended)):
                return None
            why = f"the computing process {ended}"
            return Estimate(job.ball, {}, dict.fromkeys(test.names, why)), False
        self._loaded.add(test.kind)
        return found, True

    def _asked(self, job: Job, kind: str, function: Callable[..., Any], *arguments: Any) -> Any:
        """Ask the process, which may take long where the kind of work is new: it may compile."""
        compiled = kind in self._compiled
        limit = _LOOK_LIMIT_S if job.impact else _LIMIT_S
        try:
            found = self._worker.ask(
                function,
                *arguments,
                limit_s=limit if compiled else _FIRST_LIMIT_S,
                unwanted=lambda: compiled and self._superseded(job),
            )
        except Unwanted:
            self._loaded.clear()
            raise
        self._compiled.add(kind)
        return found

    def _superseded(self, job: Job) -> bool:
        """Whether a job may be cancelled in the middle of a test."""
        with self._change:
            if job.place:
                return self._jobs.get(job.place) is not job
            return bool(self._jobs)

    def _ended(self, ball: Ball, what: tuple[str, ...], how: str) -> bool:
        """Notify every page; return whether this is given up, as the second time."""
        if self._closing:
            return False
        self.restarts += 1
        self._loaded.clear()
        self.notice = f"The computing process {how}; it was started again."
        with self._change:
            jobs = list(self._jobs.values())
        for other in jobs:
            other.send(News(notice=self.notice))
        victim = (key(ball), what)
        if victim in self._victims:
            return True
        self._victims.add(victim)
        return False
