"""Ctrl-C that is not lost, and that only this process obeys."""

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import resource_tracker
from types import FrameType


@contextmanager
def remembered() -> Iterator[Callable[[], None]]:
    """Remember a Ctrl-C whose exception is dropped.

    Python drops an exception that is raised while an object is being deleted, and a cluster's
    library deletes one with each build: the search would go on as if nobody had asked it to stop.

    Yields
    ------
    callable
        Raises KeyboardInterrupt if Ctrl-C was met since the start.
    """
    asked = False

    def meet(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        asked = True
        signal.default_int_handler(number, frame)

    def check() -> None:
        if asked:
            raise KeyboardInterrupt

    told = sys.unraisablehook

    def tell(dropped: "sys.UnraisableHookArgs") -> None:
        if not (asked and dropped.exc_type is KeyboardInterrupt):
            told(dropped)

    main_thread = threading.current_thread() is threading.main_thread()
    if not main_thread or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield check  # another thread, or someone else meets it
        return
    signal.signal(signal.SIGINT, meet)
    sys.unraisablehook = tell
    try:
        yield check
    finally:
        sys.unraisablehook = told
        signal.signal(signal.SIGINT, signal.default_int_handler)


@contextmanager
def blocked() -> Iterator[None]:
    """Block Ctrl-C while processes start: they inherit the block, so that only this one obeys.

    It is met at the end. Another thread, such as a numerical library's, may take a signal that this
    one blocks; Python would then raise it here, between a process's start and what it is to do.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # would unblock Ctrl-C when it starts
    asked = False

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        asked = True

    main_thread = threading.current_thread() is threading.main_thread()
    usual = signal.getsignal(signal.SIGINT) if main_thread else None
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    if callable(usual):
        signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        if callable(usual):
            signal.signal(signal.SIGINT, usual)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    if asked and callable(usual):
        usual(signal.SIGINT, None)
