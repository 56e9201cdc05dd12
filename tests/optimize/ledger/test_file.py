"""The file under a ledger: settings, patience, one sentence for each error.

Kinds: structure, limits; the database's errors and the clock are stand-ins.
"""

import itertools
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from layers.errors import InputError
from optimize.ledger import file as module
from optimize.ledger.file import explained, open_file_to_read, patiently, transaction
from optimize.ledger.ledger import Ledger
from optimize.ledger.seal import Damage
from tests.helpers.ledgers import CONTENT, KEY, found, numbered
from tests.optimize.ledger.test_ledger import filled

PLACE = Path("some.sqlite")


def error(code: int | None, text: str = "words") -> sqlite3.OperationalError:
    made = sqlite3.OperationalError(text)
    if code is not None:
        made.sqlite_errorcode = code
    return made


def told(cause: Exception) -> str:
    with pytest.raises(InputError) as caught, explained(PLACE):
        raise cause
    assert caught.value.__cause__ is cause
    return str(caught.value)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (sqlite3.SQLITE_FULL, "cannot grow: the disk is full; free some space, then run the same"),
        (sqlite3.SQLITE_READONLY, "cannot be written: the file or its folder is read-only."),
        (sqlite3.SQLITE_READONLY_DBMOVED, "cannot be written: the file or its folder is read-"),
        (sqlite3.SQLITE_CANTOPEN, "cannot be opened: its folder does not exist or cannot be"),
        (sqlite3.SQLITE_BUSY, "is held by another process for more than 10 min; try again when"),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, "is held by another process for more than 10 min; try"),
        (sqlite3.SQLITE_LOCKED, "is held by another process for more than 10 min; try again"),
        (sqlite3.SQLITE_IOERR, "cannot be read or written: the disk reports an error (words)."),
        (sqlite3.SQLITE_NOTADB, "is not a ledger, or is damaged: name another, or restore a copy"),
        (sqlite3.SQLITE_CORRUPT, "is damaged: restore a copy of it, or name another ledger and"),
        (sqlite3.SQLITE_ERROR, "is damaged: restore a copy of it, or name another ledger and"),
        (None, "is damaged: restore a copy of it, or name another ledger and search again."),
    ],
)
def test_every_error_is_a_sentence_with_a_remedy(code, words):
    assert told(error(code)).startswith(f"some.sqlite {words}")


def test_damage_says_what_and_text_that_is_none_is_damage():
    assert told(Damage("row 3 is gone")) == (
        "some.sqlite is damaged: row 3 is gone; restore a copy of it, or name another ledger and "
        "search again."
    )
    assert "is damaged: restore" in told(UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no text"))
    with pytest.raises(ValueError, match="another"), explained(PLACE):
        raise ValueError("another")


class Clock:
    """A clock that goes on by a minute each time it is read."""

    def __init__(self) -> None:
        self.minutes = itertools.count()

    def monotonic(self) -> float:
        return 60.0 * next(self.minutes)


def test_a_busy_file_is_tried_for_ten_minutes(monkeypatch):
    monkeypatch.setattr(module, "time", Clock())
    tries = itertools.count(1)

    def busy() -> None:
        raise error(sqlite3.SQLITE_BUSY_SNAPSHOT, f"try {next(tries)}")

    with pytest.raises(sqlite3.OperationalError, match=r"try 11$"):
        patiently(busy)


def test_what_comes_free_is_done_and_other_errors_are_not_tried_again(monkeypatch):
    monkeypatch.setattr(module, "time", Clock())
    causes = [error(sqlite3.SQLITE_BUSY), error(sqlite3.SQLITE_BUSY), None]

    def free_at_last() -> str:
        cause = causes.pop(0)
        if cause:
            raise cause
        return "done"

    assert patiently(free_at_last) == "done"
    for code in (sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_ERROR, sqlite3.SQLITE_FULL, None):
        causes = [error(code, "at once"), None]
        with pytest.raises(sqlite3.OperationalError, match="at once"):
            patiently(free_at_last)
        assert causes == [None]


def test_a_ledger_is_open_so_that_a_kill_loses_one_transaction_at_most(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        settings = {
            name: ledger.rows(f"PRAGMA {name}")[0][0]
            for name in ("journal_mode", "synchronous", "journal_size_limit", "cache_size")
        }
    assert settings == {
        "journal_mode": "wal",
        "synchronous": 1,  # NORMAL
        "journal_size_limit": 64_000_000,
        "cache_size": -64_000,  # KiB
    }


def emptied(ledger: Ledger, cause: BaseException, last: str = "SELECT 1") -> None:
    with transaction(ledger.db, ledger.path):
        ledger.db.execute("DELETE FROM evaluation")
        ledger.db.execute(last)
        raise cause


def test_a_transaction_is_whole_or_undone_and_may_end_in_anything(tmp_path):
    with Ledger(filled(tmp_path / "l.sqlite", 1)) as ledger:
        with pytest.raises(KeyboardInterrupt):
            emptied(ledger, KeyboardInterrupt())
        assert not ledger.db.in_transaction
        assert ledger.rows("SELECT count(*) FROM evaluation") == [(1,)]
        with pytest.raises(InputError, match="is damaged"):  # nothing is left to be undone
            emptied(ledger, error(sqlite3.SQLITE_CORRUPT), "COMMIT")
        assert ledger.rows("SELECT count(*) FROM evaluation") == [(0,)]


def test_a_ledger_without_a_format_is_damaged_and_an_empty_file_is_none(tmp_path):
    path = filled(tmp_path / "l.sqlite", 1)
    for version in (0, -1):
        with closing(sqlite3.connect(path)) as db:
            db.execute(f"PRAGMA user_version = {version}")
        for reading in (True, False):
            with pytest.raises(InputError, match="damaged: its format is not as it was written"):
                Ledger(path, reading=reading)
    empty = tmp_path / "empty.sqlite"
    empty.touch()
    with pytest.raises(InputError, match="is empty: it holds no ledger"):
        open_file_to_read(empty)
    with Ledger(empty) as ledger:  # to write, it becomes one
        assert (len(ledger), ledger.rows("PRAGMA user_version")) == (0, [(4,)])


def test_a_small_file_is_checked_whole_and_a_large_one_row_by_row(tmp_path, monkeypatch):
    path = filled(tmp_path / "l.sqlite", 3)
    assert module._CHECK_BYTES == 50_000_000
    said: list[str] = []
    connect = sqlite3.connect

    def traced(*arguments, **options):
        db = connect(*arguments, **options)
        db.set_trace_callback(said.append)
        return db

    monkeypatch.setattr(sqlite3, "connect", traced)
    size = path.stat().st_size
    for most, checked in ((size, True), (size - 1, False)):
        monkeypatch.setattr(module, "_CHECK_BYTES", most)
        for reading in (True, False):
            said.clear()
            Ledger(path, reading=reading).close()
            assert any("quick_check" in text for text in said) == checked


def test_an_older_ledger_opened_by_two_is_brought_up_once(tmp_path, monkeypatch):
    """The second finds today's format within its own transaction, and an added row."""
    path = tmp_path / "l.sqlite"
    Ledger(path).close()
    versions = iter((0, 4))
    monkeypatch.setattr(module, "_version", lambda db, path: next(versions))
    with Ledger(path) as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        ledger.add(*numbered(1), "1", found(mass_g=1.0))
        assert len(ledger) == 2


@pytest.mark.parametrize("reading", [True, False])
def test_a_connection_is_closed_where_opening_fails(tmp_path, monkeypatch, reading):
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE evaluation (id INTEGER)")
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect
    monkeypatch.setattr(
        sqlite3, "connect", lambda *a, **k: opened.append(connect(*a, **k)) or opened[-1]
    )
    with pytest.raises(InputError, match="is a database of another program, not a ledger"):
        Ledger(path, reading=reading)
    assert len(opened) == 1
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        opened[0].execute("SELECT 1")


def test_a_transaction_that_ctrl_c_left_open_does_not_stop_the_next(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.db.execute("BEGIN IMMEDIATE")  # and nothing more: so much was done
        with ledger.transaction():
            assert ledger.db.in_transaction
        assert not ledger.db.in_transaction
