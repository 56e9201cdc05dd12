"""Values as TOML text, to the last bit."""

import json
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from layers.errors import Fault, InputError, faulty
from layers.files.other_units import with_units
from layers.files.paths import StrPath
from layers.files.text import MOST_NESTED, check_values, read_text

T = TypeVar("T")

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
    """Parse a TOML text whose name for messages is `what`; '0.05 in' is read by the key's unit.

    Raises
    ------
    InputError
        If it is not TOML, has a number in a unit of another kind, or is beyond what `check_values`
        lets pass; the sentence says where.
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
        raise InputError(f"{what} is not valid TOML: {error}; {_remedy(str(error))}.") from error
    except RecursionError as error:
        raise InputError(f"{what} is nested deeper than {MOST_NESTED} tables or lists.") from error
    except ValueError as error:  # Python's own bound on the digits of a whole number
        raise InputError(
            f"{what} has a whole number beyond 64 bits; write fewer digits."
        ) from error
    with told_by_line(text, what):
        check_values(table, what)
        return with_units(table, what)


# What helps against the parser's complaints, by a word of them.
_REMEDIES = {
    "Invalid value": "write text in quotes, a number with a decimal point and without its unit",
    "Unclosed": "close the bracket",
    "Unterminated": "close the quotes",
    "Illegal character": "close the quotes, or remove the character",
    "overwrite": "each key may stand once: remove one",
    "twice": "write it once",
    "escape": r"write \\ for a backslash, or put the text in single quotes",
}


def _remedy(complaint: str) -> str:
    found = [remedy for word, remedy in _REMEDIES.items() if word in complaint]
    return next(iter(found), "write every line as key = value, [table] or [[table]]")


def read_toml(path: StrPath, build: Callable[[dict[str, Any], str], T]) -> T:
    """Read a TOML file and build what it says; each fault is told by its line.

    Parameters
    ----------
    path : str or path
        The file.
    build : callable
        From the parsed table and the file's name, for messages.

    Raises
    ------
    InputError
        If the file is missing, unreadable or not TOML, and as raised by `build`.
    """
    path = Path(path)
    text = read_text(path)
    table = parse_toml(text, path.name)
    with told_by_line(text, path.name):
        return build(table, path.name)


@contextmanager
def told_by_line(text: str, what: str) -> Iterator[None]:
    """Name the line of each fault that is found in a TOML text while its table is read.

    Parameters
    ----------
    text : str
        The TOML text.
    what : str
        Its name, for the message.

    Raises
    ------
    InputError
        As raised within, its faults in the order of their lines.
    """
    try:
        yield
    except InputError as error:
        if not error.faults:
            raise
        lines = lines_of(text)
        placed = sorted(((_line(lines, f.place), f) for f in error.faults), key=lambda p: p[0])
        told = [Fault(f.place, f"line {n}: {f.sentence}" if n else f.sentence) for n, f in placed]
        raise InputError(str(faulty(told, what))) from error


@contextmanager
def told_by_name(what: str, *place: int | str) -> Iterator[None]:
    """Say which key of a file names the other file that is read within.

    Parameters
    ----------
    what : str
        Name of the file that has the key, for the message.
    *place : str or int
        Keys that lead to it.

    Raises
    ------
    InputError
        As raised within, the place put before it.
    """
    try:
        yield
    except InputError as error:
        told = f"{', '.join(map(str, place))}: {str(error).rstrip('.')}"
        raise faulty([Fault(place, told)], what) from error


def _line(lines: Mapping[tuple[int | str, ...], int], place: tuple[int | str, ...]) -> int:
    """Return the line of a place, or of the innermost table around it; 0 where there is none."""
    while place and place not in lines:
        within = [n for known, n in lines.items() if known[: len(place)] == place]
        if within:  # a table that has no heading of its own, or the first of several
            return min(within)
        place = place[:-1]
    return lines.get(place, 0)


_HEADER = re.compile(rf"[ \t]*(\[\[?)[ \t]*({_PART}(?:[ \t]*\.[ \t]*{_PART})*)[ \t]*\]")
_KEY_LINE = re.compile(rf"[ \t]*({_PART}(?:[ \t]*\.[ \t]*{_PART})*)[ \t]*=")


def lines_of(text: str) -> dict[tuple[int | str, ...], int]:
    r"""Return the line, from 1, of each table and key of a valid TOML text.

    Parameters
    ----------
    text : str
        What a TOML parser accepts.

    Returns
    -------
    dict of tuple to int
        By place: names, and numbers from 0 in arrays of tables. What stands in an inline table or
        a list has none of its own.

    Examples
    --------
    >>> lines_of('name = "a"\n[[layer]]\nrole = "core"')
    {('name',): 1, ('layer', 0): 2, ('layer', 0, 'role'): 3}
    """
    counts: dict[tuple[int | str, ...], int] = {}
    found: dict[tuple[int | str, ...], int] = {}
    table: tuple[int | str, ...] = ()
    depth = 0
    for number, line in enumerate(_TOKEN.sub(_without_text, text).split("\n"), start=1):
        if depth == 0 and (header := _HEADER.match(line)):
            table = _place(_names(header[2]), counts, array=header[1] == "[[")
            found.setdefault(table, number)
        elif depth == 0 and (key := _KEY_LINE.match(line)):
            found[(*table, *_names(key[1]))] = number
            depth += _opened(line[key.end() :])
        else:
            depth += _opened(line)
    return found


def _without_text(token: re.Match[str]) -> str:
    """Blank a string or a comment; quoted keys and line ends stay."""
    text = token[0]
    if text.startswith(("#", '"""', "'''")):
        return "\n" * text.count("\n")
    return text


def _opened(text: str) -> int:
    """Return how many brackets stay open after a piece of a line."""
    bare = re.sub(rf"{_PART}", "", text)
    return sum(bare.count(b) for b in "[{") - sum(bare.count(b) for b in "]}")


def _names(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))


def _place(
    names: tuple[str, ...], counts: dict[tuple[int | str, ...], int], array: bool
) -> tuple[int | str, ...]:
    """Return the place of a table's header; one within an array is in its latest table."""
    place: tuple[int | str, ...] = ()
    for i, name in enumerate(names):
        place = (*place, name)
        if array and i == len(names) - 1:
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place = (*place, counts[place])
    return place
