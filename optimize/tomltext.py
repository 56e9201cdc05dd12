"""Values as TOML text, to the last bit."""

import json
from collections.abc import Mapping
from typing import Any


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
