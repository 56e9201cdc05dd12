"""Bringing ledgers together: what one lacks is taken from others, all of it or nothing."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from layers.errors import InputError
from optimize.ledger import seal
from optimize.ledger.decisions import Dispute, disputes, read_events
from optimize.ledger.events import cells_of_event
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Known
from optimize.ledger.seal import RunRow

# Called with the number of evaluations read so far, and of all that are to be read.
Report = Callable[[int, int], None]

_BATCH = 500


@dataclass(frozen=True)
class Merged:
    """What a merge has brought.

    Attributes
    ----------
    evaluations, runs, proposals : int
        Rows that were added; a run that got further elsewhere counts as added.
    conflicts : int
        Added evaluations with a figure that stood already, for the same build and the same version
        of the model, with another value; the first stays the one that counts.
    example : str
        One of them in words; empty if there is none.
    events : int
        Decisions, notes and the like that were added.
    disputes : tuple of Dispute
        Builds that one person chose and another rejected, as far as the merge brought it to light.
    """

    evaluations: int = 0
    runs: int = 0
    proposals: int = 0
    conflicts: int = 0
    example: str = ""
    events: int = 0
    disputes: tuple[Dispute, ...] = ()


def merge(into: Ledger, sources: Sequence[Ledger], report: Report | None = None) -> Merged:
    """Take over what other ledgers hold, in one transaction; again, it changes nothing.

    Parameters
    ----------
    into : Ledger
        The ledger that grows.
    sources : sequence of Ledger
        Those read, in this order; rows are checked one by one.
    report : callable, optional
        Told how far it is.

    Returns
    -------
    Merged
        What was added.

    Raises
    ------
    InputError
        If a source is damaged or is `into` itself, or the disk is full; nothing is changed then.
    """
    for source in sources:
        if source.path.samefile(into.path):
            raise InputError(f"{source.path} cannot be merged into itself.")
    lengths = [len(source) for source in sources]
    found = Merged()
    with into.transaction():
        known = disputes(read_events(into))
        for i, source in enumerate(sources):
            done = _counting(report, sum(lengths[:i]), sum(lengths))
            with source.snapshot():
                found = _evaluations(into, source, found, done)
                found = _runs(into, source, found)
                added = seal.append_events(into.db, map(cells_of_event, read_events(source)))
                found = replace(found, events=found.events + added)
        fresh = [d for d in disputes(read_events(into)) if d not in known]
    return replace(found, disputes=tuple(fresh))


def _counting(report: Report | None, before: int, total: int) -> Callable[[int], None]:
    def done(count: int) -> None:
        if report:
            report(min(before + count, total), total)  # a source may grow meanwhile

    return done


def _evaluations(
    into: Ledger, source: Ledger, found: Merged, done: Callable[[int], None]
) -> Merged:
    ((last,),) = into.rows("SELECT coalesce(max(id), 0) FROM evaluation")
    added, conflicts, example, read = found.evaluations, found.conflicts, found.example, 0
    entries = source.entries()
    while batch := list(islice(entries, _BATCH)):
        clashes = _clashes(into, batch, last)
        conflicts += len(clashes)
        example = example or next(iter(clashes), "")
        added += into.insert(batch)
        read += len(batch)
        done(read)
    return replace(found, evaluations=added, conflicts=conflicts, example=example)


def _clashes(into: Ledger, batch: list[Entry], last: int) -> list[str]:
    """Say which rows differ in a figure from the first `last` rows that are there."""
    words = []
    for version in sorted({entry.model_version for entry in batch}):
        here = [entry for entry in batch if entry.model_version == version]
        marks = ",".join("?" * len(here))
        query = (
            "SELECT build, digest FROM evaluation WHERE model_version = ? "
            f"AND build IN ({marks}) AND id <= ?"
        )
        stand = set(into.rows(query, (version, *(entry.build for entry in here), last)))
        builds = {build for build, _ in stand}
        fresh = [e for e in here if e.build in builds and (e.build, e.digest) not in stand]
        known = into.known([entry.build.hex() for entry in fresh], version)
        words += [_difference(known[entry.build.hex()], entry) for entry in fresh]
    return [difference for difference in words if difference]


def _difference(known: Known, entry: Entry) -> str:
    """Say in which outcome a row differs from what stands; empty if in none."""
    other = entry.known()
    here = {name: f"fails ({why})" for name, why in known.failed.items()}
    here |= {name: repr(figure.value) for name, figure in known.figures.items()}
    there = {name: f"fails ({why})" for name, why in other.failed.items()}
    there |= {name: repr(figure.value) for name, figure in other.figures.items()}
    for name in there:
        if name in here and here[name] != there[name]:
            return f"{name} of build {entry.build.hex()} is {here[name]} here, {there[name]} there"
    return ""


def _runs(into: Ledger, source: Ledger, found: Merged) -> Merged:
    """Take over each run that is new, or that got further than here, with its proposals."""
    runs, proposals = found.runs, found.proposals
    here = {row.id: _how_far(row) for row in into.run_rows()}
    for row in source.run_rows()[::-1]:
        if _how_far(row) <= here.get(row.id, (False, -1)):
            continue
        into.take_run(row, source.looked_at(row))
        runs, proposals = runs + 1, proposals + row.proposals
    return replace(found, runs=runs, proposals=proposals)


def _how_far(row: RunRow) -> tuple[bool, int]:
    """Return whether a run is finished, and how many builds it looked at."""
    return row.status == "finished", row.proposals
