"""Tables of every format: what each holds, and rows of older ones in their order.

Kinds: structure, golden (the schema that other releases find).
"""

import sqlite3
from contextlib import closing

import pytest

from optimize.ledger import tables
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Proposal
from tests.helpers.ledgers import first_format, found, numbered, second_format, third_format
from tests.optimize.ledger.test_format import old_rows

COLUMNS = {
    "evaluation": "id build model_version content figures digest written nth link",
    "run": "id name scenario seed versions status started finished proposals head digest",
    "proposal": "run ordinal row build outcome guesses link",
    "seal": "id evaluations head runs events events_head",
    "event": "id kind run build label who moment text file file_digest digest link",
}


@pytest.mark.parametrize("make", [None, first_format, second_format, third_format])
def test_golden_the_tables_of_format_4(tmp_path, make):
    path = tmp_path / "l.sqlite"
    if make:
        make(path, old_rows()[:-1])
    Ledger(path).close()
    with closing(sqlite3.connect(path)) as db:
        query = "SELECT name FROM sqlite_master WHERE type = 'table'"
        names = {name for (name,) in db.execute(query)}
        assert names == set(COLUMNS)
        for name, columns in COLUMNS.items():
            assert [row[1] for row in db.execute(f"PRAGMA table_info({name})")] == columns.split()
        indices = "SELECT name FROM sqlite_master WHERE type = 'index' AND sql NOT NULL"
        assert {n for (n,) in db.execute(indices)} == {"evaluation_once", "run_by_name"}
        assert db.execute("PRAGMA user_version").fetchone() == (4,)
        assert db.execute("PRAGMA application_id").fetchone() == (int.from_bytes(b"ORBW"),)


@pytest.mark.parametrize(("make", "sealed"), [(first_format, False), (third_format, True)])
def test_formats_are_told_apart_by_their_seal(tmp_path, make, sealed):
    path = make(tmp_path / "l.sqlite", old_rows()[:-1])
    with closing(sqlite3.connect(path)) as db:
        assert tables.has_seal(db) == sealed
        assert tables.count(db) == len(old_rows()) - 1


def test_many_rows_are_brought_up_batch_by_batch_in_their_order(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "_BATCH", 3)
    rows = [Entry.of(*numbered(i), "1", found(mass_g=float(i))) for i in range(8)]
    path = second_format(tmp_path / "l.sqlite", rows)
    with Ledger(path) as ledger:
        assert list(ledger.entries()) == rows
        assert [n for (n,) in ledger.rows("SELECT nth FROM evaluation")] == [0] * 8


def test_runs_of_an_older_format_are_listed_the_latest_first(tmp_path):
    path = second_format(tmp_path / "l.sqlite", [])
    with closing(sqlite3.connect(path)) as db, db:
        for name, started in (("r0", "2027"), ("ra", "2025"), ("r2", "2027")):
            row = (name, "brief", "{}", 7, '{"model": "1"}', "running", started, None)
            db.execute("INSERT INTO run VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
        guess = '{"mass_g": [45.0, 0.1, false]}'
        for place in (1, 0):
            cells = ("ra", place, f"[{place}]", None, "ruled out", guess)
            db.execute("INSERT INTO proposal VALUES (?, ?, ?, ?, ?, ?)", cells)
    with Ledger(path, reading=True) as ledger:
        rows = ledger.run_rows()
        before = [ledger.proposals(row.id) for row in rows]
        assert ledger.proposals("none") == ()
    assert [(row.id, row.proposals) for row in rows] == [("r0", 0), ("r2", 0), ("r1", 2), ("ra", 2)]
    assert [proposal.row for proposal in before[3]] == [(0,), (1,)]
    assert before[3][0].predictions["mass_g"].sd == 0.1
    assert before[2][1] == Proposal((3, 4), None, computed=False)
    with Ledger(path) as ledger:  # brought up
        assert [(row.id, row.proposals) for row in ledger.run_rows()] == [
            (row.id, row.proposals) for row in rows
        ]
        assert [ledger.proposals(row.id) for row in rows] == before
