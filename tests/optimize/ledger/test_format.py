"""Ledgers of an older format, and ledgers that may only be read."""

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from layers.errors import InputError
from optimize.ledger.check import check_ledger
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Proposal
from optimize.ledger.tables import SCHEMA_VERSION
from tests.helpers.ledgers import (
    CONTENT,
    KEY,
    first_format,
    found,
    not_writable,
    numbered,
    second_format,
)
from tests.optimize.ledger.test_ledger import filled, opened, writer


def old_rows() -> list[Entry]:
    """Return rows as a first release left them: two models, a build twice, a row twice."""
    rows = [Entry.of(*numbered(i), "1", found(mass_g=45.0 + i / 3.0)) for i in range(30)]
    rows += [Entry.of(*numbered(i), "0", found(mass_g=44.0 + i / 3.0)) for i in range(5)]
    rows += [Entry.of(*numbered(3), "1", found(mass_g=47.0, moi_g_cm2=80.0))]
    return [*rows, rows[7]._replace(written="later")]


def version_of(path: Path) -> tuple[int, set[str]]:
    """Return a file's format and the names of its indices, without any of the ledger's code."""
    db = sqlite3.connect(path)
    (version,) = db.execute("PRAGMA user_version").fetchone()
    names = {n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'index'")}
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    return version, {name for name in names if name.startswith("evaluation")}


def holds_all(path: Path, *, reading: bool) -> None:
    with Ledger(path, reading=reading) as ledger:
        keys = [numbered(i)[0] for i in range(30)]
        today, before = ledger.known(keys, "1"), ledger.known(keys, "0")
        assert [today[key].figures["mass_g"].value for key in keys] == [
            45.0 + i / 3.0 for i in range(30)
        ]
        assert today[keys[3]].figures["moi_g_cm2"].value == 80.0
        assert [before[key].figures["mass_g"].value for key in keys[:5]] == [
            44.0 + i / 3.0 for i in range(5)
        ]
        (run,) = ledger.runs()
        assert (run.status, run.finished) == ("finished", "2026-05-01T10:05:00.000+00:00")
        assert ledger.proposals("r1") == (
            Proposal((1, 2), keys[0], computed=True),
            Proposal((3, 4), None, computed=False),
        )


@pytest.mark.parametrize(("version", "make"), [(1, first_format), (2, second_format)])
def test_an_older_format_is_brought_up_with_everything_in_it(tmp_path, version, make):
    path = make(tmp_path / "l.sqlite", old_rows() if version == 1 else old_rows()[:-1])
    told: list[str] = []
    with Ledger(path, tell=told.append) as ledger:
        kept = list(ledger.entries())
    assert len(told) == 1
    assert f"older format ({version})" in told[0]
    assert kept == old_rows_kept(kept)
    assert version_of(path) == (SCHEMA_VERSION, {"evaluation_once"})
    holds_all(path, reading=False)
    with Ledger(path, tell=told.append) as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        assert check_ledger(ledger, lambda *_: None) == len(kept) + 1
    assert len(told) == 1


def old_rows_kept(kept: list[Entry]) -> list[Entry]:
    """Return what must be left, with the moments of `kept`: all but the row that stood twice."""
    return [r._replace(written=k.written) for r, k in zip(old_rows()[:-1], kept, strict=True)]


_MIGRATOR = """
import os, signal, sqlite3, sys
from pathlib import Path
from optimize.ledger.ledger import Ledger
connect = sqlite3.connect
def watched(*arguments, **options):
    db = connect(*arguments, **options)
    def look(statement):
        if statement.startswith(sys.argv[2]):
            os.kill(os.getpid(), signal.SIGKILL)
    db.set_trace_callback(look)
    return db
sqlite3.connect = watched
Ledger(Path(sys.argv[1]))
"""


@pytest.mark.parametrize("moment", ["DELETE", "CREATE UNIQUE", "PRAGMA user_version = ", "COMMIT"])
def test_a_migration_killed_midway_leaves_the_old_format(tmp_path, moment):
    path = first_format(tmp_path / "l.sqlite", old_rows())
    done = subprocess.run([sys.executable, "-c", _MIGRATOR, str(path), moment], check=False)
    assert done.returncode == -signal.SIGKILL
    assert version_of(path) == (1, {"evaluation_by_build"})
    holds_all(path, reading=True)
    holds_all(path, reading=False)
    assert version_of(path) == (SCHEMA_VERSION, {"evaluation_once"})


def test_a_damaged_older_ledger_is_told_and_stays(tmp_path):
    rows = old_rows()
    damaged = rows[7]._replace(figures=rows[7].figures.replace("47.3", "48.3"))
    path = first_format(tmp_path / "l.sqlite", [*rows, damaged])
    assert "is damaged" in opened(path)
    assert version_of(path) == (1, {"evaluation_by_build"})


def test_an_older_format_is_read_as_it_is(tmp_path):
    path = first_format(tmp_path / "l.sqlite", old_rows())
    raw = path.read_bytes()
    holds_all(path, reading=True)
    assert path.read_bytes() == raw


def test_reading_does_not_write(tmp_path):
    path = filled(tmp_path / "l.sqlite", 3)
    with (
        Ledger(path, reading=True) as ledger,
        pytest.raises(InputError, match="cannot be written"),
    ):
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
    with pytest.raises(InputError, match="cannot be opened"):
        Ledger(tmp_path / "none.sqlite", reading=True)
    (tmp_path / "empty.sqlite").touch()
    with pytest.raises(InputError, match="is empty"):
        Ledger(tmp_path / "empty.sqlite", reading=True)
    assert {p.name for p in tmp_path.iterdir()} == {"l.sqlite", "empty.sqlite"}


@pytest.mark.parametrize("make", [filled, lambda path: first_format(path, old_rows())])
@pytest.mark.parametrize("folder_too", [True, False])
def test_a_read_only_ledger_can_be_read(open_folder, make, folder_too):
    path = make(open_folder / "l.sqlite")
    paths = [open_folder, path] if folder_too else [path]
    with not_writable(*paths), Ledger(path, reading=True) as ledger:
        key = numbered(29)[0]
        assert ledger.known([key], "1")[key].figures["mass_g"].value == 45.0 + 29 / 3.0


def test_a_read_only_ledger_that_a_kill_left_open_is_whole_or_told(open_folder):
    path = open_folder / "l.sqlite"
    process = writer(path, 10**6)
    assert process.stdout is not None
    for _ in range(40):
        process.stdout.readline()
    process.kill()
    process.wait()
    wal, shm = (open_folder / f"l.sqlite-{name}" for name in ("wal", "shm"))
    assert wal.stat().st_size > 0
    with not_writable(open_folder, path, wal, shm), Ledger(path, reading=True) as ledger:
        assert len(ledger) >= 40
    shm.unlink()
    with (
        not_writable(open_folder, path, wal),
        pytest.raises(InputError, match=r"copy it together with l\.sqlite-wal"),
    ):
        Ledger(path, reading=True)
