"""Errors that name the field, the value and what is allowed."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Protocol, TypeVar

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


class PlacedError(ValueError):
    """What a validator of a table refuses; `place` leads from the table to the key at fault."""

    def __init__(self, text: str, *place: int | str) -> None:
        super().__init__(text)
        self.place = place


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
        raise ValueError(f"{kind} {twice[0]!r} stands twice; rename or remove one")


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
        listed = ", ".join(repr(known) if "," in known else known for known in near)
        raise InputError(f"{kind} {name!r} is not in the {place}; known: {listed}.")
    return found[name]


def exact(value: float) -> str:
    """Write a number of the user's with every digit that it has.

    Examples
    --------
    >>> exact(42.7), exact(45), exact(1234567.891)
    ('42.7', '45', '1234567.891')
    """
    return repr(float(value)).removesuffix(".0")


# Most faults that one sentence tells; a file of wrong units would otherwise fill the screen, and
# reading a table ends there.
MOST_FAULTS = 10


def joined(sentences: Sequence[str]) -> str:
    """Join the sentences of faults into one, without its full stop: `MOST_FAULTS` of them."""
    return "; ".join([*sentences[:MOST_FAULTS], *["and more"] * (len(sentences) > MOST_FAULTS)])


def faulty(faults: Sequence[Fault], what: str) -> InputError:
    """Put the faults of a file into one error, to be raised by the caller."""
    shown = joined([fault.sentence for fault in faults])
    return InputError(f"{what}: {shown}{'' if shown.endswith('?') else '.'}", faults)
