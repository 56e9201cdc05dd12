"""Batches of builds computed in this process, in several, or on a cluster."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any

from layers.arrays import Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import SolverError
from layers.estimates import Estimate
from optimize.compute import ctrl_c
from optimize.compute.first_call import compile_ahead
from optimize.compute.one import Compute, Request, compute_one

if TYPE_CHECKING:
    from optimize.compute.cluster import Cluster


_MOST_RESTARTS = 3


def _serial(
    conditions: Conditions | None, level: Level, requests: Sequence[Request]
) -> Iterator[tuple[int, Estimate]]:
    for i, request in enumerate(requests):
        yield i, compute_one(*request, conditions, level)


@contextmanager
def computing(
    workers: "int | Cluster", conditions: Conditions | None = None, level: Level = "default"
) -> Iterator[Compute]:
    """Provide a function that computes a batch: in this process, in several or on a cluster.

    Parameters
    ----------
    workers : int or Cluster
        Number of processes; 1 computes in this one. Or a cluster. Figures do not depend on it.
    conditions : Conditions, optional
        Swings, aerodynamics and air of every estimate; the shipped ones otherwise.
    level : {"default", "fine"}
        Mesh of every estimate.

    Yields
    ------
    callable
        Takes requests (ball, names); yields (index, estimate) as they are done, in any order.
    """
    with ctrl_c.remembered() as check, _computing(workers, conditions, level) as compute:

        def checked(requests: Sequence[Request]) -> Iterator[tuple[int, Estimate]]:
            for found in compute(requests):
                check()
                yield found

        yield checked


@contextmanager
def _computing(
    workers: "int | Cluster", conditions: Conditions | None, level: Level
) -> Iterator[Compute]:
    if not isinstance(workers, int):
        with workers.computing(conditions, level) as compute:
            yield compute
        return
    if workers == 1:
        yield partial(_serial, conditions, level)
        return
    pool = _Pool(workers, conditions, level)
    try:
        pool.start()  # they start while this process prepares the first builds
        yield pool.compute
    except BaseException:
        # Their results are not wanted any more, and a compilation may take a while.
        pool.abandon()
        raise
    finally:
        pool.close()


@contextmanager
def mapping(workers: int, conditions: Conditions | None = None) -> "Iterator[Callable[..., Any]]":
    """Provide a ``map`` of estimates that is spread over processes, and keeps their order.

    Parameters
    ----------
    workers : int
        Number of processes, as `computing` takes it.
    conditions : Conditions, optional
        Swings, aerodynamics, air and precision; the shipped ones otherwise.

    Yields
    ------
    callable
        In place of ``map(compute_one, balls, names)``; the function given is ignored.
    """
    with computing(workers, conditions) as compute:

        def mapped(_: Any, balls: Sequence[Ball], names: Sequence[tuple[str, ...]]) -> list[Any]:
            requests = list(zip(balls, names, strict=True))
            wanted = {name for some in names for name in some}
            compile_ahead(wanted, (conditions or Conditions()).precision)
            found = dict(compute(requests))
            return [found[i] for i in range(len(requests))]

        yield mapped


class _Pool:
    """Worker processes; all are restarted when one dies."""

    def __init__(self, workers: int, conditions: Conditions | None, level: Level) -> None:
        self._workers = workers
        self._conditions = conditions
        self._level: Level = level
        self._executor: ProcessPoolExecutor | None = None
        self._processes: list[BaseProcess] = []
        self._used = False

    def abandon(self) -> None:
        for process in self._processes:
            process.terminate()

    def close(self) -> None:
        if not self._used:  # all was in the ledger: do not wait for their start
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
                    executor.submit(compute_one, *request, self._conditions, self._level): i
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
        """Start the processes, if they are not running."""
        if self._executor is None:
            # "spawn" starts clean processes: no locks or threads of this one are copied.
            context = multiprocessing.get_context("spawn")
            self._executor = ProcessPoolExecutor(self._workers, context, _enter_worker)
            others = multiprocessing.active_children()
            with ctrl_c.blocked():
                for _ in range(self._workers):  # each call starts a process
                    self._executor.submit(os.getpid)
            children = multiprocessing.active_children()
            self._processes = [child for child in children if child not in others]
        return self._executor


def _enter_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    from layers.compression import curve  # noqa: F401 - heavy: imported early
    from layers.impact import barrier  # noqa: F401 - heavy: imported early


def _end_with_parent() -> None:
    """End this worker when its parent is killed: otherwise it waits for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
