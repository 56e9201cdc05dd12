"""Files that users name: by a string or a path, and texts written to them."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from os import PathLike
from pathlib import Path
from typing import IO

from layers.errors import InputError

StrPath = str | PathLike[str]


def write_text(path: StrPath, text: str) -> None:
    """Write a UTF-8 text file.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}.") from error


@contextmanager
def written_whole(path: Path) -> Iterator[IO[bytes]]:
    """Write a file whole or not at all: it gets its name when all of it is on the disk.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}.") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
