"""Every evaluation on disk: exact, append-only, and damage is told."""

import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.errors import InputError
from layers.estimates import Estimate
from optimize.ledger import ledger as ledger_module
from optimize.ledger.decisions import read_events
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Proposal
from optimize.ledger.tables import SCHEMA_VERSION
from tests.helpers.ledgers import BALL, CONTENT, KEY, found, not_writable, numbered


def filled(path: Path, count: int = 50) -> Path:
    with Ledger(path) as ledger:
        for i in range(count):
            ledger.add(*numbered(i), "1", found(mass_g=45.0 + i / 3.0))
    return path


@settings(max_examples=20)
@given(values=st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=30))
def test_floats_are_kept_to_the_last_bit(tmp_path_factory, values):
    path = tmp_path_factory.mktemp("ledger") / "l.sqlite"
    written = found(**{f"f{i}": value for i, value in enumerate(values)})
    with Ledger(path) as ledger:
        ledger.add(KEY, CONTENT, "1", written)
    with Ledger(path) as ledger:
        figures = ledger.known([KEY], "1")[KEY].figures
    assert figures == written.figures
    assert repr(figures) == repr(written.figures)  # -0.0 is kept too


def test_figures_of_a_build_are_joined_and_the_first_stays(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        ledger.add(KEY, CONTENT, "1", Estimate(BALL, {}, {"frequency_hz": "no answer"}))
        ledger.add(KEY, CONTENT, "1", found(mass_g=2.0, moi_g_cm2=3.0))
        known = ledger.known([KEY], "1")[KEY]
        assert len(ledger) == 3
    assert {n: f.value for n, f in known.figures.items()} == {"mass_g": 1.0, "moi_g_cm2": 3.0}
    assert known.failed == {"frequency_hz": "no answer"}
    assert known.covers(("mass_g", "frequency_hz"))
    assert not known.covers(("deflection_mm",))


def test_another_version_of_the_model_knows_nothing(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        assert ledger.known([KEY], "2") == {}
        assert ledger.known(["00" * 16], "1") == {}


def test_many_builds_are_looked_up_at_once(tmp_path):
    path = filled(tmp_path / "l.sqlite", 1200)
    keys = [numbered(i)[0] for i in range(1200)]
    with Ledger(path) as ledger:
        assert set(ledger.known(keys, "1")) == set(keys)


def test_runs_and_their_proposals(tmp_path):
    proposals = [Proposal((1, 2), KEY, computed=True), Proposal((3, 4), None, computed=False)]
    with Ledger(tmp_path / "l.sqlite") as ledger:
        for _ in range(2):  # a resumed run notes the same again
            ledger.begin("r1", "brief", "{}", 7, {"model": "1"})
            ledger.note("r1", 0, proposals)
        assert [run.status for run in ledger.runs()] == ["running"]
        ledger.end("r1", "finished")
        (run,) = ledger.runs()
        assert (run.name, run.seed, run.versions, run.status) == (
            "brief",
            7,
            {"model": "1"},
            "finished",
        )
        assert ledger.proposals("r1") == tuple(proposals)
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"})  # once more, and stopped
        ledger.end("r1", "interrupted")
        assert ledger.runs() == (run,)


def test_no_infinite_number_is_written(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        with pytest.raises(ValueError, match="not JSON compliant"):
            ledger.add(KEY, CONTENT, "1", found(mass_g=float("inf")))
        assert len(ledger) == 0


def opened(path: Path) -> str:
    """Return the sentence with which a ledger is refused when it is opened and read."""
    with pytest.raises(InputError) as caught, Ledger(path) as ledger:
        ledger.known([numbered(i)[0] for i in range(50)], "1")
    message = str(caught.value)
    assert "\n" not in message
    assert str(path) in message
    return message


@pytest.mark.parametrize("start", [0, 4096, 8192, 20000])
def test_an_overwritten_file_is_told(tmp_path, start):
    path = filled(tmp_path / "l.sqlite")
    raw = bytearray(path.read_bytes())
    raw[start : start + 600] = b"\xa5" * 600
    path.write_bytes(raw)
    assert "is damaged" in opened(path)


def test_a_cut_file_is_told(tmp_path):
    path = filled(tmp_path / "l.sqlite")
    path.write_bytes(path.read_bytes()[:9000])
    assert "is damaged" in opened(path)


def test_one_changed_digit_is_told(tmp_path):
    # The database's own check does not look into a text.
    path = filled(tmp_path / "l.sqlite")
    raw = path.read_bytes()
    assert raw.count(b"[48.0,") == 1
    path.write_bytes(raw.replace(b"[48.0,", b"[49.0,"))
    assert "is damaged" in opened(path)


def test_another_file_is_not_taken_for_a_ledger(tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("not a database at all, but long enough to be read as one\n" * 40)
    assert "is damaged" in opened(text)
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE evaluation (id INTEGER)")
    assert "another program" in opened(other)


def test_a_later_format_is_told(tmp_path):
    path = filled(tmp_path / "l.sqlite", 1)
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    assert "later version" in opened(path)


def test_a_folder_that_is_not_there_is_told(tmp_path):
    assert "cannot be opened" in opened(tmp_path / "none" / "l.sqlite")
    assert "is a folder, not a ledger" in opened(tmp_path)


def test_a_read_only_ledger_is_told(tmp_path):
    path = filled(tmp_path / "l.sqlite", 1)
    with Ledger(path) as ledger:
        ledger.db.execute("PRAGMA query_only = ON")  # root may write anywhere: the lock is here
        with pytest.raises(InputError, match=r"cannot be written: .* read-only"):
            ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))


def test_a_read_only_folder_is_told(open_folder):
    path = filled(open_folder / "l.sqlite", 1)
    with not_writable(open_folder, path):
        assert "cannot be opened" in opened(open_folder / "new.sqlite")
        assert "cannot be" in opened(path)


def test_a_ledger_that_stays_held_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("optimize.ledger.file._PATIENCE_S", 0.0)
    path = filled(tmp_path / "l.sqlite", 1)
    with Ledger(path) as holder, Ledger(path) as ledger, holder.transaction():
        assert len(ledger) == 1  # reading goes on
        with pytest.raises(InputError, match="is held by another process"):
            ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))


def fill_up(ledger: Ledger) -> None:
    for i in range(1000):
        ledger.add(KEY, "x" * 500, "1", found(mass_g=float(i)))


def test_a_full_disk_is_told_and_nothing_is_lost(tmp_path):
    path = filled(tmp_path / "l.sqlite", 5)
    with Ledger(path) as ledger:
        (pages,) = ledger.db.execute("PRAGMA page_count").fetchone()
        ledger.db.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(InputError, match="the disk is full"):
            fill_up(ledger)
    with Ledger(path) as ledger:
        assert len(ledger) >= 5
        assert len(ledger.known([numbered(3)[0]], "1")) == 1


_WRITER = """
import sys
from pathlib import Path
from optimize.ledger import ledger as ledger_module
from optimize.ledger.ledger import Ledger
from tests.helpers.ledgers import found, numbered
with Ledger(Path(sys.argv[1])) as ledger:
    for i in range(int(sys.argv[2])):
        ledger.add(*numbered(i), "1", found(mass_g=45.0 + i / 3.0))
        print(i, flush=True)
"""


def writer(path: Path, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", _WRITER, str(path), str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_what_was_written_survives_a_kill(tmp_path):
    path = tmp_path / "l.sqlite"
    process = writer(path, 10**6)
    assert process.stdout is not None
    for _ in range(40):
        told = int(process.stdout.readline())
    time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    process.wait()
    with Ledger(path) as ledger:
        keys = [numbered(i)[0] for i in range(told + 1)]
        assert len(ledger.known(keys, "1")) == told + 1
        assert ledger.db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_two_processes_write_one_ledger(tmp_path):
    path = tmp_path / "l.sqlite"
    processes = [writer(path, 150), writer(path, 150)]
    assert [p.communicate()[0].count("\n") for p in processes] == [150, 150]
    with Ledger(path) as ledger:
        assert len(ledger) == 150  # the same rows, once


def test_a_copied_ledger_is_a_ledger(tmp_path):
    shutil.copy(filled(tmp_path / "l.sqlite"), tmp_path / "copy.sqlite")
    with Ledger(tmp_path / "copy.sqlite") as ledger:
        assert len(ledger) == 50


def test_proposals_are_counted_from_one_where_damage_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(ledger_module, "proposal_of", lambda where, cells: where)
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"})
        ledger.note("r1", 0, [Proposal((i,), None, computed=False) for i in range(2)])
        (row,) = ledger.run_rows()
        assert list(ledger.looked_at(row)) == ["proposal 1 of run r1", "proposal 2 of run r1"]


# Runs, and lookups at their edges.


def looked(*numbers: int) -> list[Proposal]:
    return [Proposal((i,), numbered(i)[0], computed=True) for i in numbers]


def test_proposals_are_noted_once_wherever_a_process_goes_on(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"})
        ledger.note("r1", 0, looked(0, 1))
        ledger.note("r1", 0, looked(0, 1, 2))  # the first two stand
        ledger.note("r1", 1, looked(1, 2))  # all of them stand
        ledger.note("r1", 3, looked(3))
        assert ledger.proposals("r1") == tuple(looked(0, 1, 2, 3))
        with pytest.raises(InputError, match="run r1 holds fewer proposals than were written"):
            ledger.note("r1", 5, looked(5))
        for act in (lambda: ledger.note("r9", 0, []), lambda: ledger.end("r9", "finished")):
            with pytest.raises(InputError, match="run r9 is gone"):
                act()
        ledger.end("r1", "finished")
        ledger.note("r1", 4, looked(4))  # a finished run stays as it is
        assert len(ledger.proposals("r1")) == 4
        assert ledger.proposals("r9") == ()


def test_a_run_starts_once_goes_on_and_stays_finished(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        for who, status in (("Ann", None), ("Bea", "interrupted"), ("Cleo", "finished"),
                            ("Dan", None)):  # fmt: skip
            ledger.begin("r1", "brief", "{}", 7, {"model": "1"}, who)
            if status:
                ledger.end("r1", status)
        (run,) = ledger.runs()
        assert (run.status, run.finished is None) == ("finished", False)
        told = [(event.kind, event.who) for event in read_events(ledger)]
        assert told == [("started", "Ann"), ("resumed", "Bea"), ("resumed", "Cleo")]
        ledger.begin("r2", "brief", "{}", 7, {"model": "1"})
        ledger.end("r2", "interrupted")
        assert next(r for r in ledger.runs() if r.id == "r2").finished is not None
        ledger.begin("r2", "brief", "{}", 7, {"model": "1"})
        again = next(r for r in ledger.runs() if r.id == "r2")
        assert (again.status, again.finished) == ("running", None)


def test_a_damaged_run_starts_anew(tmp_path):
    path = tmp_path / "l.sqlite"
    with Ledger(path) as ledger:
        ledger.begin("r1", "brief", "{}", 7, {"model": "1"}, "Ann")
        ledger.note("r1", 0, looked(0, 1))
        ledger.end("r1", "finished")
        ledger.db.execute("UPDATE proposal SET row = '[9]' WHERE ordinal = 1")
        ledger.begin("r1", "brief", "{}", 8, {"model": "2"}, "Bea")
        (run,) = ledger.runs()
        assert (run.status, run.seed, run.versions) == ("running", 8, {"model": "2"})
        assert ledger.proposals("r1") == ()
        assert [e.kind for e in read_events(ledger)] == ["started", "started"]


def test_limits_as_many_builds_as_one_question_holds(tmp_path):
    """Builds are looked up by five hundred; the ends of each question are there too."""
    with Ledger(filled(tmp_path / "l.sqlite", 4)) as ledger:
        keys = [numbered(i)[0] for i in range(1001)]
        assert set(ledger.known(keys, "1")) == set(keys[:4])
        for place in (499, 500, 501, 1000):
            moved = [f"{i:032x}" for i in range(1001)]
            moved[place] = keys[2]
            assert list(ledger.known(moved, "1")) == [keys[2]]
        assert ledger.known([], "1") == {}


def test_a_snapshot_is_one_state_and_may_stand_in_another(tmp_path):
    path = filled(tmp_path / "l.sqlite", 2)
    with Ledger(path) as ledger, Ledger(path) as other:
        with ledger.snapshot():
            assert ledger.rows("SELECT count(*) FROM evaluation") == [(2,)]
            other.add(KEY, CONTENT, "1", found(mass_g=1.0))
            with ledger.snapshot():
                assert len(list(ledger.entries())) == 2
            assert ledger.db.in_transaction
        assert not ledger.db.in_transaction
        assert len(ledger) == 3
        ledger.check_count()


def test_a_frame_joins_the_rows_of_a_build_and_keeps_the_first_moment(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        ledger.add(KEY, CONTENT, "2", found(mass_g=7.0))
        ledger.add(KEY, CONTENT, "1", found(mass_g=2.0, moi_g_cm2=3.0))
        frame, written = ledger.to_frame(), [entry.written for entry in ledger.entries()]
        assert repr(ledger) == f"Ledger({str(tmp_path / 'l.sqlite')!r}, 3 evaluations)"
        assert [e.model_version for e in ledger.entries_where("model_version = ?", ("1",))] == [
            "1",
            "1",
        ]
    assert list(frame["build"]) == [KEY, KEY]
    assert list(frame["model_version"]) == ["1", "2"]
    assert list(frame["written"]) == written[:2]
    assert list(frame["mass_g"]) == [1.0, 7.0]
    assert frame["moi_g_cm2"][0] == 3.0
    assert frame["layer1_outer_diameter_mm"][0] == BALL.layer[0].outer_diameter_mm


def test_rows_that_were_taken_from_the_file_are_missed(tmp_path):
    with Ledger(filled(tmp_path / "l.sqlite", 3)) as ledger:
        ledger.db.execute("DELETE FROM evaluation WHERE id = 2")
        with pytest.raises(InputError, match="holds 2 evaluations, which are not the 3 that"):
            ledger.check_count()
        assert len(ledger) == 3


def test_a_ledger_is_closed_at_its_end(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        pass
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        ledger.db.execute("SELECT 1")
