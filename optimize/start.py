"""Where the command starts: Ctrl-C is met even while the command line is being imported."""

import os
import signal
import sys

_SAID, _INTERRUPTED = "orbwright: stopped by Ctrl-C.\n", 130


def main() -> int:
    """Run the command line; see `optimize.commands.app.main` for the exit codes."""
    try:
        usual = signal.getsignal(signal.SIGINT)
        if usual is signal.default_int_handler:  # else Ctrl-C is to be ignored
            signal.signal(signal.SIGINT, _end)
        from optimize.commands.app import main as command_line

        signal.signal(signal.SIGINT, usual)
        return command_line()
    except KeyboardInterrupt:
        sys.stderr.write(_SAID)
        return _INTERRUPTED


def _end(*_: object) -> None:
    """End at once, with nothing begun yet: an import may swallow an exception, or print it."""
    os.write(2, _SAID.encode())
    os._exit(_INTERRUPTED)
