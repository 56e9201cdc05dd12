"""From builds to figures to typed outcomes: closed forms first, finite elements in processes."""

import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import resource_tracker
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any

from layers.ball import Ball
from layers.errors import InputError, SolverError
from layers.estimate import Conditions, estimate
from layers.figures import QUANTITIES, Estimate, Figure, parse_figure
from layers.model_version import MODEL_VERSION
from optimize.firstcall import compile_ahead
from optimize.ledger import Known, Ledger
from optimize.result import Evaluated, Failed, Infeasible, Outcome
from optimize.scenario import CENTRE_DIAMETER, FILL_DENSITY, Bound, Scenario
from optimize.space import Candidate, content_of, key_of

if TYPE_CHECKING:
    from optimize.cluster import Cluster

Request = tuple[Ball, tuple[str, ...]]
Compute = Callable[[Sequence[Request]], Iterator[tuple[int, Estimate]]]

_MOST_RESTARTS = 3


def compute_one(
    ball: Ball, names: tuple[str, ...], conditions: Conditions | None = None
) -> Estimate:
    """Estimate one build; whatever number trouble it meets stands in `failed`, for it alone."""
    try:
        found = estimate(ball, names, conditions)
    except InputError:  # not this build's fault: a figure was asked for that there is not
        raise
    except (ArithmeticError, ValueError) as error:
        return Estimate(ball, {}, dict.fromkeys(names, f"{type(error).__name__}: {error}"))
    failed = dict(found.failed)
    for name, figure in found.figures.items():
        if not math.isfinite(figure.value):
            failed[name] = "the computation gave no finite number"
    kept = {name: figure for name, figure in found.figures.items() if name not in failed}
    return Estimate(ball, kept, failed)


def _serial(
    conditions: Conditions | None, requests: Sequence[Request]
) -> Iterator[tuple[int, Estimate]]:
    for i, request in enumerate(requests):
        yield i, compute_one(*request, conditions)


@contextmanager
def computing(workers: "int | Cluster", conditions: Conditions | None = None) -> Iterator[Compute]:
    """Provide what computes a batch: in this process, or spread over several or over a cluster.

    Parameters
    ----------
    workers : int or Cluster
        Number of processes; 1 computes in this one. Or a cluster. Figures do not depend on it.
    conditions : Conditions, optional
        Swings, aerodynamics and air of every estimate; the shipped ones otherwise.

    Yields
    ------
    callable
        Takes requests (ball, names); gives (index, estimate) as they are done, in any order.
    """
    if not isinstance(workers, int):
        with workers.computing(conditions) as compute:
            yield compute
        return
    if workers == 1:
        yield partial(_serial, conditions)
        return
    pool = _Pool(workers, conditions)
    try:
        pool.start()  # they come up while this process gets the first builds together
        yield pool.compute
    except BaseException:
        # Nobody waits for what the workers do now, and a compilation may take them a while.
        pool.abandon()
        raise
    finally:
        pool.close()


@contextmanager
def mapping(workers: int) -> "Iterator[Callable[..., Any]]":
    """Provide a ``map`` of estimates that is spread over processes, and keeps their order.

    Parameters
    ----------
    workers : int
        Number of processes, as `computing` takes it.

    Yields
    ------
    callable
        In place of ``map(compute_one, balls, names)``; the function given is not looked at.
    """
    with computing(workers) as compute:

        def mapped(_: Any, balls: Sequence[Ball], names: Sequence[tuple[str, ...]]) -> list[Any]:
            requests = list(zip(balls, names, strict=True))
            compile_ahead(name for wanted in names for name in wanted)
            found = dict(compute(requests))
            return [found[i] for i in range(len(requests))]

        yield mapped


class _Pool:
    """Worker processes that are started anew when one dies."""

    def __init__(self, workers: int, conditions: Conditions | None) -> None:
        self._workers = workers
        self._conditions = conditions
        self._executor: ProcessPoolExecutor | None = None
        self._processes: list[BaseProcess] = []
        self._used = False

    def abandon(self) -> None:
        for process in self._processes:
            process.terminate()

    def close(self) -> None:
        if not self._used:  # all was in the ledger: they need not even come up
            self.abandon()
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
        self._executor = None

    def compute(self, requests: Sequence[Request]) -> Iterator[tuple[int, Estimate]]:
        pending = dict(enumerate(requests))
        self._used = self._used or bool(pending)
        restarts = 0
        while pending:
            try:
                executor = self.start()
                futures = {
                    executor.submit(compute_one, *request, self._conditions): i
                    for i, request in pending.items()
                }
                for future in as_completed(futures):
                    found = future.result()
                    del pending[futures[future]]
                    yield futures[future], found
            except BrokenProcessPool as error:
                self.close()
                restarts += 1
                if restarts > _MOST_RESTARTS:
                    raise SolverError(
                        f"A worker process ended {restarts} times over the same builds, perhaps "
                        f"for want of memory; what was done is in the ledger. Try fewer workers."
                    ) from error

    def start(self) -> ProcessPoolExecutor:
        """Start the processes, if they do not run."""
        if self._executor is None:
            # "spawn" starts clean processes: no locks or threads of this one are copied.
            context = multiprocessing.get_context("spawn")
            self._executor = ProcessPoolExecutor(self._workers, context, _enter_worker)
            others = multiprocessing.active_children()
            with _ctrl_c_blocked():
                for _ in range(self._workers):  # a process is started as a call comes in
                    self._executor.submit(os.getpid)
            children = multiprocessing.active_children()
            self._processes = [child for child in children if child not in others]
        return self._executor


@contextmanager
def _ctrl_c_blocked() -> Iterator[None]:
    """Hold Ctrl-C back while processes start: they inherit it held back, and only we obey it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # would let Ctrl-C through again when it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _enter_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    from layers import compression, impact  # noqa: F401 - heavy: read while nothing waits for it


def _end_with_parent() -> None:
    """End this worker when its parent was killed: it would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@dataclass
class Evaluator:
    """Figures of builds: from the ledger where they stand there, else computed and written to it.

    Attributes
    ----------
    ledger : Ledger
        Where every evaluation goes.
    compute : callable or None
        From `computing`; None reads only.
    model_version : str
        Figures of which version of the model are read and written.
    reused, computed : int
        Builds found in the ledger, and builds computed, so far.
    """

    ledger: Ledger
    compute: Compute | None
    model_version: str = MODEL_VERSION
    reused: int = 0
    computed: int = 0

    def figures(
        self, requests: Sequence[Request], tick: Callable[[int, Known], None] | None = None
    ) -> list[Known]:
        """Return what is known of each build, computing what is missing.

        Parameters
        ----------
        requests : sequence of (Ball, tuple of str)
            Builds and the names of the figures wanted of each.
        tick : callable, optional
            Called with a request's index and what is known, once for every request, when settled.

        Raises
        ------
        InputError
            If nothing may be computed and the ledger does not know a build.
        """
        contents = [content_of(ball) for ball, _ in requests]
        keys = [key_of(content) for content in contents]
        known = self.ledger.known(list(dict.fromkeys(keys)), self.model_version)
        open_ones: dict[str, list[int]] = {}
        for i, (key, (_, names)) in enumerate(zip(keys, requests, strict=True)):
            if key in known and known[key].covers(names):
                self.reused += 1
                if tick:
                    tick(i, known[key])
            else:
                open_ones.setdefault(key, []).append(i)
        if self.compute is None:
            if any(key not in known for key in keys):
                raise InputError(f"{self.ledger.path} lacks builds of this run: search it again.")
            return [known[key] for key in keys]
        jobs = [self._job(requests, indices, known.get(key)) for key, indices in open_ones.items()]
        compile_ahead(name for _, names in jobs for name in names)
        places = list(open_ones.items())
        for j, found in self.compute(jobs):
            key, indices = places[j]
            self.ledger.add(key, contents[indices[0]], self.model_version, found)
            known[key] = known.get(key, Known({}, {})).joined(found.figures, found.failed)
            self.computed += 1
            if tick:
                for i in indices:
                    tick(i, known[key])
        return [known[key] for key in keys]

    def estimates(self, requests: Sequence[Request]) -> list[Estimate]:
        """Estimate builds in full, in the order and by the names asked for."""
        return [
            Estimate(
                ball,
                {name: known.figures[name] for name in names if name in known.figures},
                {name: known.failed[name] for name in names if name in known.failed},
            )
            for (ball, names), known in zip(requests, self.figures(requests), strict=True)
        ]

    @staticmethod
    def _job(requests: Sequence[Request], indices: list[int], known: Known | None) -> Request:
        names = dict.fromkeys(name for i in indices for name in requests[i][1])
        missing = tuple(n for n in names if known is None or not known.covers((n,)))
        return requests[indices[0]][0], missing


@dataclass(frozen=True)
class Judge:
    """The limits of a scenario, split into those that a closed form settles and the others."""

    bounds: tuple[Bound, ...]
    names: tuple[str, ...]
    closed_names: tuple[str, ...]
    closed_bounds: tuple[Bound, ...]

    @classmethod
    def of(cls, scenario: Scenario) -> "Judge":
        """Read a scenario's limits."""
        names, bounds = scenario.figures(), scenario.bounds()
        closed = tuple(name for name in names if is_closed_form(name))
        settled = (*closed, CENTRE_DIAMETER, FILL_DENSITY)
        return cls(bounds, names, closed, tuple(b for b in bounds if b.figure in settled))

    def before(self, candidate: Candidate) -> Infeasible | None:
        """Rule a build out by its closed-form figures; None if it deserves finite elements."""
        figures: dict[str, Figure] = {}
        if candidate.ball is not None:
            figures = estimate(candidate.ball, self.closed_names).figures
        excess = _excess(self.closed_bounds, candidate, figures)
        return Infeasible(excess, figures, complete=False) if excess else None

    def after(self, candidate: Candidate, known: Known) -> Outcome:
        """Judge a build of which every needed figure was asked for."""
        for name in self.names:
            if name in known.failed:
                return Failed(f"{name}: {known.failed[name]}")
            if known.figures[name].flag:
                return Failed(f"{name}: {known.figures[name].flag}")
        figures = {name: known.figures[name] for name in self.names}
        excess = _excess(self.bounds, candidate, figures)
        return Infeasible(excess, figures, complete=True) if excess else Evaluated(figures)


def _excess(
    bounds: tuple[Bound, ...], candidate: Candidate, figures: dict[str, Figure]
) -> dict[Bound, float]:
    values: dict[str, float] = {name: figure.value for name, figure in figures.items()}
    values[CENTRE_DIAMETER] = candidate.centre_diameter_mm
    if candidate.fill_density_g_cm3 is not None:
        values[FILL_DENSITY] = candidate.fill_density_g_cm3
    broken = ((b, b.excess(values[b.figure])) for b in bounds if b.figure in values)
    return {bound: excess for bound, excess in broken if excess > 0.0}


def is_closed_form(name: str) -> bool:
    """Whether a figure costs no finite element."""
    return QUANTITIES[parse_figure(name).quantity].basis == "closed form"
