"""Errors that name the field, the value and what is allowed."""

import re
from collections import Counter
from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:
    from pydantic import ValidationError  # costs the command line a third of its start-up

# Control characters but tab and line ends, what turns the direction of text,
# and halves of characters, which no file can hold.
CONTROLS = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)

# Longest beginning and end of a sentence that quotes the user's input: the place and the remedy.
_BEGINNING, _END = 1500, 300


class OrbwrightError(Exception):
    """Base of every error that orbwright raises on purpose."""

    def __str__(self) -> str:
        """Return the sentence; what it quotes can neither fill the screen nor steer a terminal."""
        text = super().__str__()
        if len(text) > _BEGINNING + _END:
            text = f"{text[:_BEGINNING]} ... {text[-_END:]}"
        return CONTROLS.sub(lambda sign: repr(sign[0])[1:-1], text)


class InputError(OrbwrightError, ValueError):
    """The user's input cannot be used; the message says what, which value and what is allowed."""


class SolverError(OrbwrightError, ArithmeticError):
    """A computation did not reach an answer; the message says why."""


class Named(Protocol):
    """Anything that is found by its name."""

    @property
    def name(self) -> str:
        """What it is called."""


N = TypeVar("N", bound=Named)


def refuse_twice(items: Iterable[Named], kind: str) -> None:
    """Refuse a name that stands twice, as a validator does: by a ValueError."""
    twice = sorted(n for n, count in Counter(item.name for item in items).items() if count > 1)
    if twice:
        raise ValueError(f"{kind} {twice[0]!r} stands twice; every name may stand once")


def find_named(items: Iterable[N], name: str, kind: str, place: str) -> N:
    """Return the item of this name.

    Parameters
    ----------
    items : iterable
        What to search; each has a `name`.
    name : str
        The one wanted.
    kind, place : str
        What the items are and where they are from, for the message.

    Raises
    ------
    InputError
        If there is none; the message offers the nearest names.
    """
    found = {item.name: item for item in items}
    if name not in found:
        near = get_close_matches(name, found, n=3, cutoff=0.4) or list(found)[:8]
        raise InputError(f"{kind} {name!r} is not in the {place}; known: {', '.join(near)}.")
    return found[name]


_BOUNDS = {
    "greater_than": "above {gt}",
    "greater_than_equal": "at least {ge}",
    "less_than": "below {lt}",
    "less_than_equal": "at most {le}",
}


def _field_name(location: tuple[int | str, ...]) -> str:
    """Write a pydantic location the way a person counts: ``layer 2, outer_diameter_mm``."""
    words: list[str] = []
    for part in location:
        if isinstance(part, int) and words:
            words[-1] = f"{words[-1]} {part + 1}"
        elif isinstance(part, str):
            words.append(part)
    return ", ".join(words) or "the file"


def explain(error: "ValidationError", what: str, known: tuple[str, ...] = ()) -> InputError:
    """Turn a pydantic error into one sentence that names field, value and allowed range.

    Parameters
    ----------
    error : pydantic.ValidationError
        Only its first problem is told: one clear sentence helps more than a list.
    what : str
        What was being read, for example ``"ball.toml"``.
    known : tuple of str
        Field names to suggest when an unknown field looks like one of them.

    Returns
    -------
    InputError
        To be raised by the caller with ``from error``.
    """
    problems = error.errors(include_url=False)
    # A misspelt field is also a missing one: the spelling is the thing to tell.
    misspelt = [p for p in problems if p["type"] == "extra_forbidden"]
    first: dict[str, Any] = dict((misspelt or problems)[0])
    field = _field_name(first["loc"])
    kind, value, context = first["type"], first.get("input"), first.get("ctx", {})
    shown = repr(value) if not isinstance(value, dict | list) else "a table or list"
    if kind == "missing":
        return InputError(f"{what}: {field} is missing; it is required.")
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        name = str(first["loc"][-1])
        near = get_close_matches(name, known, n=1)
        hint = f"; did you mean {near[0]}?" if near else "; remove it or check its spelling."
        return InputError(f"{what}: {field} is not a known field{hint}")
    if kind in _BOUNDS:
        allowed = _BOUNDS[kind].format(**context)
        return InputError(f"{what}: {field} is {shown}, but must be {allowed}.")
    if kind == "value_error":
        sentence = str(context.get("error", first["msg"])).rstrip(".")
        where = f"{field}: " if first["loc"] else ""
        return InputError(f"{what}: {where}{sentence}.")
    return InputError(f"{what}: {field} is {shown}: {first['msg'].lower()}.")
