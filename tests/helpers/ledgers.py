"""Ledgers that tests share: rows, a file of the first format, a user who may not write."""

import json
import os
import sqlite3
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from layers.estimates import Estimate, Figure
from optimize.ledger.rows import Entry
from optimize.ledger.tables import STEPS
from optimize.scenario.space import Space, content_of, key_of
from tests.helpers.briefs import two_layers

BALL = Space(two_layers()).decode((0, 0)).ball
CONTENT = content_of(BALL)
KEY = key_of(CONTENT)

# Format 1, as it was written by the first release.
FORMAT_1 = """
CREATE TABLE evaluation (
    id INTEGER PRIMARY KEY,
    build BLOB NOT NULL,
    model_version TEXT NOT NULL,
    content TEXT NOT NULL,
    figures TEXT NOT NULL,
    digest BLOB NOT NULL,
    written TEXT NOT NULL
);
CREATE INDEX evaluation_by_build ON evaluation (build, model_version);
CREATE TABLE run (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    scenario TEXT NOT NULL,
    seed INTEGER NOT NULL,
    versions TEXT NOT NULL,
    status TEXT NOT NULL,
    started TEXT NOT NULL,
    finished TEXT
);
CREATE INDEX run_by_name ON run (name, started);
CREATE TABLE proposal (
    run TEXT NOT NULL REFERENCES run (id),
    ordinal INTEGER NOT NULL,
    row TEXT NOT NULL,
    build BLOB,
    outcome TEXT NOT NULL,
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
PRAGMA application_id = 1330790999;
PRAGMA user_version = 1;
PRAGMA journal_mode = WAL;
"""


# Format 2, as it was written until rows were bound together.
FORMAT_2 = (
    FORMAT_1.replace(
        "CREATE INDEX evaluation_by_build ON evaluation (build, model_version)",
        "CREATE UNIQUE INDEX evaluation_once ON evaluation (model_version, build, digest)",
    )
    .replace("outcome TEXT NOT NULL,", "outcome TEXT NOT NULL,\n    guesses TEXT,")
    .replace("user_version = 1", "user_version = 2")
)


def found(**values: float) -> Estimate:
    figures = {n: Figure(n, v, "g", "closed form", v / 3.0, v / 7.0) for n, v in values.items()}
    return Estimate(BALL, figures)


def numbered(i: int) -> tuple[str, str]:
    """Return key and content of the i-th of many made-up builds."""
    content = json.dumps({"number": i})
    return key_of(content), content


def first_format(path: Path, entries: Iterable[Entry]) -> Path:
    """Write a ledger of format 1 with these evaluations and a finished run of two proposals."""
    return _older(path, entries, FORMAT_1)


def second_format(path: Path, entries: Iterable[Entry]) -> Path:
    """Write a ledger of format 2 with the same; no row may stand twice."""
    return _older(path, entries, FORMAT_2)


def third_format(path: Path, entries: Iterable[Entry]) -> Path:
    """Write a ledger of format 3 with the same: today's, before there were events."""
    _older(path, entries, FORMAT_2)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("BEGIN")
    STEPS[2](db)
    db.execute("COMMIT")
    db.execute("PRAGMA user_version = 3")
    db.close()
    return path


def _older(path: Path, entries: Iterable[Entry], tables: str) -> Path:
    db = sqlite3.connect(path, isolation_level=None)
    db.executescript(tables)
    db.execute("BEGIN")
    columns = "build, model_version, content, figures, digest, written"
    db.executemany(f"INSERT INTO evaluation ({columns}) VALUES (?, ?, ?, ?, ?, ?)", entries)
    times = ("2026-05-01T10:00:00.000+00:00", "2026-05-01T10:05:00.000+00:00")
    run = ("r1", "brief", "{}", 7, '{"model": "1"}', "finished", *times)
    db.execute("INSERT INTO run VALUES (?, ?, ?, ?, ?, ?, ?, ?)", run)
    proposals = [
        ("r1", 0, "[1, 2]", bytes.fromhex(numbered(0)[0]), "computed"),
        ("r1", 1, "[3, 4]", None, "ruled out"),
    ]
    columns = "run, ordinal, row, build, outcome"
    db.executemany(f"INSERT INTO proposal ({columns}) VALUES (?, ?, ?, ?, ?)", proposals)
    db.execute("COMMIT")
    db.close()
    return path


@contextmanager
def not_writable(*paths: Path) -> Iterator[None]:
    """Take the right to write from these; the superuser, whom it does not bind, becomes nobody."""
    modes = {path: path.stat().st_mode for path in paths}
    root = os.geteuid() == 0
    try:
        for path, mode in modes.items():
            path.chmod(mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
        if root:
            os.seteuid(65534)
        yield
    finally:
        if root:
            os.seteuid(0)
        for path, mode in modes.items():
            path.chmod(mode)
