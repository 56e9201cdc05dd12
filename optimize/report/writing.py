"""Text and JSON written to files."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from layers.errors import InputError

if TYPE_CHECKING:
    pass


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
