"""The file of decisions and notes that a run's page exports."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from layers.errors import InputError
from layers.files.explain import explain
from layers.files.text import Name, check_values, read_text
from optimize.ledger.events import LONGEST_NAME, LONGEST_TEXT, Event, one_line


def _moment(text: str) -> str:
    """Read a moment with its offset, and write it as the ledger does."""
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError(f"is {text!r}, but needs its offset from UTC, such as 'Z'")
    return found.astimezone(UTC).isoformat(timespec="milliseconds")


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class _Exported(_Table):
    """One decision or note."""

    kind: Literal["chosen", "rejected", "parked", "note"]
    run: Annotated[Name, Field(max_length=64)]
    build: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]
    label: Annotated[Name, Field(max_length=2)]
    who: Annotated[Name, Field(max_length=LONGEST_NAME)] = ""
    text: Annotated[Name, Field(max_length=LONGEST_TEXT)] = ""
    moment: Annotated[str, AfterValidator(_moment)]


class _NotesFile(_Table):
    format: Literal["orbwright notes"]
    run: Annotated[Name, Field(max_length=64)]
    events: Annotated[list[_Exported], Field(max_length=1000)]


def read_notes(path: Path, who: str | None = None) -> tuple[Event, ...]:
    """Read the decisions and notes that a page exported.

    Parameters
    ----------
    path : Path
        The JSON file.
    who : str, optional
        Whose they are where the file names nobody.

    Raises
    ------
    InputError
        If the file cannot be read or is not such a file, or an event of nobody is in it.
    """
    try:
        table: Any = json.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path} is not JSON: {error}; export the notes anew.") from error
    check_values(table, str(path))
    try:
        found = _NotesFile.model_validate(table)
    except ValidationError as error:
        raise explain(error, str(path)) from error
    return tuple(_event(one, who, path) for one in found.events)


def _event(one: _Exported, who: str | None, path: Path) -> Event:
    name = one.who or who
    if not name:
        raise InputError(
            f"{path} does not say who decided on build {one.label}; give a name with --who."
        )
    text = one_line(one.text, "a note") if one.text or one.kind == "note" else ""
    who = one_line(name, "the name of who decided", LONGEST_NAME)
    return Event(one.kind, one.run, one.build, one.label, who, text, moment=one.moment)
