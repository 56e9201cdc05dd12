"""Where the command starts: Ctrl-C is met even while the command line is being imported."""

import atexit
import os
import signal
import sys
from contextlib import suppress

_SAID, _INTERRUPTED = "orbwright: stopped by Ctrl-C.\n", 130


def main() -> int:
    """Run the command line; see `optimize.commands.app.main` for the exit codes."""
    usual = signal.getsignal(signal.SIGINT)
    heeded = usual is signal.default_int_handler  # else Ctrl-C is to be ignored
    try:
        if heeded:
            signal.signal(signal.SIGINT, _end)
            # The interpreter's very last steps would be killed by it, with the answer told.
            atexit.register(signal.signal, signal.SIGINT, signal.SIG_IGN)
        from optimize.commands.app import main as command_line
        from optimize.compute import ctrl_c

        signal.signal(signal.SIGINT, usual)
        with ctrl_c.remembered() as check:
            try:
                code = command_line()
            except Exception:
                check()  # compiled code may turn a Ctrl-C into an error of its own
                raise
    except KeyboardInterrupt:
        _drop_half_made()  # before this exception goes, and with it what it holds
        sys.stderr.write(_SAID)
        code = _INTERRUPTED
    if code == _INTERRUPTED:
        _drop_half_made()
    if heeded:  # the interpreter's own end would print it
        with suppress(OSError):
            sys.stdout.flush()
        signal.signal(signal.SIGINT, lambda *_: os._exit(code))
    return code


def _drop_half_made() -> None:
    """Let objects that Ctrl-C left half made fail without a word when they are deleted."""
    sys.unraisablehook = lambda _: None


def _end(*_: object) -> None:
    """End at once, with nothing begun yet: an import may swallow an exception, or print it."""
    os.write(2, _SAID.encode())
    os._exit(_INTERRUPTED)
