"""Files of the laboratory noted in a ledger, by the build that they are of."""

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import say
from optimize.commands.options import existing

if TYPE_CHECKING:
    from layers.ball import Ball
    from optimize.ledger.events import Kind

LedgerToNote = Annotated[
    Path | None,
    typer.Option("--ledger", metavar="FILE", help="also note it in this ledger, by its build"),
]

# What was done, with which build, and the file's name and content.
Done = tuple["Kind", "Ball", str, bytes]


def note_files(ledger: Path, who: str | None, done: Iterable[Done]) -> None:
    """Note files in an existing ledger; the same file of the same build once.

    Parameters
    ----------
    ledger : Path
        The ledger.
    who : str or None
        As `optimize.ledger.events.named` takes it.
    done : iterable of (kind, Ball, str, bytes)
        What was done, with which build, and the file's name and content.

    Raises
    ------
    InputError
        If the ledger is not there, damaged or read-only.
    """
    from optimize.ledger.decisions import record_files
    from optimize.ledger.events import Event, digest_of_file, named, one_line
    from optimize.scenario.space import content_of, key_of

    name = named(who)
    events = [
        Event(
            kind,
            build=key_of(content_of(ball)),
            who=name,
            file=one_line(file, "the file's name"),
            file_digest=digest_of_file(content),
        )
        for kind, ball, file, content in done
    ]
    with existing(ledger, keeping=True) as book:
        builds = sorted({event.build for event in events})
        count = record_files(book, events)
        query = "SELECT count(*) FROM evaluation WHERE build = ?"
        unknown = [b for b in builds if book.rows(query, (bytes.fromhex(b),)) == [(0,)]]
    say(f"{ledger}: {count or 'no new'} event{'' if count == 1 else 's'} noted.")
    for build in unknown:
        say(f"Build {build[:12]} has no figures in it: it comes of none of its runs.")


def refuse_missing(ledger: Path | None) -> None:
    """Refuse a ledger that is not there, before anything is computed."""
    if ledger and not ledger.exists():
        raise InputError(f"ledger {ledger} is not there; 'orbwright search' writes one.")
