"""The file under a ledger: its tables, opening it, and bringing an older format up to date."""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from layers.errors import InputError

SCHEMA_VERSION = 2
_APPLICATION_ID = 0x4F524257  # "ORBW", so that another program's database is told apart

# The same row, to the last bit, stands once: two processes that compute one build at the same time,
# or ledgers merged twice, add nothing. In this order the index also counts and sorts by model.
_ONCE = "CREATE UNIQUE INDEX evaluation_once ON evaluation (model_version, build, digest)"

_SCHEMA = f"""
CREATE TABLE evaluation (
    id INTEGER PRIMARY KEY,
    build BLOB NOT NULL,          -- first 16 bytes of the SHA-256 of content
    model_version TEXT NOT NULL,
    content TEXT NOT NULL,        -- every number of the build, JSON
    figures TEXT NOT NULL,        -- {{"figures": {{name: [value, ...]}}, "failed": {{name: why}}}}
    digest BLOB NOT NULL,         -- of all the above: a damaged row is noticed
    written TEXT NOT NULL
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
    finished TEXT
);
CREATE INDEX run_by_name ON run (name, started);
CREATE TABLE proposal (
    run TEXT NOT NULL REFERENCES run (id),
    ordinal INTEGER NOT NULL,
    row TEXT NOT NULL,            -- the choice of every freedom, JSON
    build BLOB,                   -- NULL where the choices make no ball
    outcome TEXT NOT NULL,        -- computed, ruled out
    guesses TEXT,                 -- {{name: [mean, sd, log]}} that an emulator gave before, or NULL
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
"""

# What brings each format to the next. Of rows that are the same in every number the first stays;
# those that only pretend to be, being damaged, make the unique index fail, and nothing is changed.
_STEPS: dict[int, tuple[str, ...]] = {
    1: (
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
}

# Up to this size the whole file is checked when it is opened; a larger one row by row, as read.
_CHECK_BYTES = 50_000_000
# Another process may hold the file while it merges or migrates a large ledger.
_PATIENCE_S = 600.0
# The write-ahead file is cut to this after a large merge, although a search still has it open.
_LOG_BYTES = 64_000_000
# Enough for the index of a million evaluations to stay in memory.
_CACHE_KB = 64_000

T = TypeVar("T")
Tell = Callable[[str], None]


def open_file(path: Path, tell: Tell | None) -> sqlite3.Connection:
    """Open a ledger's file to write; its tables are made, or brought up to date.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    tell : callable, optional
        Told in a sentence when an older format is brought up to date.

    Raises
    ------
    InputError
        If it cannot be opened, is damaged, or belongs to another program or a later version.
    """
    with explained(path):
        db = sqlite3.connect(path, timeout=1.0, isolation_level=None)
    with _closed_on_error(db), explained(path):
        patiently(lambda: _prepare(db, path, tell))
    return db


def open_file_to_read(path: Path) -> sqlite3.Connection:
    """Open a ledger's file to read only; its folder may be read-only, its format an older one.

    Raises
    ------
    InputError
        If it cannot be opened, is damaged, or belongs to another program or a later version.
    """
    uri = path.absolute().as_uri()
    with explained(path):
        db = sqlite3.connect(f"{uri}?mode=rw", timeout=1.0, isolation_level=None, uri=True)
    try:
        patiently(lambda: db.execute("SELECT count(*) FROM sqlite_master").fetchone())
    except sqlite3.OperationalError:
        # Where the side files of the write-ahead mode cannot be made, the main file alone is read.
        db.close()
        beside = path.with_name(f"{path.name}-wal")
        if beside.exists() and beside.stat().st_size:
            raise InputError(
                f"{path} cannot be read in a read-only folder, because a search has not closed "
                f"it: copy it together with {beside.name} into another folder."
            ) from None
        with explained(path):
            db = sqlite3.connect(f"{uri}?mode=ro&immutable=1", isolation_level=None, uri=True)
    except sqlite3.Error:
        pass  # it is damaged, which is told next
    with _closed_on_error(db), explained(path):
        db.execute("PRAGMA query_only = ON")
        if not patiently(lambda: _check(db, path)):
            raise InputError(f"{path} is empty: it holds no ledger.")
    return db


@contextmanager
def _closed_on_error(db: sqlite3.Connection) -> Iterator[None]:
    try:
        yield
    except BaseException:
        db.close()
        raise


def _prepare(db: sqlite3.Connection, path: Path, tell: Tell | None) -> None:
    version = _check(db, path)
    # In write-ahead mode a killed process loses at most the transaction it was in.
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute(f"PRAGMA journal_size_limit = {_LOG_BYTES}")
    db.execute(f"PRAGMA cache_size = -{_CACHE_KB}")
    if version == SCHEMA_VERSION:
        return
    if version and tell:
        tell(
            f"{path} is of an older format ({version}); it is brought to format {SCHEMA_VERSION}, "
            f"with everything in it."
        )
    with transaction(db, path):
        # Another process may have been first.
        version = _version(db, path)
        if not version:
            for statement in _SCHEMA.split(";\n"):
                db.execute(statement)
            db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        for step in range(version or SCHEMA_VERSION, SCHEMA_VERSION):
            for statement in _STEPS[step]:
                db.execute(statement)
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _check(db: sqlite3.Connection, path: Path) -> int:
    version = _version(db, path)
    if version and path.stat().st_size <= _CHECK_BYTES:
        (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
        if verdict != "ok":
            raise sqlite3.DatabaseError(verdict)
    return version


def _version(db: sqlite3.Connection, path: Path) -> int:
    """Return the format of a ledger; 0 for an empty file."""
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if tables and application != _APPLICATION_ID:
        raise InputError(f"{path} is a database of another program, not a ledger.")
    if version > SCHEMA_VERSION:
        raise InputError(
            f"{path} was written by a later version of orbwright (ledger format "
            f"{version}, here at most {SCHEMA_VERSION}): update orbwright or use a new ledger."
        )
    return int(version) if tables else 0


@contextmanager
def transaction(db: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Write all or nothing, whatever interrupts it."""
    with explained(path):
        patiently(lambda: db.execute("BEGIN IMMEDIATE"))
        try:
            yield
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise


def patiently(work: Callable[[], T]) -> T:
    """Do something, again and again while another process holds the file; Ctrl-C is heeded."""
    deadline = time.monotonic() + _PATIENCE_S
    while True:
        try:
            return work()
        except sqlite3.OperationalError as error:
            # The library leaves out the code in errors of its own.
            code = getattr(error, "sqlite_errorcode", 0)
            if code & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                raise


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn the database's errors into one sentence."""
    try:
        yield
    except sqlite3.Error as error:
        raise InputError(_explain(path, error)) from error


DAMAGED = "{path} is damaged: restore a copy of it, or name another ledger and search again."


def _explain(path: Path, error: sqlite3.Error) -> str:
    text = str(error)
    if "full" in text:
        return f"{path} cannot grow: the disk is full; free some space, then run the same again."
    if "readonly" in text or "read-only" in text:
        return f"{path} cannot be written: the file or its folder is read-only."
    if "unable to open" in text:
        reason = "its folder does not exist or cannot be written"
        return f"{path} cannot be opened: {reason}; name another ledger."
    if "locked" in text:
        minutes = round(_PATIENCE_S / 60.0)
        return (
            f"{path} is held by another process for more than {minutes} min; try again when it "
            f"is done."
        )
    if isinstance(error, sqlite3.OperationalError) and "disk I/O" in text:
        return f"{path} cannot be read or written: the disk reports an error ({text})."
    if "not a database" in text:
        return f"{path} is not a ledger, or is damaged: name another, or restore a copy of it."
    return DAMAGED.format(path=path)
