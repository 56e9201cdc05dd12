"""The tables of a ledger; ledgers of older formats, read as they are or brought up to date."""

import sqlite3
from collections.abc import Callable, Iterator

from optimize.ledger.seal import (
    ENTRY,
    Cells,
    RunRow,
    append_evaluations,
    append_proposals,
    start_seal,
    write_run,
)

SCHEMA_VERSION = 4
# The first format that has events.
WITH_EVENTS = 4

# The same row, to the last bit, stands once: two processes that compute one build at the same time,
# or ledgers merged twice, add nothing. In this order the index also counts and sorts by model.
_ONCE = "CREATE UNIQUE INDEX evaluation_once ON evaluation (model_version, build, digest)"

_SCHEMA = f"""
CREATE TABLE evaluation (
    id INTEGER PRIMARY KEY,       -- 1, 2, 3, ...
    build BLOB NOT NULL,          -- first 16 bytes of the SHA-256 of content
    model_version TEXT NOT NULL,
    content TEXT NOT NULL,        -- every number of the build, JSON
    figures TEXT NOT NULL,        -- {{"figures": {{name: [value, ...]}}, "failed": {{name: why}}}}
    digest BLOB NOT NULL,         -- of build, model_version, content, figures
    written TEXT NOT NULL,
    nth INTEGER NOT NULL,         -- how many rows of the same build and model stand before
    link BLOB NOT NULL            -- digest of the link before and of this row
);
{_ONCE};
CREATE TABLE run (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    scenario TEXT NOT NULL,
    seed INTEGER NOT NULL,
    versions TEXT NOT NULL,       -- of the model and of the libraries that the answer hangs on
    status TEXT NOT NULL,         -- running, interrupted, finished
    started TEXT NOT NULL,
    finished TEXT,
    proposals INTEGER NOT NULL,   -- how many there are
    head BLOB NOT NULL,           -- link of the last of them
    digest BLOB NOT NULL          -- of all the above
);
CREATE INDEX run_by_name ON run (name, started);
CREATE TABLE proposal (
    run TEXT NOT NULL REFERENCES run (id),
    ordinal INTEGER NOT NULL,     -- 0, 1, 2, ...
    row TEXT NOT NULL,            -- the choice of every design variable, JSON
    build BLOB,                   -- NULL where the choices make no ball
    outcome TEXT NOT NULL,        -- computed, ruled out
    guesses TEXT,                 -- {{name: [mean, sd, log]}} that an emulator gave before, or NULL
    link BLOB NOT NULL,           -- digest of the link before and of this row
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
CREATE TABLE seal (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    evaluations INTEGER NOT NULL, -- how many there are
    head BLOB NOT NULL,           -- link of the last of them
    runs INTEGER NOT NULL         -- how many there are
);
"""

# From format 3 to 4. An event stands once, however often ledgers are merged.
_EVENTS = (
    """CREATE TABLE event (
    id INTEGER PRIMARY KEY,       -- 1, 2, 3, ...
    kind TEXT NOT NULL,           -- started, chosen, note, sheet, ...
    run TEXT NOT NULL,            -- empty where it belongs to none
    build BLOB,                   -- NULL where it is about no build
    label TEXT NOT NULL,          -- the build's letter on the run's short list, or empty
    who TEXT NOT NULL,            -- empty where not recorded
    moment TEXT NOT NULL,         -- UTC
    text TEXT NOT NULL,           -- the reason, or the note
    file TEXT NOT NULL,           -- name of the sheet, the readings, ...; or empty
    file_digest BLOB,             -- first 16 bytes of the SHA-256 of that file
    digest BLOB NOT NULL UNIQUE,  -- of all the above but id
    link BLOB NOT NULL            -- digest of the link before and of this row
)""",
    "ALTER TABLE seal ADD COLUMN events INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE seal ADD COLUMN events_head BLOB NOT NULL DEFAULT x''",
)

# From format 1 to 2. Of rows that are the same in every number the first stays; those that only
# pretend to be, being damaged, make the unique index fail, and nothing is changed.
_ONCE_EACH = (
    "DROP INDEX evaluation_by_build",
    "CREATE INDEX evaluation_sorted ON evaluation (model_version, build, digest)",
    "DELETE FROM evaluation WHERE id IN ("
    "SELECT later.id FROM evaluation AS later INDEXED BY evaluation_sorted "
    "JOIN evaluation AS earlier INDEXED BY evaluation_sorted "
    "USING (model_version, build, digest) WHERE earlier.id < later.id "
    "AND earlier.content = later.content AND earlier.figures = later.figures)",
    "DROP INDEX evaluation_sorted",
    _ONCE,
    "ALTER TABLE proposal ADD COLUMN guesses TEXT",
)
_BATCH = 1000


def make_tables(db: sqlite3.Connection) -> None:
    """Make the tables of today's format, within the caller's transaction."""
    _make_bound(db)
    _add_events(db)


def _make_bound(db: sqlite3.Connection) -> None:
    for statement in _SCHEMA.split(";\n"):
        db.execute(statement)
    start_seal(db)


def _add_events(db: sqlite3.Connection) -> None:
    for statement in _EVENTS:
        db.execute(statement)


def bring_up(db: sqlite3.Connection, version: int) -> None:
    """Bring tables of an older format to today's, within the caller's transaction."""
    for step in range(version, SCHEMA_VERSION):
        STEPS[step](db)


def _keep_once(db: sqlite3.Connection) -> None:
    for statement in _ONCE_EACH:
        db.execute(statement)


def _bind(db: sqlite3.Connection) -> None:
    """Write every row anew, each bound to the one before; what was written frees its place."""
    for index in ("evaluation_once", "run_by_name"):
        db.execute(f"DROP INDEX {index}")
    for table in ("evaluation", "run", "proposal"):
        db.execute(f"ALTER TABLE {table} RENAME TO old_{table}")
    _make_bound(db)
    query = f"SELECT id, {ENTRY} FROM old_evaluation ORDER BY id LIMIT {_BATCH}"
    while batch := db.execute(query).fetchall():
        append_evaluations(db, (entry for _, *entry in batch))
        db.execute("DELETE FROM old_evaluation WHERE id <= ?", (batch[-1][0],))
    for row in runs(db, "old_"):
        write_run(db, append_proposals(db, row._replace(proposals=0), proposals(db, row, "old_")))
    for table in ("evaluation", "proposal", "run"):
        db.execute(f"DROP TABLE old_{table}")


# What brings a format to the next.
STEPS: dict[int, Callable[[sqlite3.Connection], None]] = {
    1: _keep_once,
    2: _bind,
    3: _add_events,
}


def has_seal(db: sqlite3.Connection) -> bool:
    """Whether the tables are bound together: before format 3 they are not."""
    return "link" in _columns(db, "evaluation")


def _columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [column[1] for column in db.execute(f"PRAGMA table_info({table})")]


def count(db: sqlite3.Connection) -> int:
    """Return the number of evaluations of an older format."""
    return int(db.execute("SELECT count(*) FROM evaluation").fetchone()[0])


def evaluations(db: sqlite3.Connection) -> Iterator[Cells]:
    """Read all evaluations of an older format in order."""
    yield from db.execute(f"SELECT {ENTRY} FROM evaluation ORDER BY id")


def runs(db: sqlite3.Connection, old: str = "") -> list[RunRow]:
    """Read all runs of an older format, the latest first; `old` stands before the tables' names."""
    looked = dict(db.execute(f"SELECT run, count(*) FROM {old}proposal GROUP BY run").fetchall())
    query = (
        "SELECT id, name, scenario, seed, versions, status, started, finished "
        f"FROM {old}run ORDER BY started DESC, id"
    )
    return [RunRow._make((*row, looked.get(row[0], 0), b"")) for row in db.execute(query)]


def run(db: sqlite3.Connection, name: str) -> RunRow | None:
    """Read one run of an older format."""
    return next((row for row in runs(db) if row.id == name), None)


def proposals(db: sqlite3.Connection, row: RunRow, old: str = "") -> Iterator[Cells]:
    """Read a run's proposals of an older format in order; format 1 has no predictions.

    Parameters
    ----------
    db : sqlite3.Connection
        Of a ledger of format 1 or 2, or to which one is attached.
    row : RunRow
        The run.
    old : str
        Prefix of the attached ledger's tables; empty for the ledger's own.
    """
    guesses = "guesses" if "guesses" in _columns(db, f"{old}proposal") else "NULL"
    query = (
        f"SELECT row, build, outcome, {guesses} FROM {old}proposal WHERE run = ? ORDER BY ordinal"
    )
    yield from db.execute(query, (row.id,))
