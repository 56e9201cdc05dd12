"""Where the command line writes: results to standard output, messages to standard error."""

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from layers.errors import InputError

if TYPE_CHECKING:
    from optimize.tables import Section


def say(text: str, stream: TextIO | None = None) -> None:
    """Write one message; to standard error unless told otherwise."""
    print(text, file=stream or sys.stderr, flush=True)


def print_sections(sections: "Iterable[Section]", heading: str = "") -> None:
    """Print tables to standard output."""
    from optimize.tables import show

    show(sections, sys.stdout, heading)


def print_json(record: Any) -> None:
    """Print plain data to standard output as JSON."""
    say(json_text(record), sys.stdout)


def json_text(record: Any) -> str:
    """Write plain data as JSON; it has no number that JSON lacks."""
    return json.dumps(record, indent=2, allow_nan=False, ensure_ascii=False)


def write_text(path: Path, text: str) -> None:
    """Write a file.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}.") from error


def tell_of_compiling(names: Iterable[str]) -> None:
    """Compile the numerical code for these figures, saying so, if it has yet to be."""
    from optimize.firstcall import compile_ahead, notice, seconds_to_compile

    wanted = list(names)
    seconds = seconds_to_compile(wanted)
    if seconds:
        say(notice(seconds))
        compile_ahead(wanted)
