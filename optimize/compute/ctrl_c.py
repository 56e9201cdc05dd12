"""Ctrl-C that is not lost, and that only this process obeys."""

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

# A Ctrl-C that cannot be met yet is sent again after this, where the system has such a timer.
_AGAIN_S = 0.05
_WAITS = hasattr(signal, "setitimer")


@contextmanager
def remembered() -> Iterator[Callable[[], None]]:
    """Meet a Ctrl-C where its exception is not lost, and remember it.

    Python drops an exception that is raised while an object is being deleted, and a cluster's
    library deletes one with each build: the search would go on as if nobody had asked it to stop.
    A compiled module that is being imported prints it and fails with another. Such a Ctrl-C is met
    again a moment later.

    Yields
    ------
    callable
        Raises KeyboardInterrupt if Ctrl-C was met since the start.
    """
    usual = _handler()
    asked, imports = False, _imports(sys._getframe())

    def meet(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        if _WAITS and _imports(frame) > imports:
            _send_again()
            return
        asked = True
        if usual:
            usual(number, frame)

    def check() -> None:
        if asked:
            if _WAITS:
                signal.setitimer(signal.ITIMER_REAL, 0.0)  # it is met here, not again
            raise KeyboardInterrupt

    told = sys.unraisablehook

    def tell(dropped: "sys.UnraisableHookArgs") -> None:
        if not asked:
            told(dropped)
        elif _WAITS and dropped.exc_type is KeyboardInterrupt:
            _send_again()
        # Others come from objects that Ctrl-C left half made.

    if not usual:
        yield check
        return
    signal.signal(signal.SIGINT, meet)
    sys.unraisablehook = tell
    try:
        yield check
    finally:
        sys.unraisablehook = told
        signal.signal(signal.SIGINT, usual)


def _handler() -> Callable[[int, FrameType | None], object] | None:
    """Return what meets Ctrl-C; None in another thread, or where it is to be ignored."""
    if threading.current_thread() is not threading.main_thread():
        return None
    usual = signal.getsignal(signal.SIGINT)
    return usual if callable(usual) else None


def _imports(frame: FrameType | None) -> int:
    """Count the imports that a frame is in."""
    count = 0
    while frame is not None:
        count += frame.f_code.co_filename.startswith("<frozen importlib")
        frame = frame.f_back
    return count


def _send_again() -> None:
    signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(signal.SIGINT))
    signal.setitimer(signal.ITIMER_REAL, _AGAIN_S)


@contextmanager
def blocked() -> Iterator[None]:
    """Block Ctrl-C while processes start: they inherit the block, so that only this one obeys.

    It is met at the end. Another thread, such as a numerical library's, may take a signal that this
    one blocks; Python would then raise it here, between a process's start and what it is to do.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker  # 5 ms, which every command would wait for

    resource_tracker.ensure_running()  # would unblock Ctrl-C when it starts
    asked = False

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        asked = True

    usual = _handler()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    if usual:
        signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        if usual:
            signal.signal(signal.SIGINT, usual)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    if asked and usual:
        usual(signal.SIGINT, None)
