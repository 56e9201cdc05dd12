"""Ledgers brought together: everything once, what stood first counts, all or nothing."""

import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from layers.estimates import Estimate
from optimize.ledger import check
from optimize.ledger import merge as ledger_merge
from optimize.ledger.check import check_ledger
from optimize.ledger.ledger import Ledger
from optimize.ledger.merge import Merged, merge
from optimize.ledger.rows import Entry, Proposal
from optimize.ledger.tables import SCHEMA_VERSION
from tests.helpers.ledgers import BALL, CONTENT, KEY, first_format, found, numbered
from tests.optimize.commands.test_app import refused, run
from tests.optimize.ledger.test_format import old_rows, version_of
from tests.optimize.ledger.test_ledger import filled


def merged(into: Path, *sources: Path) -> Merged:
    books = [Ledger(path, reading=True) for path in sources]
    try:
        with Ledger(into) as ledger:
            return merge(ledger, books)
    finally:
        for book in books:
            book.close()


def dumped(path: Path) -> list[str]:
    """Return everything in a file as text."""
    db = sqlite3.connect(path)
    lines = list(db.iterdump())
    db.close()
    return lines


def searched(path: Path, proposals: int, status: str = "", numbers: range = range(0)) -> Path:
    """Write a ledger with a run that got so far, and evaluations of numbered builds."""
    with Ledger(path) as ledger:
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"})
        looked = [Proposal((i,), numbered(i)[0], computed=True) for i in range(proposals)]
        ledger.note("r1", 0, looked)
        if status:
            ledger.end("r1", status)  # type: ignore[arg-type]
        for i in numbers:
            ledger.add(*numbered(i), "1", found(mass_g=45.0 + i / 3.0))
    return path


def many(count: int) -> Iterator[Entry]:
    for i in range(count):
        yield Entry.of(*numbered(i), "1", found(mass_g=45.0 + i / 3.0))


def test_what_is_missing_is_taken_over_and_again_changes_nothing(tmp_path):
    into = searched(tmp_path / "into.sqlite", 2, "finished", range(700))
    other = searched(tmp_path / "other.sqlite", 0, "", range(500, 1200))
    with Ledger(other) as ledger:
        ledger.begin("r2", "other brief", "{}", 8, {"model": "1"})
        ledger.note("r2", 0, [Proposal((5,), None, computed=False)])
        ledger.add(KEY, CONTENT, "another model", found(mass_g=1.0))
    old = first_format(tmp_path / "old.sqlite", old_rows())
    before = dumped(other), old.read_bytes()
    told = merged(into, other, old)
    assert replace(told, example="") == Merged(500 + 1 + 5 + 1, 1, 1, conflicts=1, events=2)
    assert told.example.startswith(f"mass_g of build {numbered(3)[0]} is 46.0 here, 47.0 there")
    once = dumped(into)
    assert merged(into, other, old) == Merged()
    assert dumped(into) == once
    assert (dumped(other), old.read_bytes()) == before
    with Ledger(into) as ledger:
        keys = [numbered(i)[0] for i in range(1200)]
        known = ledger.known(keys, "1")
        assert [known[k].figures["mass_g"].value for k in keys] == [
            45.0 + i / 3.0 for i in range(1200)
        ]
        assert ledger.known([KEY], "another model")[KEY].figures == found(mass_g=1.0).figures
        assert {r.id: r.status for r in ledger.runs()} == {"r1": "finished", "r2": "running"}
        assert ledger.proposals("r2") == (Proposal((5,), None, computed=False),)


def test_what_stood_first_counts_and_differences_are_told(tmp_path):
    into = filled(tmp_path / "into.sqlite", 3)
    with Ledger(tmp_path / "other.sqlite") as ledger:
        ledger.add(*numbered(0), "1", found(mass_g=45.0, moi_g_cm2=80.0))  # more, no conflict
        ledger.add(*numbered(1), "1", found(mass_g=46.0))
        ledger.add(*numbered(2), "1", Estimate(BALL, {}, {"mass_g": "no answer"}))
        ledger.add(*numbered(1), "2", found(mass_g=46.0))
    told = merged(into, tmp_path / "other.sqlite")
    assert (told.evaluations, told.conflicts) == (4, 2)
    assert (
        told.example == f"mass_g of build {numbered(1)[0]} is {45.0 + 1 / 3.0!r} here, 46.0 there"
    )
    with Ledger(into) as ledger:
        known = ledger.known([numbered(i)[0] for i in range(3)], "1")
    assert [known[numbered(i)[0]].figures["mass_g"].value for i in range(3)] == [
        45.0 + i / 3.0 for i in range(3)
    ]
    assert known[numbered(0)[0]].figures["moi_g_cm2"].value == 80.0


@pytest.mark.parametrize(
    ("here", "there", "stays"),
    [
        ((3, ""), (2, "finished"), False),
        ((2, "finished"), (3, ""), True),
        ((2, "interrupted"), (3, ""), False),
        ((3, ""), (2, "interrupted"), True),
        ((3, ""), (3, "interrupted"), True),
    ],
)
def test_the_run_that_got_further_stands(tmp_path, here, there, stays):
    into = searched(tmp_path / "into.sqlite", *here)
    assert merged(into, searched(tmp_path / "other.sqlite", *there)).runs == (not stays)
    count, status = here if stays else there
    with Ledger(into) as ledger:
        assert len(ledger.proposals("r1")) == count
        (record,) = ledger.runs()
        assert record.status == (status or "running")


def test_a_damaged_row_leaves_the_ledger_as_it_was(tmp_path):
    into, good = filled(tmp_path / "into.sqlite", 3), filled(tmp_path / "good.sqlite", 5)
    damaged = filled(tmp_path / "damaged.sqlite")
    raw = damaged.read_bytes()
    assert raw.count(b"[48.0,") == 1
    damaged.write_bytes(raw.replace(b"[48.0,", b"[49.0,"))
    before = dumped(into)
    message = refused("ledger", "merge", into, good, damaged)
    assert "damaged.sqlite is damaged" in message
    assert dumped(into) == before
    assert "damaged.sqlite is damaged" in refused("ledger", "check", damaged)


def test_a_damaged_run_is_refused(tmp_path):
    into, other = filled(tmp_path / "into.sqlite", 3), searched(tmp_path / "other.sqlite", 2)
    with sqlite3.connect(other) as db:
        db.execute("UPDATE proposal SET row = '[0' WHERE ordinal = 1")
    before = dumped(into)
    assert "other.sqlite is damaged" in refused("ledger", "merge", into, other)
    assert dumped(into) == before


def test_the_command_makes_a_ledger_and_refuses_what_cannot_be(tmp_path):
    one, two = filled(tmp_path / "one.sqlite", 4), filled(tmp_path / "two.sqlite", 6)
    into = tmp_path / "all.sqlite"
    code, out, _ = run("ledger", "merge", into, one, two)
    assert (code, out) == (0, f"{into}: 6 evaluations and 0 runs with 0 proposals added.\n")
    assert "into itself" in refused("ledger", "merge", one, one)
    new = tmp_path / "new.sqlite"
    assert "is not there" in refused("ledger", "merge", new, tmp_path / "missing.sqlite")
    assert not new.exists()
    code, out, _ = run("ledger", "check", into)
    assert (code, out) == (0, f"{into} is whole: 6 evaluations are as they were written.\n")
    code, out, _ = run("ledger", "info", into)
    assert code == 0
    assert "evaluations, model 1" in out
    old = first_format(tmp_path / "old.sqlite", old_rows())
    code, out, _ = run("ledger", "info", old, "--json")
    assert (code, '"format": 1' in out, '"finished": 1' in out) == (0, True, True)
    code, _, err = run("ledger", "merge", old, one)
    assert (code, "older format (1)" in err, version_of(old)[0]) == (0, True, SCHEMA_VERSION)


_MERGER = """
import sys, time
from pathlib import Path
from optimize.ledger import merge as ledger_merge
from optimize.commands.app import main
merge = ledger_merge.merge
def slow(into, sources, report):
    def told(done, total):
        print(done, flush=True)
        time.sleep(0.05)
    return merge(into, sources, told)
ledger_merge.merge = slow
sys.exit(main(["ledger", "merge", *sys.argv[1:]]))
"""


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_merge_stopped_midway_changes_nothing(tmp_path, how):
    into, other = filled(tmp_path / "into.sqlite", 3), tmp_path / "other.sqlite"
    with Ledger(other) as ledger, ledger.transaction():
        ledger.insert(many(20_000))
    before = dumped(into)
    command = [sys.executable, "-c", _MERGER, str(into), str(other)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1
    )
    assert process.stdout is not None
    assert int(process.stdout.readline()) < 20_000
    with Ledger(into, reading=True) as ledger:
        assert len(ledger) == 3
    process.send_signal(how)
    _, err = process.communicate(timeout=600)
    if how == signal.SIGINT:
        assert (process.returncode, err) == (
            130,
            f"orbwright: stopped by Ctrl-C; {into} is as it was.\n",
        )
    assert dumped(into) == before
    with Ledger(into) as ledger:
        assert check_ledger(ledger, lambda *_: None) == 3


def test_a_search_waits_for_a_long_merge(tmp_path):
    into, other = filled(tmp_path / "into.sqlite", 3), tmp_path / "other.sqlite"
    with Ledger(other) as ledger, ledger.transaction():
        ledger.insert(many(15_000))
    command = [sys.executable, "-c", _MERGER, str(into), str(other)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, bufsize=1)
    assert process.stdout is not None
    process.stdout.readline()
    with Ledger(into) as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        assert len(ledger) == 15_001
    process.communicate(timeout=600)
    assert process.returncode == 0


def test_progress_counts_the_evaluations_of_all_sources(tmp_path):
    sources = [tmp_path / "a.sqlite", tmp_path / "b.sqlite"]
    for path, count in zip(sources, (3, 4), strict=True):
        filled(path, count)
    told: list[tuple[int, int]] = []
    books = [Ledger(path, reading=True) for path in sources]
    with Ledger(tmp_path / "into.sqlite") as ledger:
        merge(ledger, books, lambda *count: told.append(count))
    for book in books:
        book.close()
    assert told == [(3, 7), (7, 7)]


def test_progress_of_a_check_is_told_every_so_many_rows(tmp_path, monkeypatch):
    monkeypatch.setattr(check, "_STEP", 2)
    told: list[tuple[int, int]] = []
    with Ledger(filled(tmp_path / "one.sqlite", 5), reading=True) as ledger:
        assert check_ledger(ledger, lambda *count: told.append(count)) == 5
    assert told == [(2, 5), (4, 5)]


def test_limits_batches_of_a_merge_are_whole(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger_merge, "_BATCH", 2)
    into, other = filled(tmp_path / "into.sqlite", 3), tmp_path / "other.sqlite"
    with Ledger(other) as ledger:
        for i in (0, 2, 3, 4, 1):  # 1 and 4 with another mass
            ledger.add(*numbered(i), "1", found(mass_g=45.0 + i / 3.0 + (i in (1, 4))))
        ledger.add(*numbered(4), "1", found(mass_g=9.0))  # both are new: no conflict
    told: list[tuple[int, int]] = []
    with Ledger(into) as ledger, Ledger(other, reading=True) as book:
        done = merge(ledger, [book], lambda *count: told.append(count))
        assert check_ledger(ledger, lambda *_: None) == 7
    assert (done.evaluations, done.conflicts) == (4, 1)
    assert done.example.startswith(f"mass_g of build {numbered(1)[0]} is 45.3")
    assert told == [(2, 6), (4, 6), (6, 6)]


def test_progress_of_a_long_merge_is_told_every_five_hundred(tmp_path):
    with Ledger(tmp_path / "other.sqlite") as ledger, ledger.transaction():
        ledger.insert(many(501))
    told: list[tuple[int, int]] = []
    with Ledger(tmp_path / "into.sqlite") as into, Ledger(tmp_path / "other.sqlite") as book:
        merge(into, [book], lambda *count: told.append(count))
    assert told == [(500, 501), (501, 501)]


def test_a_source_that_grows_meanwhile_is_never_more_than_all():
    told: list[tuple[int, int]] = []
    done = ledger_merge._counting(lambda *count: told.append(count), 10, 15)
    done(4)
    done(7)
    assert told == [(14, 15), (15, 15)]
    ledger_merge._counting(None, 0, 1)(1)


@pytest.mark.parametrize(
    ("here", "there", "words"),
    [
        ({"mass_g": 1.0}, {"mass_g": 1.0}, ""),
        ({"mass_g": 1.0}, {"moi_g_cm2": 1.0}, ""),
        ({"mass_g": 1.0}, {"mass_g": 1.5}, "mass_g of build {} is 1.0 here, 1.5 there"),
        ({"mass_g": "a"}, {"mass_g": 1.5}, "mass_g of build {} is fails (a) here, 1.5 there"),
        ({"mass_g": 1.5}, {"mass_g": "a"}, "mass_g of build {} is 1.5 here, fails (a) there"),
        ({"mass_g": "a"}, {"mass_g": "b"}, "mass_g of build {} is fails (a) here, fails (b) there"),
        ({"mass_g": "a"}, {"mass_g": "a"}, ""),
        (
            {"mass_g": 1.0, "moi_g_cm2": 2.0},
            {"mass_g": 1.0, "moi_g_cm2": 3.0},
            "moi_g_cm2 of build {} is 2.0 here, 3.0 there",
        ),
    ],
)
def test_a_difference_is_a_figure_that_both_have_otherwise(here, there, words):
    def estimated(of: dict[str, float | str]) -> Estimate:
        figures = found(**{n: v for n, v in of.items() if isinstance(v, float)}).figures
        return Estimate(BALL, figures, {n: v for n, v in of.items() if isinstance(v, str)})

    one, other = (Entry.of(KEY, CONTENT, "1", estimated(of)) for of in (here, there))
    assert ledger_merge._difference(one.known(), other) == words.format(KEY)


def test_a_merge_of_nothing_and_of_several_runs(tmp_path):
    into, other = tmp_path / "into.sqlite", tmp_path / "other.sqlite"
    with Ledger(other) as ledger:
        for name, count in (("r1", 2), ("r2", 3)):
            ledger.begin(name, "brief", "{}", 7, {"model": "1"})
            looked = [Proposal((i,), None, computed=False) for i in range(count)]
            ledger.note(name, 0, looked)
    assert merged(into, other) == Merged(0, 2, 5, events=2)
    with Ledger(into) as ledger, Ledger(other, reading=True) as book:
        assert ledger.run_rows() == book.run_rows()
        assert check_ledger(ledger, lambda *_: None) == 0
    assert merged(into) == Merged()
