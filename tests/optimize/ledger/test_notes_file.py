"""The file of notes that a page exports, and what is refused of it."""

import json

import pytest

from layers.errors import InputError
from optimize.ledger.notes_file import read_notes

EVENT = {
    "kind": "chosen",
    "run": "0123456789ab",
    "build": "0" * 32,
    "label": "A",
    "who": "Ann",
    "text": "firm feel",
    "moment": "2026-01-02T04:04:05.5+01:00",
}


def written(folder, **changes):
    path = folder / "notes.json"
    events = [EVENT | changes]
    path.write_text(
        json.dumps({"format": "orbwright notes", "run": EVENT["run"], "events": events})
    )
    return path


def test_events_are_read_with_their_moment_in_utc(tmp_path):
    (event,) = read_notes(written(tmp_path))
    assert event.moment == "2026-01-02T03:04:05.500+00:00"
    assert (event.kind, event.who, event.text) == ("chosen", "Ann", "firm feel")


def test_who_is_taken_where_the_file_names_nobody(tmp_path):
    (event,) = read_notes(written(tmp_path, who=""), "Bo")
    assert event.who == "Bo"
    with pytest.raises(InputError, match="--who"):
        read_notes(written(tmp_path, who=""))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"kind": "started"}, "kind"),
        ({"build": "xyz"}, "build"),
        ({"text": "a\u0007"}, "control character"),
        ({"text": "x" * 2001}, "text"),
        ({"moment": "yesterday"}, "moment"),
        ({"moment": "2026-01-02T03:04:05"}, "offset from UTC"),
        ({"more": 1}, "more"),
        ({"kind": "note", "text": ""}, "note"),
    ],
)
def test_what_no_page_writes_is_refused_in_a_sentence(tmp_path, changes, words):
    with pytest.raises(InputError, match=words):
        read_notes(written(tmp_path, **changes))


@pytest.mark.parametrize("text", ["", "x", "[]", "{}", "[" * 5000])
def test_other_files_are_refused(tmp_path, text):
    path = tmp_path / "notes.json"
    path.write_text(text)
    with pytest.raises(InputError):
        read_notes(path)
