"""Values as TOML text, to the last bit."""

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from layers.errors import InputError
from layers.files.text import MOST_NESTED, check_values

# Most names that dots may join into one key: time and memory of parsing go with its square.
MOST_DOTTED = 16

_PART = r"""(?:[A-Za-z0-9_-]++|"(?:\\.|[^"\\\n])*+"|'[^'\n]*+')"""
# The pieces of a TOML text in which a dot may stand, longest first, so that a dot in a string or a
# comment joins no key; `long` is a key of too many names.
_TOKEN = re.compile(
    r'"""(?s:[^"\\]++|\\.|"(?!""))*+"{3,5}|'
    r"'''(?:[^']++|'(?!''))*+'{3,5}|"
    rf"(?P<long>(?:{_PART}[ \t]*+\.[ \t]*+){{{MOST_DOTTED}}})|"
    rf"{_PART}|#[^\n]*+"
)


def toml_value(value: Any) -> str:
    """Write a string, number, truth value, sequence or table as TOML.

    Raises
    ------
    TypeError
        If it is of another type: TOML has no such value.
    """
    if isinstance(value, str):
        # JSON's string is TOML's basic string, but for the delete character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        pairs = (f"{_key(k)} = {toml_value(v)}" for k, v in value.items())
        return "{ " + ", ".join(pairs) + " }"
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(v) for v in value)}]"
    if isinstance(value, float):
        return float.__repr__(value)  # an array library's float writes itself otherwise
    if isinstance(value, int):
        return int.__repr__(value)
    raise TypeError(f"TOML has no value of type {type(value).__name__}.")


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else toml_value(key)


def parse_toml(text: str, what: str) -> dict[str, Any]:
    """Parse a TOML text whose name for messages is `what`.

    Raises
    ------
    InputError
        If it is not TOML, or beyond what `check_values` lets pass; the sentence says where.
    """
    for token in _TOKEN.finditer(text):
        if token["long"]:
            line = text.count("\n", 0, token.start()) + 1
            raise InputError(
                f"{what}: line {line} has a key of more than {MOST_DOTTED} names joined by dots."
            )
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{what} is not valid TOML: {error}.") from error
    except RecursionError as error:
        raise InputError(f"{what} is nested deeper than {MOST_NESTED} tables or lists.") from error
    except ValueError as error:  # Python's own bound on the digits of a whole number
        raise InputError(f"{what} has a whole number beyond 64 bits.") from error
    check_values(table, what)
    return table
