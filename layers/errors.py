"""Errors that name the field, the value and what is allowed."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong in a file: where, as keys and numbers from 0, and the sentence."""

    place: tuple[int | str, ...]
    sentence: str


class InputError(OrbwrightError, ValueError):
    """The user's input cannot be used; the message says what, which value and what is allowed.

    `faults` has the faults of a file one by one, where there may be several.
    """

    def __init__(self, text: str, faults: Iterable[Fault] = ()) -> None:
        super().__init__(text)
        self.faults = tuple(faults)


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
    """Return the item of this name; in another case, if only one has it then.

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
        alike = [known for known in found if known.casefold() == name.casefold().strip()]
        if len(alike) == 1:
            return found[alike[0]]
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


# Most faults that one sentence tells; a file of wrong units would otherwise fill the screen.
MOST_FAULTS = 10


def faulty(faults: Sequence[Fault], what: str) -> InputError:
    """Put the faults of a file into one error, to be raised by the caller."""
    shown = "; ".join(fault.sentence for fault in faults[:MOST_FAULTS])
    more = "; and more" if len(faults) > MOST_FAULTS else ""
    end = "" if shown.endswith("?") else "."
    return InputError(f"{what}: {shown}{more}{end}", faults)


def explain(error: "ValidationError", what: str, known: tuple[str, ...] = ()) -> InputError:
    """Turn a pydantic error into one sentence that names fields, values and allowed ranges.

    Parameters
    ----------
    error : pydantic.ValidationError
        All its problems are told, up to `MOST_FAULTS`.
    what : str
        What was being read, for example ``"ball.toml"``.
    known : tuple of str
        Field names to suggest when an unknown field looks like one of them; where none does, the
        message lists them.

    Returns
    -------
    InputError
        To be raised by the caller with ``from error``.
    """
    problems: list[dict[str, Any]] = [dict(p) for p in error.errors(include_url=False)]
    # A misspelt field is also a missing one, and a list of faulty rows is also a short one: the
    # cause is the thing to tell.
    misspelt = {p["loc"][:-1] for p in problems if p["type"] == "extra_forbidden"}
    around = {p["loc"][:n] for p in problems for n in range(len(p["loc"]))}
    told = [
        p
        for p in problems
        if not (p["type"] == "missing" and p["loc"][:-1] in misspelt)
        and not (p["type"] == "too_short" and p["loc"] in around)
    ]
    faults = [Fault(p["loc"], _sentence(p, known)) for p in told]
    # Of a field that may be of several kinds each kind has its own problem: the first is told.
    first = {fault.place[:3]: fault for fault in reversed(faults)}
    return faulty([fault for fault in faults if first[fault.place[:3]] is fault], what)


def _sentence(problem: dict[str, Any], known: tuple[str, ...]) -> str:
    """Tell one problem of pydantic."""
    field = _field_name(problem["loc"])
    kind, value, context = problem["type"], problem.get("input"), problem.get("ctx", {})
    shown = repr(value) if not isinstance(value, dict | list) else "a table or list"
    if kind == "missing":
        return f"{field} is missing; it is required"
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        name = str(problem["loc"][-1])
        near = get_close_matches(name.lower(), known, n=1)
        if near:
            return f"{field} is not a known field; did you mean {near[0]}?"
        listed = f"; known: {', '.join(known)}" if known else "; remove it or check its spelling"
        return f"{field} is not a known field{listed}"
    if kind in _BOUNDS:
        return f"{field} is {shown}, but must be {_BOUNDS[kind].format(**context)}"
    if kind == "value_error":
        sentence = str(context.get("error", problem["msg"])).rstrip(".")
        return f"{field}: {sentence}" if problem["loc"] else sentence
    return f"{field} is {shown}: {problem['msg'].lower()}"
