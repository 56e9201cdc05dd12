"""Values as TOML text, to the last bit."""

import json
import tomllib
from collections.abc import Mapping
from typing import Any

from layers.errors import InputError


def toml_value(value: Any) -> str:
    """Write a string, number, truth value, sequence or table as TOML."""
    if isinstance(value, str):
        # JSON's string is TOML's basic string, but for the delete character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(v) for v in value)}]"
    return repr(value)


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
