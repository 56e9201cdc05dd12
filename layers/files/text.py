"""Reading the user's text files: what goes wrong is one sentence."""

from pathlib import Path

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
