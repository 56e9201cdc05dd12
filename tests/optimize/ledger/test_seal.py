"""Rows bound together: what is changed, gone, added or moved shows, and the sentence says which."""

import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

from layers.errors import InputError
from layers.estimates import Estimate
from optimize.ledger.check import check_ledger
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Predicted, Proposal
from tests.benchmarks.ledgerfuzz import cases
from tests.helpers.ledgers import BALL, CONTENT, KEY, found, numbered, second_format
from tests.optimize.commands.test_app import refused, run
from tests.optimize.ledger.test_together import QUICK, answer, options

LOOKED = (
    Proposal(
        (1, 2), numbered(0)[0], computed=True, predictions={"mass_g": Predicted(45.0, 0.1, False)}
    ),
    Proposal((3, 4), None, computed=False),
    Proposal((5, 6), numbered(1)[0], computed=True),
)


@pytest.fixture
def path(tmp_path):
    """Write six evaluations, two of them of one build, and two runs of three proposals each."""
    path = tmp_path / "l.sqlite"
    with Ledger(path) as ledger:
        for i in range(4):
            ledger.add(*numbered(i), "1", found(mass_g=45.0 + i / 3.0))
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        ledger.add(KEY, CONTENT, "1", found(mass_g=2.0))
        for name in ("r1", "r2"):
            ledger.begin(name, "brief", "{}", 7, {"model": "1"})
            ledger.note(name, 0, LOOKED)
            ledger.end(name, "finished")
        assert check_ledger(ledger, lambda *_: None) == 6
    return path


def changed(path: Path, *statements: str) -> Path:
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for statement in statements:
            db.execute(statement)
            assert db.execute("SELECT changes()").fetchone() != (0,)
    return path


@pytest.mark.parametrize(
    ("statements", "which"),
    [
        (["UPDATE evaluation SET figures = replace(figures, '46', '47') WHERE id = 4"], "ation 4"),
        (["UPDATE evaluation SET content = content || ' ' WHERE id = 2"], "evaluation 2 is not"),
        (["UPDATE evaluation SET content = CAST(content AS BLOB) WHERE id = 2"], "evaluation 2"),
        (["UPDATE evaluation SET content = CAST(x'ff' AS TEXT) WHERE id = 2"], "evaluation 2 is"),
        (["UPDATE evaluation SET written = written || '0' WHERE id = 3"], "evaluation 3 of 6"),
        (["DELETE FROM evaluation WHERE id = 2"], "evaluation 2 of 6 is gone"),
        (["DELETE FROM evaluation WHERE id = 6"], "5 evaluations, which are not the 6"),
        (
            [f"UPDATE evaluation SET id = {b} WHERE id = {a}" for a, b in ((5, 9), (6, 5), (9, 6))],
            "evaluation 5 of 6 is not what was written in its place",
        ),
        (["UPDATE run SET seed = 8 WHERE id = 'r1'"], "the row of run 'r1' is not as"),
        (["UPDATE run SET name = 'other' WHERE id = 'r1'"], "the row of run 'r1' is not as"),
        (["UPDATE run SET status = 'interrupted' WHERE id = 'r2'"], "the row of run 'r2' is"),
        (["UPDATE run SET started = started || '0' WHERE id = 'r1'"], "the row of run 'r1' is"),
        (["DELETE FROM run WHERE id = 'r2'"], "1 runs, which are not the 2"),
        (["DELETE FROM proposal WHERE run = 'r2'"], "run r2 holds 0 proposals, which are not the"),
        (
            ["DELETE FROM proposal WHERE ordinal = 1 AND run = 'r1'"],
            "proposal 2 of 3 of run r1 is gone",
        ),
        (
            ["DELETE FROM proposal WHERE ordinal = 2 AND run = 'r1'"],
            "run r1 holds 2 proposals, which are not",
        ),
        (
            ["UPDATE proposal SET row = '[1, 3]' WHERE ordinal = 0 AND run = 'r1'"],
            "proposal 1 of 3 of run r1",
        ),
        (
            ["UPDATE proposal SET build = NULL WHERE ordinal = 2 AND run = 'r1'"],
            "proposal 3 of 3 of run r1",
        ),
        (
            ["UPDATE proposal SET outcome = 'computed' WHERE run = 'r1'"],
            "proposal 2 of 3 of run r1",
        ),
        (["UPDATE proposal SET guesses = NULL WHERE run = 'r1'"], "proposal 1 of 3 of run r1"),
        (
            [
                f"UPDATE proposal SET ordinal = {b} WHERE ordinal = {a} AND run = 'r2'"
                for a, b in ((0, 9), (2, 0), (9, 2))
            ],
            "proposal 1 of 3 of run r2 is not what was written in its place",
        ),
        (
            [
                "INSERT INTO proposal SELECT 'r3', 0, row, build, outcome, guesses, link "
                "FROM proposal WHERE run = 'r1' AND ordinal = 0"
            ],
            "it holds proposals of no run",
        ),
        (["DELETE FROM seal"], "the seal on its rows is not as it was written"),
        (["UPDATE seal SET runs = 3"], "2 runs, which are not the 3"),
    ],
)
def test_check_and_merge_say_which_row_is_damaged(path, statements, which):
    changed(path, *statements)
    told = refused("ledger", "check", path)
    assert told.startswith(f"orbwright: {path} is damaged: ")
    assert which in told
    into = path.with_name("into.sqlite")
    if "of no run" not in which:  # nothing takes those over
        assert which in refused("ledger", "merge", into, path)
        with Ledger(into) as ledger:
            assert len(ledger) == len(ledger.runs()) == 0


def test_of_two_evaluations_of_a_build_the_first_is_missed_when_it_is_gone(path):
    changed(path, "DELETE FROM evaluation WHERE id = 5")
    with Ledger(path) as ledger, pytest.raises(InputError, match=f"of build {KEY} is gone"):
        ledger.known([KEY], "1")


def test_a_table_is_not_written_of_a_ledger_that_lacks_a_row(path):
    out = path.with_name("t.csv")
    changed(path, "DELETE FROM evaluation WHERE id = 2")
    assert "evaluation 2 of 6 is gone" in refused("ledger", "export", path, "--out", out)
    assert not out.exists()


def test_runs_are_not_listed_when_one_is_gone(path):
    changed(path, "DELETE FROM run WHERE id = 'r2'")
    assert "1 runs, which are not the 2" in refused("show", "--ledger", path)


def test_a_run_is_not_shown_without_what_was_known_of_its_builds(tmp_path):
    path = tmp_path / "l.sqlite"
    _, out, _ = run(*options(path, 3))
    name = answer(out)["run"]
    with Ledger(path) as ledger:
        last = list(ledger.entries())[-1]
    assert "modes" in last.figures or "deflection" in last.figures  # of a member, asked for at last
    changed(path, f"DELETE FROM evaluation WHERE id = {len_of(path)}")
    assert "evaluations, which are not the" in refused("show", name, "--ledger", path)
    assert "evaluations, which are not the" in refused("ledger", "info", path)
    changed(path, f"UPDATE seal SET evaluations = {len_of(path)}")
    assert "lacks figures of this run" in refused("show", name, "--ledger", path)


def len_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("SELECT count(*) FROM evaluation").fetchone()[0])


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM proposal WHERE ordinal = 3",
        "UPDATE run SET seed = 12",
        "UPDATE proposal SET row = '[7, 0, 0, 0]' WHERE ordinal = 0",
    ],
)
def test_the_same_search_mends_a_damaged_run(tmp_path, statement):
    path = tmp_path / "l.sqlite"
    code, out, _ = run(*options(path, 3))
    assert code == 0
    name = answer(out)["run"]
    changed(path, statement)
    assert name in refused("show", name, "--ledger", path)
    code, again, _ = run(*options(path, 3))
    assert (code, answer(again)) == (0, answer(out))
    code, shown, _ = run("show", name, "--ledger", path, "--json")
    assert (code, answer(shown)) == (0, answer(out))
    assert run("ledger", "check", path)[0] == 0


def test_a_run_goes_on_where_another_process_of_it_was_killed(path):
    with Ledger(path) as one, Ledger(path) as other:
        for ledger in (one, other):
            ledger.begin("r3", "brief", "{}", 7, {"model": "1"})
        one.note("r3", 0, LOOKED[:2])
        other.note("r3", 0, LOOKED[:1])
        other.note("r3", 1, LOOKED[1:])
        one.note("r3", 2, LOOKED[2:])
        one.end("r3", "finished")
        other.end("r3", "interrupted")
        assert other.proposals("r3") == LOOKED
        assert {r.id: r.status for r in other.runs()} == dict.fromkeys(
            ("r1", "r2", "r3"), "finished"
        )
        assert check_ledger(one, lambda *_: None) == 6


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE run SET versions = '{'",
        "UPDATE run SET versions = '[]'",
        "UPDATE run SET versions = '{}'",
        "UPDATE run SET versions = x'ff'",
        "UPDATE run SET versions = CAST(x'ff' AS TEXT)",
        "UPDATE proposal SET row = '[0'",
        "UPDATE proposal SET row = '[0.5, 1]'",
        "UPDATE proposal SET row = '[0, 1, 2, 3, 400]'",
        "UPDATE proposal SET build = 'text'",
        "UPDATE proposal SET guesses = '{\"mass_g\": [1]}'",
        "UPDATE evaluation SET content = CAST(content AS BLOB)",
    ],
)
def test_what_cannot_be_read_of_an_older_format_is_told(tmp_path, statement):
    path = second_format(tmp_path / "l.sqlite", [])
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE run SET scenario = ?", (quick_scenario(tmp_path),))
    if "evaluation" in statement:
        with Ledger(path) as ledger:
            ledger.add(KEY, CONTENT, "1", Estimate(BALL, {}, {"mass_g": "no answer"}))
        assert "evaluation 1" in refused("ledger", "check", changed(path, statement))
        return
    changed(path, statement)
    assert "is damaged" in refused("show", "r1", "--ledger", path)


def quick_scenario(folder: Path) -> str:
    with Ledger(folder / "quick.sqlite") as ledger:
        code, _, _ = run(*options(ledger.path, 3)[:-4], "--evaluations", 2, "--workers", 1)
        assert code == 0
        return ledger.runs()[0].scenario


@pytest.mark.parametrize("which", ["show", "search", "merge"])
def test_a_folder_or_a_pipe_is_not_taken_for_a_ledger(tmp_path, which):
    import os

    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for place, word in ((tmp_path, "is a folder"), (pipe, "is a device or a pipe")):
        arguments = {
            "show": ("show", "--ledger", place),
            "search": ("search", QUICK, "--ledger", place),
            "merge": ("ledger", "merge", tmp_path / "into.sqlite", place),
        }[which]
        assert word in refused(*arguments)


def test_a_damaged_name_of_a_table_is_told(path):
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"CREATE INDEX run_by_name ON", b"CREATE INDEX run_by_n\xecme ON"))
    assert "is damaged" in refused("show", "--ledger", path)
    path.write_bytes(
        raw.replace(b"CREATE INDEX run_by_name ON run", b"CREATE INDEX run_by_name ON r\xecn")
    )
    assert "is damaged" in refused("ledger", "check", path)
    assert "is damaged" in refused("search", QUICK, "--ledger", path)


def test_a_model_that_only_the_index_knows_is_not_counted(path, monkeypatch):
    monkeypatch.setattr("optimize.ledger.file._CHECK_BYTES", 0)  # as of a large file
    with Ledger(path) as ledger:
        ledger.add(*numbered(9), "a model of its own", found(mass_g=1.0))
    raw = path.read_bytes()
    place = raw.index(b"a model of its own")
    if b'{"number": 9}' in raw[place : place + 60]:  # the row itself; its index is the other
        place = raw.index(b"a model of its own", place + 1)
    path.write_bytes(raw[:place] + b"c" + raw[place + 1 :])
    assert "is damaged" in refused("ledger", "info", path)
    assert "its index does not fit its rows" in refused("ledger", "check", path)


def test_a_ledger_damaged_anywhere_answers_rightly_or_in_one_sentence(tmp_path):
    """See benchmarks/ledgerfuzz, of which these are the first cases."""
    verdicts = Counter()
    for case, what, verdict, wrong in cases(tmp_path, range(40), 5, full=False):
        assert verdict in ("harmless", "told"), (case, what, wrong)
        verdicts[verdict] += 1
    assert verdicts["told"] >= 20
