"""Files that users name: by a string or a path, and texts written to them."""

from os import PathLike
from pathlib import Path

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
