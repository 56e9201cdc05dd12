"""The events of a ledger: written, read, and where two people's decisions disagree."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from layers.errors import InputError, find_named
from optimize.ledger import seal
from optimize.ledger.events import Event, cells_of_event, event_of
from optimize.ledger.file import explained
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import RunRecord
from optimize.ledger.tables import WITH_EVENTS

_VERDICTS = ("chosen", "rejected", "parked")


@dataclass(frozen=True)
class Dispute:
    """A build of a run that somebody chose and somebody else rejected, by each one's last word."""

    run: str
    build: str
    label: str
    chosen_by: tuple[str, ...]
    rejected_by: tuple[str, ...]

    def words(self) -> str:
        """Return it as a sentence without its full stop."""
        build = self.label or self.build[:12]
        by, against = ", ".join(self.chosen_by), ", ".join(self.rejected_by)
        return f"build {build} of run {self.run} is chosen by {by} and rejected by {against}"


def record(ledger: Ledger, events: Iterable[Event]) -> int:
    """Append events, each once, in a transaction of their own; nothing is added to a damaged chain.

    Returns
    -------
    int
        How many were added.

    Raises
    ------
    InputError
        If the ledger is damaged or cannot be written.
    """
    if ledger.rows("PRAGMA query_only") == [(1,)]:
        raise InputError(f"{ledger.path} cannot be written: the file or its folder is read-only.")
    with ledger.transaction():
        read_events(ledger)
        return seal.append_events(ledger.db, map(cells_of_event, events))


def record_files(ledger: Ledger, events: Iterable[Event]) -> int:
    """Append events about files, but those of a build and file that are there already; count them.

    Parameters
    ----------
    ledger : Ledger
        The ledger.
    events : iterable of Event
        Each with a build and a file's digest.

    Raises
    ------
    InputError
        If the ledger is damaged or cannot be written.
    """
    there = {(event.kind, event.build, event.file_digest) for event in read_events(ledger)}
    fresh = [e for e in events if (e.kind, e.build, e.file_digest) not in there]
    return record(ledger, fresh)


def read_events(ledger: Ledger) -> tuple[Event, ...]:
    """Read all events by moment; a ledger of an older format has none.

    Raises
    ------
    InputError
        If one is not as it was written, or one is gone, added or moved.
    """
    with explained(ledger.path), ledger.snapshot():
        ((version,),) = ledger.rows("PRAGMA user_version")
        if version < WITH_EVENTS:
            return ()
        found = [event_of(n, cells) for n, cells in enumerate(seal.events(ledger.db), start=1)]
    return tuple(sorted(found, key=lambda event: event.moment))


def of_run(events: Iterable[Event], run: str, builds: Collection[str]) -> tuple[Event, ...]:
    """Keep the events of a run, and those of its builds that belong to no run.

    Parameters
    ----------
    events : iterable of Event
        Of a ledger.
    run : str
        The run's id.
    builds : collection of str
        Keys of builds, such as those of its short list.
    """
    return tuple(e for e in events if e.run == run or (not e.run and e.build in builds))


def of_build(events: Iterable[Event], build: str) -> tuple[Event, ...]:
    """Keep the events of a build, whatever run it is of.

    Parameters
    ----------
    events : iterable of Event
        Of a ledger.
    build : str
        The build's key.
    """
    return tuple(event for event in events if event.build == build)


def starters(events: Iterable[Event]) -> dict[str, tuple[str, ...]]:
    """Return by run who started it or went on with it, each once; "" where not recorded."""
    names: dict[str, dict[str, None]] = {}
    for event in events:
        if event.kind in ("started", "resumed"):
            names.setdefault(event.run, {})[event.who] = None
    return {run: tuple(who) for run, who in names.items()}


def disputes(events: Sequence[Event]) -> list[Dispute]:
    """Find the builds of a run that one person's last word chooses and another's rejects.

    Parameters
    ----------
    events : sequence of Event
        By moment.
    """
    last: dict[tuple[str, str], dict[str, str]] = {}
    labels: dict[tuple[str, str], str] = {}
    for event in events:
        if event.kind in _VERDICTS:
            place = (event.run, event.build)
            last.setdefault(place, {})[event.who] = event.kind
            labels[place] = event.label or labels.get(place, "")
    found = []
    for (run, build), words in last.items():
        by, against = (
            tuple(who for who, word in words.items() if word == verdict)
            for verdict in ("chosen", "rejected")
        )
        if by and against:
            found.append(Dispute(run, build, labels[run, build], by, against))
    return found


def named_run(ledger: Ledger, run: str) -> RunRecord:
    """Find a run by its id, or the latest by its scenario's name, finished or not.

    Raises
    ------
    InputError
        If there is none; the message names those there are.
    """
    records = ledger.runs()
    record = next((r for r in records if r.id == run), None)
    if record is None and not records:
        raise InputError(f"there is no run {run!r} in {ledger.path}; it has none yet.")
    return record or find_named(records[::-1], run, "run", f"ledger {ledger.path}")
