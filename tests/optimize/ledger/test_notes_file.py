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


def test_limits_the_longest_that_a_page_may_write_is_read(tmp_path):
    longest = {"run": "r" * 64, "label": "AB", "who": "w" * 120, "text": "t" * 2000}
    (event,) = read_notes(written(tmp_path, **longest))
    assert (event.run, event.label, event.who, event.text) == tuple(longest.values())
    for name, value in longest.items():
        with pytest.raises(InputError, match=name):
            read_notes(written(tmp_path, **{name: value + "x"}))


def test_limits_a_thousand_events_are_read_and_no_more(tmp_path):
    path = tmp_path / "notes.json"
    for count in (0, 1000, 1001):
        table = {"format": "orbwright notes", "run": "r1", "events": [EVENT] * count}
        path.write_text(json.dumps(table))
        if count <= 1000:
            assert len(read_notes(path)) == count
        else:
            with pytest.raises(InputError, match="events"):
                read_notes(path)


def test_a_decision_needs_no_words_and_keeps_its_place(tmp_path):
    (event,) = read_notes(written(tmp_path, text="", kind="parked"))
    told = (event.kind, event.run, event.build, event.label, event.who, event.text)
    assert told == ("parked", EVENT["run"], EVENT["build"], "A", "Ann", "")
    assert (event.file, event.file_digest) == ("", "")
    (event,) = read_notes(written(tmp_path, text=" two  words "), "Bo")
    assert (event.text, event.who) == ("two words", "Ann")  # the file's name counts first


@pytest.mark.parametrize("changes", [{"build": "0" * 31}, {"build": "0" * 33}, {"label": 3},
                                     {"build": "A" * 32}, {"who": " \n"}])  # fmt: skip
def test_keys_are_whole_and_nothing_is_taken_for_text(tmp_path, changes):
    with pytest.raises(InputError):
        read_notes(written(tmp_path, **changes))


def test_another_format_or_a_key_too_many_is_refused(tmp_path):
    path = tmp_path / "notes.json"
    good = {"format": "orbwright notes", "run": "r1", "events": [EVENT]}
    for table in (
        good | {"format": "notes"},
        good | {"more": 1},
        {k: good[k] for k in ("run", "events")},
    ):
        path.write_text(json.dumps(table))
        with pytest.raises(InputError, match=str(path)):
            read_notes(path)
