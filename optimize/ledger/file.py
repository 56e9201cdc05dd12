"""The file under a ledger: opening it, transactions, and its errors in one sentence."""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from layers.errors import InputError
from optimize.ledger.network import network_type, warning
from optimize.ledger.seal import Damage
from optimize.ledger.tables import SCHEMA_VERSION, bring_up, make_tables

_APPLICATION_ID = 0x4F524257  # "ORBW", so that another program's database is told apart

# Up to this size the whole file is checked when it is opened; a larger one row by row, as read.
_CHECK_BYTES = 50_000_000
# Another process may hold the file while it merges or migrates a large ledger.
_PATIENCE_S = 600.0
# The write-ahead file is cut to this after a large merge, although a search still has it open.
_LOG_BYTES = 64_000_000
# Enough for the index of a million evaluations to stay in memory.
_CACHE_KB = 64_000

# The library fails to decode its own message where that quotes damaged text.
_ERRORS = (sqlite3.Error, UnicodeDecodeError)

T = TypeVar("T")
Tell = Callable[[str], None]


def open_file(path: Path, tell: Tell | None) -> sqlite3.Connection:
    """Open a ledger's file to write; its tables are made, or brought up to date.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    tell : callable, optional
        Told in a sentence when an older format is brought up to date, or the file lies on a
        network file system.

    Raises
    ------
    InputError
        If it cannot be opened, is damaged, or belongs to another program or a later version.
    """
    _refuse_other_than_file(path)
    kind = network_type(path) if tell else None
    if tell and kind:
        tell(warning(path, kind))
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
    _refuse_other_than_file(path)
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
    except _ERRORS:
        pass  # it is damaged, which is told next
    with _closed_on_error(db), explained(path):
        db.execute("PRAGMA query_only = ON")
        if not patiently(lambda: _check(db, path)):
            raise InputError(f"{path} is empty: it holds no ledger.")
    return db


def _refuse_other_than_file(path: Path) -> None:
    if path.is_dir():
        raise InputError(f"{path} is a folder, not a ledger: name a file, in it or elsewhere.")
    if path.exists() and not path.is_file():
        raise InputError(f"{path} is a device or a pipe, not a ledger: name a file.")


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
        if version:
            bring_up(db, version)
        else:
            make_tables(db)
            db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
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
    if tables and version < 1:
        raise Damage("its format is not as it was written")
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
        if db.in_transaction:  # a Ctrl-C fell between the start of one and its work
            db.execute("ROLLBACK")
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
    except _ERRORS as error:
        raise InputError(_explain(path, error)) from error


def _explain(path: Path, error: Exception) -> str:
    # The library leaves out the code in errors of its own, such as on text that is none.
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return f"{path} cannot grow: the disk is full; free some space, then run the same again."
    if code == sqlite3.SQLITE_READONLY:
        return f"{path} cannot be written: the file or its folder is read-only."
    if code == sqlite3.SQLITE_CANTOPEN:
        reason = "its folder does not exist or cannot be written"
        return f"{path} cannot be opened: {reason}; name another ledger."
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        minutes = round(_PATIENCE_S / 60.0)
        return (
            f"{path} is held by another process for more than {minutes} min; try again when it "
            f"is done."
        )
    if code == sqlite3.SQLITE_IOERR:
        return f"{path} cannot be read or written: the disk reports an error ({error})."
    if code == sqlite3.SQLITE_NOTADB:
        return f"{path} is not a ledger, or is damaged: name another, or restore a copy of it."
    remedy = "restore a copy of it, or name another ledger and search again"
    if isinstance(error, Damage):
        return f"{path} is damaged: {error}; {remedy}."
    return f"{path} is damaged: {remedy}."
