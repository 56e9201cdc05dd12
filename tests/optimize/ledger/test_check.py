"""What a ledger holds, counted. Kind: structure."""

import pytest

from layers.errors import InputError
from layers.model_version import MODEL_VERSION
from optimize.ledger import file
from optimize.ledger.check import check_ledger, counts
from optimize.ledger.decisions import record
from optimize.ledger.events import Event
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Proposal
from tests.helpers.ledgers import CONTENT, KEY, first_format, found, numbered
from tests.optimize.ledger.test_format import old_rows
from tests.optimize.ledger.test_seal import changed


def looked(count: int) -> list[Proposal]:
    return [Proposal((i,), None, computed=False) for i in range(count)]


@pytest.fixture
def path(tmp_path):
    """Write three evaluations of two models and three runs, one of them finished."""
    path = tmp_path / "l.sqlite"
    with Ledger(path) as ledger:
        ledger.add(KEY, CONTENT, "1", found(mass_g=1.0))
        ledger.add(*numbered(1), "1", found(mass_g=1.0))
        ledger.add(KEY, CONTENT, "2", found(mass_g=1.0))
        for name, count in (("r1", 2), ("r2", 3), ("r3", 0)):
            ledger.begin(name, "brief", "{}", 7, {"model": "1"})
            ledger.note(name, 0, looked(count))
        ledger.end("r2", "finished")
        record(ledger, [Event("note", "r1", who="Ann", text="all")])
    return path


def test_all_that_a_ledger_holds_is_counted(path):
    with Ledger(path, reading=True) as ledger:
        assert counts(ledger) == {
            "ledger": str(path),
            "format": 4,
            "bytes": path.stat().st_size,
            "model": MODEL_VERSION,
            "evaluations": 3,
            "by_model": {"1": 2, "2": 1},
            "runs": {"finished": 1, "running": 2},
            "proposals": 5,
            "events": {"note": 1, "started": 3},
        }
        assert check_ledger(ledger, lambda *_: None) == 3


def test_an_empty_ledger_and_an_older_one_are_counted_too(tmp_path):
    with Ledger(tmp_path / "new.sqlite") as ledger:
        told = counts(ledger)
        assert (told["evaluations"], told["proposals"]) == (0, 0)
        assert told["by_model"] == told["runs"] == told["events"] == {}
        assert check_ledger(ledger, lambda *_: None) == 0
    with Ledger(first_format(tmp_path / "old.sqlite", old_rows()), reading=True) as ledger:
        told = counts(ledger)
        assert (told["format"], told["runs"], told["proposals"]) == (1, {"finished": 1}, 2)
        assert told["by_model"] == {"0": 5, "1": 32}


def test_rows_that_are_gone_are_not_counted_in_silence(path):
    changed(path, "DELETE FROM evaluation WHERE id = 3")
    with Ledger(path, reading=True) as ledger, pytest.raises(InputError, match="2 evaluations"):
        counts(ledger)


def test_a_page_that_is_lost_is_told_of_a_file_too_large_to_be_checked_when_opened(
    path, monkeypatch
):
    raw = bytearray(path.read_bytes())
    assert raw[36:40] == b"\x00" * 4  # how many pages are free, by the format of the file
    raw[36:40] = b"\x00\x00\x00\x07"
    path.write_bytes(raw)
    monkeypatch.setattr(file, "_CHECK_BYTES", 0)
    with (
        Ledger(path, reading=True) as ledger,
        pytest.raises(InputError, match="its index does not fit its rows"),
    ):
        check_ledger(ledger, lambda *_: None)
