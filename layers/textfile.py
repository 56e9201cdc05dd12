"""Reading the user's text files: what goes wrong is one sentence."""

import tomllib
from pathlib import Path
from typing import Any

from layers.errors import InputError


def read_text(path: Path) -> str:
    """Read a UTF-8 text file, with or without a byte-order mark.

    Raises
    ------
    InputError
        If the file is missing, unreadable or not text.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise InputError(f"{path} cannot be read: {reason}.") from error


def parse_toml(text: str, what: str) -> dict[str, Any]:
    """Parse a TOML text whose name for messages is `what`.

    Raises
    ------
    InputError
        If it is not TOML; the sentence says where.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{what} is not valid TOML: {error}.") from error
