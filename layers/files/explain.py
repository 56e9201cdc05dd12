"""What a schema refuses, in one sentence that names field, value and allowed range."""

import math
from collections.abc import Iterable, Mapping
from datetime import date, time
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from layers.errors import Fault, InputError, PlacedError, faulty
from layers.files.other_units import unit_hint, unit_of_key

_BOUNDS = {
    "greater_than": "above {gt}",
    "greater_than_equal": "at least {ge}",
    "less_than": "below {lt}",
    "less_than_equal": "at most {le}",
}

# What a schema's types are called where a value is of another.
_KINDS = {
    **dict.fromkeys(("float_type", "float_parsing"), "a number"),
    **dict.fromkeys(("int_type", "int_parsing", "int_from_float"), "a whole number"),
    **dict.fromkeys(("int_parsing_size",), "a whole number of fewer digits"),
    **dict.fromkeys(("finite_number",), "a finite number"),
    **dict.fromkeys(("string_type",), "text in quotes"),
    **dict.fromkeys(("bool_type", "bool_parsing"), "true or false"),
    **dict.fromkeys(("tuple_type", "list_type"), "a list, or tables under [[ ]]"),
    **dict.fromkeys(("dict_type", "model_type", "model_attributes_type"), "a table"),
}

_LENGTHS = {
    "too_short": ("at least", "entries"),
    "too_long": ("at most", "entries"),
    "string_too_short": ("at least", "characters"),
    "string_too_long": ("at most", "characters"),
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


def explain(
    error: ValidationError,
    what: str,
    known: tuple[str, ...] = (),
    schemas: tuple[type[BaseModel], ...] = (),
    more: Mapping[str, Iterable[str]] | None = None,
) -> InputError:
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
    schemas : tuple of pydantic models
        What the file is read by: an unknown field's message lists those of its own table only.
    more : mapping of str to names, optional
        Fields that a table of the file may have beside those of its schema, by the schema's name.

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
    faults = [Fault(_place_of(p), _sentence(p, known, schemas, more or {})) for p in told]
    # Of a field that may be of several kinds each kind has its own problem: the first is told.
    first = {fault.place[:3]: fault for fault in reversed(faults)}
    return faulty([fault for fault in faults if first[fault.place[:3]] is fault], what)


def _place_of(problem: dict[str, Any]) -> tuple[int | str, ...]:
    error = problem.get("ctx", {}).get("error")
    return (*problem["loc"], *(error.place if isinstance(error, PlacedError) else ()))


def _fields_at(
    location: tuple[int | str, ...],
    schemas: tuple[type[BaseModel], ...],
    more: Mapping[str, Iterable[str]],
) -> tuple[str, ...]:
    """Return the fields of the table at a place; none where no schema leads there."""
    for schema in schemas:
        model: type[BaseModel] | None = schema
        for part in location:
            if isinstance(part, str) and model is not None:
                field = model.model_fields.get(part)
                model = _model_in(field.annotation) if field else None
        if model is not None:
            return (*model.model_fields, *more.get(model.__name__, ()))
    return ()


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model that an annotation is of, or has among its parts."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_model_in, get_args(annotation))), None)


def _unknown(
    field: str,
    location: tuple[int | str, ...],
    known: tuple[str, ...],
    schemas: tuple[type[BaseModel], ...],
    more: Mapping[str, Iterable[str]],
) -> str:
    """Tell of a field that is not known: the nearest, or those that there are."""
    name = str(location[-1])
    here = _fields_at(location[:-1], schemas, more) or known
    near = get_close_matches(name.lower(), here, n=1)
    if name in known and near != [name.lower()]:
        return f"{field} does not belong here; move it to its own table, or remove it"
    if near and near[0] != name:
        return f"{field} is not a known field; did you mean {near[0]}?"
    listed = f"known: {', '.join(here)}" if here and not near else "remove it"
    return f"{field} is not a known field; {listed}"


# A number in its other unit is told no further above a lower bound than so many times the bound.
_FAR = 10.0


def _sentence(
    problem: dict[str, Any],
    known: tuple[str, ...],
    schemas: tuple[type[BaseModel], ...],
    more: Mapping[str, Iterable[str]],
) -> str:
    """Tell one problem of pydantic."""
    field = _field_name(problem["loc"])
    kind, value, context = problem["type"], problem.get("input"), problem.get("ctx", {})
    shown = shown_value(value)
    if kind == "missing":
        return f"{field} is missing; add it"
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        return _unknown(field, problem["loc"], known, schemas, more)
    if kind in _BOUNDS:
        low = context.get("ge", -math.inf)
        # Above a lower bound alone any larger unit would do: not far above it is plausible.
        high = context.get("le", _FAR * low if low > 0.0 else math.inf)
        unit = unit_of_key(field.rstrip(" 0123456789"))  # an end of a range is numbered
        hint = unit_hint(value, unit, low, high) if isinstance(value, float | int) else ""
        return f"{field} is {shown}, but must be {_BOUNDS[kind].format(**context)}{hint}"
    if kind == "value_error":
        sentence = str(context.get("error", problem["msg"])).rstrip(".")
        return f"{field}: {sentence}" if problem["loc"] else sentence
    if kind in _LENGTHS:
        side, of = _LENGTHS[kind]
        length = context.get("actual_length", len(value) if isinstance(value, str) else "")
        wanted = context.get("min_length", context.get("max_length"))
        return f"{field} has {length} {of}, but must have {side} {wanted}"
    if kind == "literal_error":
        return f"{field} is {shown}, but must be {context['expected']}"
    if kind in _KINDS:
        wanted = _TABLES.get(context.get("class_name", ""), _KINDS[kind])
        unit = unit_of_key(field) if "number" in wanted else ""
        return f"{field} is {shown}, but must be {wanted}{f' in {unit}' if unit else ''}"
    return f"{field} is {shown}: {problem['msg'].lower()}"


# Tables that a file usually writes as something shorter, by the name of their schema.
_TABLES = {
    "Datum": "a number",
    "RelaxationPair": "a table with strength and time_us",
    "Material": "the name of a card in quotes",
    "Ingredient": "the name of a card in quotes",
}


def shown_value(value: Any) -> str:
    """Write a value as its file has it, or name its kind."""
    if isinstance(value, dict | list | tuple):
        return "a table or list"
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, date | time) else repr(value)
