"""What binds a ledger's rows together, so that a changed, removed, added or moved row shows.

Evaluations are one chain: each bears a link, the digest of the link before it and of itself, and
``seal`` keeps their count and the last link. Each run is a chain of its proposals, whose count and
last link stand in the run's own row, under a digest of that row; ``seal`` keeps the count of runs.
Events (who decided, noted or made what) are one chain like the evaluations, kept in ``seal`` too.
A lookup reads single evaluations: each says which it is of its build, so that one that is gone is
missed. All this tells damage and accidents, not someone who computes every digest anew.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

ENTRY = "build, model_version, content, figures, digest, written"
PROPOSAL = "row, build, outcome, guesses"
EVENT = "kind, run, build, label, who, moment, text, file, file_digest"
_RUN = "id, name, scenario, seed, versions, status, started, finished, proposals, head"

Cells = Sequence[Any]


class Damage(sqlite3.DatabaseError):
    """A row is not as it was written; says which."""


class RunRow(NamedTuple):
    """A row of ``run`` as it stands on disk, but for its digest."""

    id: str
    name: str
    scenario: str
    seed: int
    versions: str
    status: str
    started: str
    finished: str | None
    proposals: int = 0
    head: bytes = b""


def digest_of(*cells: object) -> bytes:
    """Return eight bytes that tell one row from any other, by type and value of each cell."""
    texts = [f"{type(c).__name__} {c.hex() if isinstance(c, bytes) else c}" for c in cells]
    return hashlib.sha256(json.dumps(texts).encode()).digest()[:8]


def start_seal(db: sqlite3.Connection) -> None:
    """Seal a ledger without rows."""
    db.execute("INSERT INTO seal (id, evaluations, head, runs) VALUES (1, 0, x'', 0)")


def _seal(db: sqlite3.Connection) -> tuple[int, bytes, int]:
    """Return the count of evaluations, their last link and the count of runs."""
    rows = db.execute("SELECT evaluations, head, runs FROM seal").fetchall()
    if len(rows) != 1 or [type(cell) for cell in rows[0]] != [int, bytes, int]:
        raise Damage("the seal on its rows is not as it was written")
    return rows[0][0], rows[0][1], rows[0][2]


def count(db: sqlite3.Connection) -> int:
    """Return the number of evaluations that were written."""
    return _seal(db)[0]


def append_evaluations(db: sqlite3.Connection, entries: Iterable[Cells]) -> int:
    """Append evaluations that are not there yet, within the caller's transaction; count them.

    Parameters
    ----------
    db : sqlite3.Connection
        The ledger's file.
    entries : iterable of sequence
        The cells of `ENTRY`.
    """
    before, head, _ = _seal(db)
    count = before
    for entry in entries:
        build, model_version, *_, digest, written = entry
        query = "SELECT digest FROM evaluation WHERE model_version = ? AND build = ?"
        there = [known for (known,) in db.execute(query, (model_version, build))]
        if digest in there:
            continue
        count += 1
        head = digest_of(head, count, len(there), digest, written)
        db.execute(
            f"INSERT INTO evaluation (id, {ENTRY}, nth, link) VALUES (?,?,?,?,?,?,?,?,?)",
            (count, *entry, len(there), head),
        )
    if count > before:
        db.execute("UPDATE seal SET evaluations = ?, head = ?", (count, head))
    return count - before


def evaluations(db: sqlite3.Connection) -> Iterator[Cells]:
    """Read all evaluations in order and check that they are all, within the caller's snapshot.

    Yields
    ------
    sequence
        The cells of `ENTRY`.

    Raises
    ------
    Damage
        Where the chain breaks.
    """
    count, head, _ = _seal(db)
    place, link = 0, b""
    query = f"SELECT id, nth, link, {ENTRY} FROM evaluation ORDER BY id"
    for place, (number, nth, own, *entry) in enumerate(db.execute(query), start=1):
        if number != place:
            raise Damage(f"evaluation {place} of {count} is gone")
        link = digest_of(link, number, nth, *entry[-2:])
        if own != link:
            raise Damage(f"evaluation {place} of {count} is not what was written in its place")
        yield entry
    if (place, link) != (count, head):
        raise Damage(f"it holds {place} evaluations, which are not the {count} that were written")


def runs(db: sqlite3.Connection) -> list[RunRow]:
    """Read all runs, the latest first, and check that they are all; within a snapshot.

    Raises
    ------
    Damage
        If one is not as it was written, or gone.
    """
    _, _, count = _seal(db)
    rows = db.execute(f"SELECT digest, {_RUN} FROM run ORDER BY started DESC, id").fetchall()
    found = [_checked(*row) for row in rows]
    if len({row.id for row in found}) != len(rows) or len(rows) != count:
        raise Damage(f"it holds {len(rows)} runs, which are not the {count} that were written")
    return found


def run(db: sqlite3.Connection, name: str) -> RunRow | None:
    """Read one run by its id.

    Raises
    ------
    Damage
        If it is not as it was written.
    """
    row = db.execute(f"SELECT digest, {_RUN} FROM run WHERE id = ?", (name,)).fetchone()
    return row and _checked(*row)


def _checked(digest: object, *cells: Any) -> RunRow:
    if digest != digest_of(*cells):
        raise Damage(f"the row of run {cells[0]!r} is not as it was written")
    return RunRow._make(cells)


def write_run(db: sqlite3.Connection, row: RunRow) -> None:
    """Write a run, or write it over, within the caller's transaction."""
    added = not db.execute("SELECT count(*) FROM run WHERE id = ?", (row.id,)).fetchone()[0]
    db.execute(
        f"INSERT OR REPLACE INTO run ({_RUN}, digest) VALUES (?,?,?,?,?,?,?,?,?,?,?)",
        (*row, digest_of(*row)),
    )
    if added:
        db.execute("UPDATE seal SET runs = runs + 1")


def append_proposals(db: sqlite3.Connection, row: RunRow, fresh: Iterable[Cells]) -> RunRow:
    """Append to a run's chain within the caller's transaction; return its row, to be written.

    Parameters
    ----------
    db : sqlite3.Connection
        The ledger's file.
    row : RunRow
        The run as it is.
    fresh : iterable of sequence
        The cells of `PROPOSAL`.
    """
    count, head = row.proposals, row.head
    for cells in fresh:
        head = digest_of(head, row.id, count, *cells)
        db.execute(
            f"INSERT INTO proposal (run, ordinal, {PROPOSAL}, link) VALUES (?,?,?,?,?,?,?)",
            (row.id, count, *cells, head),
        )
        count += 1
    return row._replace(proposals=count, head=head)


def proposals(db: sqlite3.Connection, row: RunRow) -> Iterator[Cells]:
    """Read a run's proposals in order and check that they are all, within a snapshot.

    Yields
    ------
    sequence
        The cells of `PROPOSAL`.

    Raises
    ------
    Damage
        Where the chain breaks.
    """
    count, link = 0, b""
    query = f"SELECT ordinal, link, {PROPOSAL} FROM proposal WHERE run = ? ORDER BY ordinal"
    for ordinal, own, *cells in db.execute(query, (row.id,)):
        where = f"proposal {count + 1} of {row.proposals} of run {row.id}"
        if ordinal != count:
            raise Damage(f"{where} is gone")
        link = digest_of(link, row.id, ordinal, *cells)
        if own != link:
            raise Damage(f"{where} is not what was written in its place")
        count += 1
        yield cells
    if (count, link) != (row.proposals, row.head):
        raise Damage(
            f"run {row.id} holds {count} proposals, which are not the {row.proposals} that were "
            f"written"
        )


def _event_seal(db: sqlite3.Connection) -> tuple[int, bytes]:
    """Return the count of events and their last link."""
    rows = db.execute("SELECT events, events_head FROM seal").fetchall()
    if len(rows) != 1 or [type(cell) for cell in rows[0]] != [int, bytes]:
        raise Damage("the seal on its rows is not as it was written")
    return rows[0][0], rows[0][1]


def append_events(db: sqlite3.Connection, fresh: Iterable[Cells]) -> int:
    """Append events that are not there yet, within the caller's transaction; count them.

    Parameters
    ----------
    db : sqlite3.Connection
        The ledger's file.
    fresh : iterable of sequence
        The cells of `EVENT`.
    """
    before, head = _event_seal(db)
    count = before
    for cells in fresh:
        digest = digest_of(*cells)
        if db.execute("SELECT 1 FROM event WHERE digest = ?", (digest,)).fetchone():
            continue
        count += 1
        head = digest_of(head, count, digest)
        db.execute(
            f"INSERT INTO event (id, {EVENT}, digest, link) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
            (count, *cells, digest, head),
        )
    if count > before:
        db.execute("UPDATE seal SET events = ?, events_head = ?", (count, head))
    return count - before


def events(db: sqlite3.Connection) -> Iterator[Cells]:
    """Read all events in the order of writing and check that they are all, within a snapshot.

    Yields
    ------
    sequence
        The cells of `EVENT`.

    Raises
    ------
    Damage
        Where the chain breaks.
    """
    count, head = _event_seal(db)
    place, link = 0, b""
    query = f"SELECT id, digest, link, {EVENT} FROM event ORDER BY id"
    for place, (number, digest, own, *cells) in enumerate(db.execute(query), start=1):
        if number != place:
            raise Damage(f"event {place} of {count} is gone")
        if digest != digest_of(*cells):
            raise Damage(f"event {place} of {count} is not as it was written")
        link = digest_of(link, number, digest)
        if own != link:
            raise Damage(f"event {place} of {count} is not what was written in its place")
        yield cells
    if (place, link) != (count, head):
        raise Damage(f"it holds {place} events, which are not the {count} that were written")
