"""Decisions, notes and other events: only added, bound together, joined, exported.

Kinds: structure, properties.
"""

import csv
import getpass
import json
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from layers.errors import InputError
from optimize.ledger.check import check_ledger, counts
from optimize.ledger.decisions import (
    disputes,
    named_run,
    of_build,
    of_run,
    read_events,
    record,
    record_files,
    starters,
)
from optimize.ledger.events import (
    WHO_VARIABLE,
    Event,
    cells_of_event,
    digest_of_file,
    event_of,
    named,
    one_line,
)
from optimize.ledger.export import export_events
from optimize.ledger.ledger import Ledger
from optimize.ledger.seal import Damage, RunRow
from optimize.ledger.tables import SCHEMA_VERSION, WITH_EVENTS
from tests.helpers.ledgers import not_writable, numbered, second_format, third_format
from tests.optimize.commands.test_app import refused, run
from tests.optimize.ledger.test_format import holds_all, old_rows, version_of
from tests.optimize.ledger.test_seal import changed

ROOT = Path(__file__).parents[3]
A, B = numbered(0)[0], numbered(1)[0]
DECIDED = tuple(
    replace(event, moment=f"2126-01-0{day}T10:00:00.000+00:00")
    for day, event in enumerate(
        (
            Event("chosen", "r1", A, "A", "Ann", "=1+1 softest"),
            Event("parked", "r1", B, "B", "Bea", "later"),
            Event("note", "r1", who="Bea", text="all too heavy"),
            Event("sheet", build=A, who="Lab", file="k1.csv", file_digest=digest_of_file(b"k1")),
        ),
        start=1,
    )
)


def kept(path: Path) -> tuple[Event, ...]:
    with Ledger(path, reading=True) as ledger:
        return read_events(ledger)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "l.sqlite"
    with Ledger(path) as ledger:
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"}, who="Ann")
        assert record(ledger, DECIDED) == 4
    return path


def test_events_come_back_as_they_were_written_each_once(path):
    found = kept(path)
    assert [event.kind for event in found] == ["started", *(e.kind for e in DECIDED)]
    assert found[1:] == DECIDED
    assert found[0] == Event("started", "r1", who="Ann", moment=found[0].moment)
    with Ledger(path) as ledger:
        assert record(ledger, DECIDED) == 0
        again = replace(DECIDED[0], moment="2026-01-01T00:00:00.000+00:00")
        assert record(ledger, [again]) == 1
        assert read_events(ledger)[0] == again  # by moment, not by place
        assert record_files(ledger, [replace(DECIDED[3], moment="2127"), DECIDED[3]]) == 0
        other = replace(DECIDED[3], file_digest=digest_of_file(b"k2"))
        assert record_files(ledger, [other]) == 1
        assert counts(ledger)["events"] == {
            "chosen": 2, "note": 1, "parked": 1, "sheet": 2, "started": 1
        }  # fmt: skip


@pytest.mark.parametrize(
    ("statements", "which"),
    [
        (["UPDATE event SET text = 'hardest' WHERE id = 2"], "event 2 of 5 is not as it was"),
        (["UPDATE event SET who = 'Bea' WHERE id = 2"], "event 2 of 5 is not as it was"),
        (["UPDATE event SET kind = 'rejected' WHERE id = 2"], "event 2 of 5 is not as it was"),
        (["UPDATE event SET moment = moment || '0' WHERE id = 4"], "event 4 of 5 is not as it"),
        (["UPDATE event SET build = NULL WHERE id = 3"], "event 3 of 5 is not as it was"),
        (["UPDATE event SET file_digest = x'00' WHERE id = 5"], "event 5 of 5 is not as it was"),
        (["UPDATE event SET digest = x'0011223344556677' WHERE id = 5"], "event 5 of 5 is not"),
        (["UPDATE event SET link = x'00' WHERE id = 1"], "event 1 of 5 is not what was written"),
        (["DELETE FROM event WHERE id = 1"], "event 1 of 5 is gone"),
        (["DELETE FROM event WHERE id = 5"], "4 events, which are not the 5"),
        (["DELETE FROM event"], "0 events, which are not the 5"),
        (
            [f"UPDATE event SET id = {b} WHERE id = {a}" for a, b in ((2, 9), (3, 2), (9, 3))],
            "event 2 of 5 is not what was written in its place",
        ),
        (
            [
                "INSERT INTO event SELECT 6, kind, run, build, label, who, moment, text, file, "
                "file_digest, x'00', link FROM event WHERE id = 5"
            ],
            "event 6 of 5 is not as it was written",
        ),
        (["UPDATE seal SET events = 4"], "5 events, which are not the 4"),
        (["UPDATE seal SET events_head = x'00'"], "5 events, which are not the 5"),
        (["UPDATE seal SET events = 'five'"], "the seal on its rows is not as it was written"),
    ],
)
def test_a_changed_removed_or_moved_event_is_found(path, statements, which):
    changed(path, *statements)
    told = refused("ledger", "check", path)
    assert told.startswith(f"orbwright: {path} is damaged: ")
    assert which in told
    for command in (("decisions", "--ledger", path), ("ledger", "info", path)):
        assert which in refused(*command)
    assert which in refused("ledger", "merge", path.with_name("into.sqlite"), path)
    note = ("note", "r1", "more", "--ledger", path)
    assert which in refused(*note)  # nothing is added to a damaged chain
    assert kept(path.with_name("into.sqlite")) == ()


def test_an_event_with_what_no_command_writes_is_refused(tmp_path):
    for i, text in enumerate(("\x1b[2J", "two\nlines", "a\x00b")):
        path = tmp_path / f"{i}.sqlite"
        with Ledger(path) as ledger:
            record(ledger, [Event("note", who="Ann", text=text)])
            with pytest.raises(InputError, match="event 1 has control characters"):
                read_events(ledger)


_WRITES = re.compile(r"\b(UPDATE|DELETE\s+FROM|REPLACE\s+INTO|OR\s+REPLACE\s+INTO)\s+(\w+)", re.I)


def test_no_statement_changes_or_removes_an_event(path, monkeypatch):
    """Kinds: every statement that commands run, and every text of one in the sources."""
    said: list[str] = []
    connect = sqlite3.connect

    def traced(*arguments, **options):
        db = connect(*arguments, **options)
        db.set_trace_callback(said.append)
        return db

    monkeypatch.setattr(sqlite3, "connect", traced)
    into = path.with_name("into.sqlite")
    commands = (
        ("note", "r1", "again"),
        ("decisions", "--json"),
        ("history", A),
        ("show",),
    )
    for command in commands:
        code, _, err = run(*command, "--ledger", path)
        assert code == 0, err
    for command in (("merge", into, path), ("merge", into, path), ("check", into), ("info", into)):
        assert run("ledger", *command)[0] == 0
    with Ledger(path) as ledger:  # a run that goes on, ends, and is taken over
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"}, who="Bea")
        ledger.end("r1", "finished")
    third_format(path.with_name("old.sqlite"), old_rows()[:3])
    assert run("ledger", "merge", path.with_name("old.sqlite"), path)[0] == 0
    assert any(text.startswith("INSERT INTO event ") for text in said)
    assert sum(table == "seal" for text in said for _, table in _WRITES.findall(text)) > 3
    assert not [text for text in said for _, table in _WRITES.findall(text) if table == "event"]
    sources = "\n".join(file.read_text("utf-8") for file in (ROOT / "optimize").rglob("*.py"))
    tables = {table for _, table in _WRITES.findall(sources)}
    assert {"seal", "proposal", "run"} <= tables
    assert "event" not in tables


def test_format_3_is_brought_up_and_may_be_read_as_it_is(tmp_path):
    path = third_format(tmp_path / "l.sqlite", old_rows()[:-1])
    before = path.read_bytes()
    assert kept(path) == ()
    with Ledger(path, reading=True) as ledger:
        assert check_ledger(ledger, lambda *_: None) == len(old_rows()) - 1
        assert counts(ledger)["events"] == {}
    holds_all(path, reading=True)
    _, listed, _ = run("show", "--ledger", path)
    assert "not recorded" in listed
    _, listed, _ = run("show", "--ledger", path, "--json")
    assert json.loads(listed)[0]["started_by"] == []
    assert path.read_bytes() == before
    told: list[str] = []
    with Ledger(path, tell=told.append) as ledger:
        assert record(ledger, DECIDED) == 4
        assert check_ledger(ledger, lambda *_: None) == len(old_rows()) - 1
    assert "older format (3)" in told[0]
    assert version_of(path)[0] == SCHEMA_VERSION == WITH_EVENTS
    holds_all(path, reading=False)


def test_a_ledger_brought_up_has_the_tables_of_a_new_one(tmp_path):
    def schema(path: Path) -> list[str]:
        with closing(sqlite3.connect(path)) as db:
            rows = db.execute("SELECT name, sql FROM sqlite_master WHERE sql NOT NULL").fetchall()
        return sorted(f"{name} {' '.join(sql.split())}" for name, sql in rows)

    Ledger(tmp_path / "new.sqlite").close()
    for make in (second_format, third_format):
        Ledger(make(tmp_path / f"{make.__name__}.sqlite", [])).close()
        assert schema(tmp_path / f"{make.__name__}.sqlite") == schema(tmp_path / "new.sqlite")


@pytest.mark.parametrize("old", [False, True])
def test_a_read_only_ledger_takes_no_event_and_shows_those_it_has(open_folder, path, old):
    kept_at = open_folder / "l.sqlite"
    if old:
        third_format(kept_at, old_rows()[:-1])
    else:
        kept_at.write_bytes(path.read_bytes())
    with not_writable(open_folder, kept_at):
        told = refused("note", "r1", "more", "--ledger", kept_at)
        assert "cannot be written: the file or its folder is read-only" in told
        code, text, _ = run("decisions", "--ledger", kept_at)
        assert code == 0
        assert ("None yet" in text) == old


# Several people.


def test_a_merge_unites_events_and_names_who_disagrees(tmp_path, path):
    other, into = tmp_path / "other.sqlite", tmp_path / "into.sqlite"
    with Ledger(other) as ledger:
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"}, who="Bea")
        theirs = Event("rejected", "r1", A, "A", "Bea", "too dear")
        record(ledger, [theirs, DECIDED[1]])
    code, _, err = run("ledger", "merge", into, path, other)
    assert code == 0
    assert "7 events" in err
    assert "Disputed: build A of run r1 is chosen by Ann and rejected by Bea." in err
    assert set(kept(into)) == {*kept(path), *kept(other)}
    assert len(kept(into)) == 7
    before = kept(into)
    _, _, err = run("ledger", "merge", into, other, path)
    assert err == ""  # the same again: nothing added, nothing told anew
    assert kept(into) == before
    _, text, _ = run("decisions", "r1", "--ledger", into, "--json")
    assert json.loads(text)["disputes"] == [
        {"run": "r1", "build": A, "label": "A", "chosen_by": ["Ann"], "rejected_by": ["Bea"]}
    ]
    _, listed, _ = run("show", "--ledger", into, "--json")
    assert json.loads(listed)[0]["started_by"] == ["Ann", "Bea"]


def test_a_merge_that_fails_brings_no_event(tmp_path, path):
    other, into = tmp_path / "other.sqlite", tmp_path / "into.sqlite"
    with Ledger(other) as ledger:
        record(ledger, DECIDED)
    changed(other, "DELETE FROM event WHERE id = 2")
    assert "event 2 of 4 is gone" in refused("ledger", "merge", into, path, other)
    assert kept(into) == ()


def test_a_persons_last_word_counts():
    word = Event("chosen", "r1", A, "A", "Ann", moment="1")
    against = Event("rejected", "r1", A, "A", "Bea", moment="2")
    assert [d.words() for d in disputes([word, against])] == [
        "build A of run r1 is chosen by Ann and rejected by Bea"
    ]
    parked = replace(against, kind="parked", moment="3")
    assert disputes([word, against, parked]) == []
    assert disputes([word, replace(against, who="Ann")]) == []  # one mind, changed
    assert disputes([word, replace(against, run="r2")]) == []  # under another brief
    made = replace(against, kind="made", moment="3")
    assert len(disputes([word, against, made])) == 1  # what was done is no word on it
    assert "build 0123" in replace_label(disputes([word, against])[0]).words()


def replace_label(dispute):
    return replace(dispute, label="", build="0123" * 8)


def test_events_by_run_build_and_who_started():
    start = [Event("started", "r1", who="Ann"), Event("resumed", "r1"), Event("started", "r2")]
    assert starters(start) == {"r1": ("Ann", ""), "r2": ("",)}
    assert of_run(DECIDED, "r1", {A}) == DECIDED
    assert of_run(DECIDED, "r1", {B}) == DECIDED[:3]
    assert of_run(DECIDED, "r2", {A}) == DECIDED[3:]
    assert of_build(DECIDED, A) == (DECIDED[0], DECIDED[3])


def test_a_run_is_found_by_id_or_name(path):
    with Ledger(path) as ledger:
        ledger.begin("r2", "r1", "{}", 8, {"model": "1"})
        assert named_run(ledger, "r1").id == "r1"
        assert named_run(ledger, "brief").id == "r1"
        with pytest.raises(InputError, match=r"run 'brif' is not in the ledger .*known: brief"):
            named_run(ledger, "brif")
    with Ledger(path.with_name("empty.sqlite")) as ledger, pytest.raises(InputError, match="none"):
        named_run(ledger, "r1")


# Export.


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_events_are_exported_whole_and_no_cell_is_a_formula(tmp_path, path, ending):
    if ending == ".parquet":
        pytest.importorskip("pyarrow")
    out = tmp_path / f"e{ending}"
    code, _, err = run("ledger", "export", path, "--events", "--out", out)
    assert code == 0
    assert "5 rows" in err
    if ending == ".csv":
        with out.open(newline="") as file:
            rows = list(csv.DictReader(file))
        assert rows[1]["text"] == "'=1+1 softest"
        rows[1]["text"] = rows[1]["text"][1:]
    else:
        rows = pd.read_parquet(out).to_dict("records")
    assert tuple(Event(**row) for row in rows) == kept(path)
    assert run("ledger", "export", path, "--events", "--run", "brief", "--out", out)[0] == 0
    told = refused("ledger", "export", path, "--events", "--model", "1", "--out", out)
    assert "leave it out with --events" in told


# Who.


def test_who_is_as_given_or_the_variable_or_the_login_name(monkeypatch):
    monkeypatch.delenv(WHO_VARIABLE, raising=False)
    monkeypatch.setattr(getpass, "getuser", lambda: "login")
    assert named(None) == "login"
    monkeypatch.setenv(WHO_VARIABLE, "Ann of the lab")
    assert named(None) == "Ann of the lab"
    assert named("  Bea \n B. ") == "Bea B."

    def none() -> str:
        raise OSError("no password database")

    monkeypatch.delenv(WHO_VARIABLE)
    monkeypatch.setattr(getpass, "getuser", none)
    assert named(None) == ""
    with pytest.raises(InputError, match="is empty"):
        named("  ")


@pytest.mark.parametrize("text", ["", " \n", "a\x1b[31mb", "\u202eb", "x" * 2001, "\ud800"])
def test_a_text_that_is_none_or_too_long_or_steers_a_terminal_is_refused(text):
    with pytest.raises(InputError, match="--why"):
        one_line(text, "--why")


# What no command writes, and edges.


def test_limits_names_and_texts_have_a_greatest_length():
    assert one_line("x" * 2000, "a text") == "x" * 2000
    with pytest.raises(InputError, match="a text has 2001 characters, but must have at most 2000"):
        one_line("x" * 2001, "a text")
    assert one_line("x" * 7, "a text", 7) == "x" * 7
    assert named("n" * 120) == "n" * 120
    with pytest.raises(InputError, match=r"the name of who acts has 121 char.* at most 120"):
        named("n" * 121)


def test_a_login_name_is_read_as_carefully(monkeypatch):
    monkeypatch.setenv(WHO_VARIABLE, "n" * 121)
    with pytest.raises(InputError, match="the login name or ORBWRIGHT_WHO has 121"):
        named(None)
    for cause in (ImportError, KeyError):

        def none(cause=cause) -> str:
            raise cause("no such thing")

        monkeypatch.delenv(WHO_VARIABLE, raising=False)
        monkeypatch.setattr(getpass, "getuser", none)
        assert named(None) == ""


def test_golden_a_files_digest_is_the_first_half_of_its_sha_256():
    # SHA-256 of nothing (FIPS 180-4).
    assert digest_of_file(b"") == "e3b0c44298fc1c149afbf4c8996fb924"


EVENT = ("note", "r1", None, "A", "Ann", "2026", "text", "k1.csv", b"\x01" * 16)


def test_an_event_is_read_cell_by_cell():
    event = event_of(1, EVENT)
    assert event == Event("note", "r1", "", "A", "Ann", "text", "k1.csv", "01" * 16, "2026")
    assert cells_of_event(event) == EVENT
    built = event_of(1, (*EVENT[:2], b"\x0a" * 16, *EVENT[3:8], None))
    assert (built.build, built.file_digest) == ("0a" * 16, "")


@pytest.mark.parametrize("place", range(9))
def test_a_cell_of_another_type_or_with_controls_is_damage(place):
    for value in (3, "a\tb", "a\rb", "\x7f", b"text") if place not in (2, 8) else (3, "text"):
        cells = (*EVENT[:place], value, *EVENT[place + 1 :])
        words = "event 7 cannot be read" if place in (2, 8) else "event 7 has control characters"
        with pytest.raises(Damage, match=words):
            event_of(7, cells)


def test_who_disagrees_is_named_in_order_with_the_last_label():
    words = (
        Event("chosen", "r1", A, "A", "Ann", moment="1"),
        Event("rejected", "r1", A, "", "Bea", moment="2"),
        Event("rejected", "r1", A, "", "Cleo", moment="3"),
        Event("chosen", "r1", A, "", "Dan", moment="4"),
        Event("rejected", "r1", B, "B", "Ann", moment="5"),
    )
    (found,) = disputes(words)
    assert (found.run, found.build, found.label) == ("r1", A, "A")
    assert (found.chosen_by, found.rejected_by) == (("Ann", "Dan"), ("Bea", "Cleo"))
    assert found.words() == ("build A of run r1 is chosen by Ann, Dan and rejected by Bea, Cleo")
    assert replace(found, label="").words().startswith(f"build {A[:12]} of run r1 is")


def test_events_of_one_moment_stay_in_the_order_of_writing(tmp_path):
    together = [Event("note", "r1", who=who, text="t", moment="2026") for who in "cab"]
    with Ledger(tmp_path / "l.sqlite") as ledger:
        assert record(ledger, together) == 3
        assert [event.who for event in read_events(ledger)] == ["c", "a", "b"]
        assert record(ledger, []) == 0


def test_of_runs_of_one_name_the_latest_is_meant(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        with pytest.raises(InputError, match=r"there is no run 'brief' in .*; it has none yet"):
            named_run(ledger, "brief")
        for number in (1, 2, 3):
            row = RunRow(f"r{number}", "brief", "{}", 7, '{"model": "1"}', "running",
                         f"2026-0{4 - number}", None)  # fmt: skip
            with ledger.transaction():
                ledger.take_run(row, ())
        assert [run.id for run in ledger.runs()] == ["r1", "r2", "r3"]
        assert named_run(ledger, "brief").id == "r1"
        assert named_run(ledger, "r3").id == "r3"


def test_events_of_a_run_alone_are_exported(path, tmp_path):
    with Ledger(path) as ledger:
        ledger.begin("r2", "other", "{}", 7, {"model": "1"}, who="Bea")
        out = tmp_path / "e.csv"
        assert export_events(ledger, out) == 6
        assert export_events(ledger, out, "r2") == 1
        with out.open(newline="") as file:
            (row,) = csv.DictReader(file)
        assert (row["kind"], row["run"], row["who"]) == ("started", "r2", "Bea")
        assert list(row) == [
            "kind", "run", "build", "label", "who", "text", "file", "file_digest", "moment"
        ]  # fmt: skip
