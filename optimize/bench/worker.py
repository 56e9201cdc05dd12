"""A process that computes for the bench, so that the page answers while it works."""

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any

from layers.errors import SolverError

_PATIENCE_S, _LOOK_S = 2.0, 0.1


class WorkerEnded(Exception):
    """The process is gone, or took too long and was ended; the text says which."""


class Unwanted(Exception):
    """A long call that was no longer wanted; its process was ended."""


class Worker:
    """One clean process that calls functions, one at a time; started when first needed.

    Parameters
    ----------
    name : str
        Name of the process.
    niceness : int
        Its priority below the page's, as `os.nice` takes it.
    """

    def __init__(self, name: str, niceness: int) -> None:
        self._name = name
        self._niceness = niceness
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._closed = False
        # Calls come from one thread, the end from another: not while a process is being started.
        self._lock = threading.Lock()

    @property
    def pid(self) -> int | None:
        """Process id; None before the first call."""
        return self._process.pid if self._process else None

    def ask(
        self,
        function: Callable[..., Any],
        *arguments: Any,
        limit_s: float,
        unwanted: Callable[[], bool] = lambda: False,
    ) -> Any:
        """Call a function of a module in the process and wait for what it returns.

        Parameters
        ----------
        function : callable
            Of a module, so that the process finds it.
        *arguments
            Its arguments.
        limit_s : float
            How long it may take, s.
        unwanted : callable
            Called while a call takes long; True ends it.

        Raises
        ------
        WorkerEnded
            If the process is gone, or was ended because it took longer than `limit_s`.
        Unwanted
            If it was ended as no longer wanted.
        SolverError
            If the function raised an error.
        """
        pipe = self._started()
        try:
            pipe.send((function, arguments))
            begun = time.monotonic()
            while not pipe.poll(_LOOK_S):
                lasted = time.monotonic() - begun
                if lasted > limit_s:
                    raise WorkerEnded(f"took longer than {limit_s:g} s and was ended")
                if lasted > _PATIENCE_S and unwanted():
                    raise Unwanted
            fine, answer = pipe.recv()
        except (EOFError, OSError) as error:
            self._end()
            raise WorkerEnded("ended, perhaps for want of memory") from error
        except (WorkerEnded, Unwanted):
            self._end()
            raise
        if not fine:
            raise SolverError(answer)
        return answer

    def close(self) -> None:
        """End the process, also in the middle of a call, and start no other."""
        with self._lock:
            self._closed = True
            if self._process is not None:
                self._process.kill()

    def _started(self) -> Connection:
        with self._lock:
            if self._closed:
                raise WorkerEnded("is closed")
            if self._pipe is None:
                # "spawn" starts a clean process: no locks or threads of this one are copied.
                context = multiprocessing.get_context("spawn")
                ours, theirs = context.Pipe()
                self._process = context.Process(
                    target=_serve, args=(theirs, self._niceness), name=self._name, daemon=True
                )
                self._process.start()
                theirs.close()  # or its end would not be noticed
                self._pipe = ours
            return self._pipe

    def _end(self) -> None:
        with self._lock:
            if self._process is not None:
                self._process.kill()
                self._process.join()
            if self._pipe is not None:
                self._pipe.close()
            self._process = self._pipe = None


def _serve(pipe: Connection, niceness: int) -> None:
    """Serve calls until the other end is closed, as by the death of its owner."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(niceness)
    with contextlib.suppress(EOFError, OSError):
        while True:
            function, arguments = pipe.recv()
            pipe.send(_called(function, arguments))


def _called(function: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[bool, Any]:
    try:
        return True, function(*arguments)
    except Exception as error:  # of any kind: the page reports it for this computation alone
        return False, str(error) or type(error).__name__
