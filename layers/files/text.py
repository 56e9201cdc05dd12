"""Reading the user's text files: what goes wrong is one sentence, and soon."""

import codecs
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator

from layers.errors import CONTROLS, Fault, InputError, faulty

# Largest TOML file read: a scenario has some 5 kB, a calibration of 100 numbers some 300 kB.
MOST_TOML_BYTES = 2_000_000
# Most values, tables and lists of one file, counted together: a calibration of 100 numbers has
# some 15,000. Each may become an error to be told, which takes about a kilobyte.
MOST_VALUES = 50_000
# Tables and lists within one another; no format of ours goes beyond 5.
MOST_NESTED = 20
# Whole numbers of a format that every program can read have 64 bits (TOML 1.0, "Integer").
_WHOLE = range(-(2**63), 2**63)

# What is no regular file, by the test that tells it.
_KINDS: dict[str, Callable[[int], bool]] = {
    "directory": stat.S_ISDIR,
    "pipe": stat.S_ISFIFO,
    "device": lambda mode: stat.S_ISCHR(mode) or stat.S_ISBLK(mode),
}


def _without_controls(text: str) -> str:
    """Let a text pass as a validator does, or refuse it by a ValueError."""
    found = CONTROLS.search(text)
    if found:
        raise ValueError(f"has the control character U+{ord(found[0]):04X}; remove it")
    return text


def _on_one_line(text: str) -> str:
    if {"\t", "\n", "\r"}.intersection(text):
        raise ValueError(f"is {text!r}, but must be on one line, without tabs")
    return _without_controls(text)


# A text of the user's that is kept, such as a source; and a name, on one line. Both come back the
# same from every file that we write them to.
Text = Annotated[str, AfterValidator(_without_controls)]
Name = Annotated[str, AfterValidator(_on_one_line)]


def read_text(path: Path, most_bytes: int = MOST_TOML_BYTES) -> str:
    """Read a UTF-8 text file, with or without a byte-order mark, or a marked UTF-16 one.

    Parameters
    ----------
    path : Path
        A regular file.
    most_bytes : int
        Its largest size; no more than one byte beyond it is read.

    Raises
    ------
    InputError
        If the file is missing, unreadable, larger, no regular file or not text.
    """
    if CONTROLS.search(path.name) or {"\t", "\n", "\r"}.intersection(path.name):
        raise InputError(f"{path.name!r} has control characters in its name; rename the file.")
    try:
        with open(path, "rb", opener=regular_file) as file:
            if (
                os.fstat(file.fileno()).st_size > most_bytes
                or len(raw := file.read(most_bytes + 1)) > most_bytes  # some tell no size
            ):
                raise InputError(
                    f"{path} is larger than {most_bytes / 1e6:g} MB; split it or leave out what is "
                    "not needed."
                )
    except OSError as error:
        lost = (
            "; give the name of a file that is there"
            if isinstance(error, FileNotFoundError)
            else ""
        )
        raise InputError(f"{path} cannot be read: {error.strerror or error}{lost}.") from error
    text = _decoded(raw, path)
    refuse_controls(text, str(path))
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decoded(raw: bytes, path: Path) -> str:
    """Decode UTF-8, or UTF-16 that its byte-order mark tells."""
    marked = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return raw.decode("utf-16" if marked else "utf-8-sig")
    except UnicodeDecodeError as error:
        if marked:
            raise InputError(
                f"{path} cannot be read: it begins as UTF-16 but is not; save it as UTF-8."
            ) from error
        # One byte a sign, of a country's own table: which one, the file does not say.
        line, byte = raw.count(b"\n", 0, error.start) + 1, raw[error.start]
        raise InputError(
            f"{path} cannot be read: line {line} has the byte 0x{byte:02X}, which is not UTF-8; "
            "save the file as UTF-8."
        ) from error


def regular_file(path: str, flags: int) -> int:
    """Open a regular file, without waiting: a pipe would, until somebody writes to it.

    Raises
    ------
    InputError
        If it is no regular file.
    """
    file = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    mode = os.fstat(file).st_mode
    kind = next((kind for kind, is_one in _KINDS.items() if is_one(mode)), None)
    if kind:
        os.close(file)
        raise InputError(f"{path} is a {kind}, but must be a file.")
    return file


def refuse_controls(text: str, what: str) -> None:
    """Refuse a text with control characters other than tabs and line ends.

    Parameters
    ----------
    text : str
        A file's text or one of its strings.
    what : str
        Its name, for the message.

    Raises
    ------
    InputError
        Naming the character and the line.
    """
    found = CONTROLS.search(text)
    if found:
        line = text.count("\n", 0, found.start()) + 1
        remedy = "save the file as UTF-8" if found[0] == "\0" else "remove it"
        raise InputError(
            f"{what}: line {line} has the control character U+{ord(found[0]):04X}; {remedy}."
        )


def check_values(table: Any, what: str) -> None:
    """Refuse parsed TOML or JSON of too many values, too deep, or with values that none can keep.

    Parameters
    ----------
    table : dict, list or value
        What the parser returned.
    what : str
        Its name, for messages.

    Raises
    ------
    InputError
        On more than `MOST_VALUES` values or `MOST_NESTED` levels, a whole number beyond 64 bits,
        or a control character in a text; the key is named.
    """
    level: list[tuple[tuple[int | str, ...], Any]] = [((), table)]
    depth = count = 0
    while level:
        count += len(level)
        if count > MOST_VALUES:
            raise InputError(f"{what} has more than {MOST_VALUES} values; leave some out.")
        if depth > MOST_NESTED:
            raise InputError(f"{what} is nested deeper than {MOST_NESTED} tables or lists.")
        depth += 1
        inner: list[tuple[tuple[int | str, ...], Any]] = []
        for place, value in level:
            key = next((part for part in reversed(place) if isinstance(part, str)), "")
            if isinstance(value, str):
                refuse_controls(value, f"{what}: {key}")
            elif isinstance(value, int) and value not in _WHOLE:
                beyond = f"{key} is a whole number beyond 64 bits; write fewer digits"
                raise faulty([Fault(place, beyond)], what)
            elif isinstance(value, dict):
                for name in value:
                    refuse_controls(name, f"{what}: a name in {key or 'the file'}")
                inner += (((*place, name), item) for name, item in value.items())
            elif isinstance(value, list):
                inner += (((*place, i), item) for i, item in enumerate(value))
        level = inner
