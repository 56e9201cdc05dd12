"""What a schema refuses, in one sentence that names field, value and allowed range."""

import math
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from layers.errors import Fault, InputError, faulty
from layers.files.other_units import unit_hint, unit_of_key

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


def explain(error: ValidationError, what: str, known: tuple[str, ...] = ()) -> InputError:
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
        low, high = context.get("ge", -math.inf), context.get("le", math.inf)
        hint = unit_hint(value, unit_of_key(field), low, high) if isinstance(value, float) else ""
        return f"{field} is {shown}, but must be {_BOUNDS[kind].format(**context)}{hint}"
    if kind == "value_error":
        sentence = str(context.get("error", problem["msg"])).rstrip(".")
        return f"{field}: {sentence}" if problem["loc"] else sentence
    return f"{field} is {shown}: {problem['msg'].lower()}"
