"""Where the command line writes: results to standard output, messages to standard error."""

import sys
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from layers.arrays import Precision
    from optimize.report.tables import Section


def say(text: str, stream: TextIO | None = None) -> None:
    """Write one message; to standard error unless told otherwise."""
    print(text, file=stream or sys.stderr, flush=True)


def print_sections(sections: "Iterable[Section]", heading: str = "") -> None:
    """Print tables to standard output."""
    from optimize.report.tables import show

    show(sections, sys.stdout, heading)


def print_json(record: Any) -> None:
    """Print plain data to standard output as JSON."""
    from optimize.report.writing import json_text

    say(json_text(record), sys.stdout)


def clock(seconds: float) -> str:
    """Write a time left in minutes and seconds."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def every_tenth(what: str) -> Callable[[int, int], None]:
    """Return what tells of each tenth of a computation.

    Parameters
    ----------
    what : str
        What is counted, such as ``further builds``.
    """
    reported = 0

    def report(done: int, count: int) -> None:
        nonlocal reported
        if 10 * done // count > reported:
            reported = 10 * done // count
            say(f"{done} of {count} {what}.")

    return report


def tell_of_compiling_the_cure() -> None:
    """Say that the first cure waits for its code to be compiled, if it does."""
    from optimize.compute.first_call import notice, seconds_to_compile_the_cure

    seconds = seconds_to_compile_the_cure()
    if seconds:
        say(notice(seconds))


def tell_of_compiling(names: Iterable[str], precision: "Precision" = "single") -> None:
    """Compile the numerical code for these figures, saying so, if it has yet to be."""
    from optimize.compute.first_call import compile_ahead, notice, seconds_to_compile

    wanted = list(names)
    seconds = seconds_to_compile(wanted, precision)
    if seconds:
        say(notice(seconds))
        compile_ahead(wanted, precision)
