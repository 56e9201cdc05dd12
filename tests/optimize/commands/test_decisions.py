"""Marks, notes, the history of a build, and a build reopened, from the command line."""

import json
from pathlib import Path

import pytest

from layers.ball_file import write_ball
from layers.errors import InputError
from optimize.commands.calibration import _files_of
from optimize.commands.noted import note_files
from optimize.lab.measurements import measurements_from_csv
from optimize.ledger.decisions import read_events
from optimize.ledger.events import WHO_VARIABLE
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import read_scenario
from optimize.scenario.space import content_of, key_of
from optimize.search.result import Run
from optimize.search.run import load_run, name_run, run_search
from tests.optimize.commands.test_app import refused, run

QUICK = Path(__file__).parents[2] / "helpers" / "closed_form.toml"
NAME = "Quick: mass outward, cheaply"
FEW = read_scenario(QUICK).model_copy(update={"evaluations": 16})


@pytest.fixture(scope="module")
def searched(tmp_path_factory) -> tuple[Path, Run]:
    """Search once and decide on builds A and B of the short list."""
    path = tmp_path_factory.mktemp("decisions") / "l.sqlite"
    found = run_search(FEW, path, who="Ann")
    for words in (
        ("mark", NAME, "A", "chosen", "--why", "=SUM(A1) lightest", "--who", "Ann"),
        ("mark", found.id, "A", "rejected", "--who", "Bea"),
        ("mark", found.id, found.short_list[1].key[:8], "parked", "--why", "too\tdear\nnow"),
        ("note", NAME, "all too heavy", "--who", "Bea"),
        ("note", NAME, "A", "cover cracked in 2 of 6", "--who", "Lab"),
    ):
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv(WHO_VARIABLE, "Cleo")
            code, out, err = run(*words, "--ledger", path)
        assert (code, out) == (0, ""), err
    return path, load_run(path, NAME)


def test_marks_and_notes_say_who_when_and_why(searched):
    _, found = searched
    first, second = found.short_list[:2]
    told = [(e.kind, e.run, e.build, e.label, e.text) for e in found.events]
    assert told == [
        ("started", found.id, "", "", ""),
        ("chosen", found.id, first.key, "A", "=SUM(A1) lightest"),
        ("rejected", found.id, first.key, "A", ""),
        ("parked", found.id, second.key, "", "too dear now"),
        ("note", found.id, "", "", "all too heavy"),
        ("note", found.id, first.key, "A", "cover cracked in 2 of 6"),
    ]
    assert [e.who for e in found.events if e.kind != "parked"] == [
        "Ann",
        "Ann",
        "Bea",
        "Bea",
        "Lab",
    ]
    assert all(e.moment.endswith("+00:00") for e in found.events)
    assert all(a.moment <= b.moment for a, b in zip(found.events, found.events[1:], strict=False))


def test_show_and_its_json_tell_them_and_who_disagrees(searched):
    path, found = searched
    code, text, _ = run("show", NAME, "--ledger", path)
    assert code == 0
    assert "\nDecisions\n" in text
    assert "Started by Ann." in text
    assert f"Disputed: build A of run {found.id} is chosen by Ann and rejected by Bea." in text
    _, text, _ = run("show", NAME, "--ledger", path, "--json")
    record = json.loads(text)
    assert record["started_by"] == ["Ann"]
    assert [e["kind"] for e in record["decisions"]] == [
        *("chosen", "rejected", "parked", "note", "note")
    ]
    assert [d["label"] for d in record["disputes"]] == ["A"]
    _, text, _ = run("export", NAME, "--ledger", path, "--format", "markdown")
    assert "| =SUM\\(A1\\) lightest |" in text or "| =SUM(A1) lightest |" in text
    _, listed, _ = run("show", "--ledger", path)
    assert "started by" in listed
    assert "Ann" in listed


def test_decisions_are_listed_of_all_of_a_run_or_of_a_build(searched):
    path, found = searched
    key = found.short_list[0].key
    for words, kinds in (
        ((), ["chosen", "rejected", "parked", "note", "note"]),
        ((found.id,), ["chosen", "rejected", "parked", "note", "note"]),
        ((NAME,), ["chosen", "rejected", "parked", "note", "note"]),
        ((key[:10],), ["chosen", "rejected", "note"]),
    ):
        code, text, _ = run("decisions", *words, "--ledger", path, "--json")
        assert code == 0
        assert [e["kind"] for e in json.loads(text)["decisions"]] == kinds
    _, text, _ = run("decisions", "--ledger", path)
    assert text.count("\n") == 8  # title, heads, five events, the dispute


def test_a_ledger_without_decisions_says_so(tmp_path):
    path = tmp_path / "l.sqlite"
    Ledger(path).close()
    code, text, _ = run("decisions", "--ledger", path)
    assert code == 0
    assert "None yet" in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("mark", NAME, "A", "liked"), "the mark is 'liked', but must be one of: chosen, rejected"),
        (("mark", NAME, "Z", "chosen"), "has no build 'Z' on its short list; it has: A, B"),
        (("mark", NAME, "ffffffff", "made"), "there is no build 'ffffffff' of run"),
        (("mark", "Qick", "A", "made"), "there is no run 'Qick'"),
        (("mark", NAME, "A", "made", "--who", " "), "the name of who acts is empty"),
        (("mark", NAME, "A", "made", "--who", "a\x07"), "has the control character U+0007"),
        (("mark", NAME, "A", "made", "--why", "\x1b[2J"), "--why: line 1 has the control"),
        (("mark", NAME, "A", "made", "--why", "x" * 2001), "must have at most 2000"),
        (("note", NAME, ""), "the note is empty"),
        (("note", NAME, "A", "two", "texts"), "quote the text"),
        (("note", "other", "text"), "run 'other' is not in the ledger"),
        (("decisions", "abcdef12"), "there is no build 'abcdef12' in"),
        (("decisions", "nothing"), "run 'nothing' is not in the ledger"),
        (("history", NAME), "is no build: give a run and a build"),
        (("reopen", NAME, "Q"), "has no build 'Q' on its short list"),
    ],
)
def test_what_cannot_be_decided_is_told_and_nothing_is_added(searched, words, told):
    path, _ = searched
    with Ledger(path, reading=True) as ledger:
        before = read_events(ledger)
    assert told in refused(*words, "--ledger", path)
    with Ledger(path, reading=True) as ledger:
        assert read_events(ledger) == before


def test_a_ledger_that_is_not_there_is_not_made(tmp_path):
    path = tmp_path / "none.sqlite"
    for words in (("mark", NAME, "A", "made"), ("note", NAME, "text"), ("reopen", NAME, "A")):
        assert "is not there" in refused(*words, "--ledger", path)
    assert "is not there" in refused("sheet", "ball.toml", "--ledger", path)
    assert not path.exists()


def test_neither_id_nor_answer_depends_on_who_searches(searched, tmp_path):
    _, found = searched
    other = run_search(FEW, tmp_path / "l.sqlite", who="Somebody else")
    assert other == found  # to the last bit
    assert other.id == name_run(FEW)[0]
    assert [e.who for e in other.events] == ["Somebody else"]


# From brief to measurements, and on.


def test_the_history_of_a_build_goes_from_brief_to_the_run_that_starts_from_it(tmp_path):
    path, scenario = tmp_path / "l.sqlite", tmp_path / "from_b.toml"
    found = run_search(FEW, path, who="Ann")
    build = found.short_list[1]
    write_ball(build.ball, tmp_path / "b.toml")
    note_files(path, "Lab", [("sheet", build.ball, "b_sheet.csv", b"sheet")])
    rows = f'build,stage,figure,unit,value\n"{build.ball.name}",ball,mass_g,g,45.3\n'
    (tmp_path / "lab.csv").write_text(rows)
    (tmp_path / "c.toml").write_text("calibration")
    readings = measurements_from_csv([("lab.csv", rows)], [build.ball, found.short_list[0].ball])
    done = _files_of(
        [build.ball, found.short_list[0].ball],
        readings,
        [tmp_path / "lab.csv"],
        tmp_path / "c.toml",
    )
    note_files(path, "Lab", done)
    code, out, err = run("reopen", NAME, "B", "-o", scenario, "--who", "Bea", "--ledger", path)
    assert (code, out) == (0, ""), err
    reopened = read_scenario(scenario)
    assert reopened.name == f"{NAME}, from build B of run {found.id}"
    assert [b.name for b in reopened.start] == [f"build B of run {found.id}"]
    assert reopened.model_copy(update={"name": NAME, "start": ()}) == FEW
    later = run_search(reopened, path, who="Bea")
    assert later.builds[0].key == build.key  # computed first
    code, text, _ = run("history", found.id, "B", "--ledger", path, "--json")
    assert code == 0
    record = json.loads(text)
    assert record["build"] == build.key == key_of(content_of(build.ball))
    assert [(r["run"], r["started_by"], r["computed"]) for r in record["runs"]] == [
        (found.id, ["Ann"], True),
        (later.id, ["Bea"], True),
    ]
    assert record["runs"][0]["name"] == NAME
    assert len(record["runs"][0]["brief"]) == 12
    assert [e["model_version"] for e in record["evaluations"]] == [found.model_version]
    assert [(e["kind"], e["file"], e["who"]) for e in record["decisions"]] == [
        ("sheet", "b_sheet.csv", "Lab"),
        ("measured", "lab.csv", "Lab"),
        ("calibrated", "c.toml", "Lab"),
        ("reopened", "from_b.toml", "Bea"),
    ]
    assert [r["run"] for r in record["starts_runs"]] == [later.id]
    code, text, _ = run("history", build.key[:12], "--ledger", path)
    assert code == 0
    wanted = ["brief", "figures", "prototype sheet", "measured", "calibrated on it", "reopened"]
    places = [text.index(word) for word in [*wanted, f"starts run {later.id}"]]
    assert places == sorted(places)
    _, text, _ = run("show", found.id, "--ledger", path)
    assert "prototype sheet" in text  # of a build of its short list


def test_a_start_that_does_not_fit_is_told_before_a_run_begins(searched, tmp_path):
    path, _ = searched
    code, text, _ = run("reopen", NAME, "A", "--ledger", path)
    assert code == 0
    file, ledger = tmp_path / "s.toml", tmp_path / "l.sqlite"
    narrow = text.replace("thickness_mm = [0.8, 2.0]", "thickness_mm = [2.1, 2.2]")
    assert narrow != text
    file.write_text(narrow)
    told = refused("search", file, "--workers", 1, "--ledger", ledger, "--json")
    assert "thickness_mm of layer 2 is" in told
    assert not ledger.exists()
    with Ledger(ledger) as book:
        with pytest.raises(InputError, match="thickness_mm of layer 2 is"):
            run_search(file, book)
        assert book.runs() == ()


def test_the_same_file_of_a_build_is_noted_once(searched, tmp_path, capsys):
    path = tmp_path / "l.sqlite"
    found = run_search(FEW, path)
    done = [("sheet", found.short_list[0].ball, "a.csv", b"1")]
    note_files(path, "Lab", done)
    note_files(path, "Lab", done)
    assert "1 event noted" in (err := capsys.readouterr().err)
    assert "no new events noted" in err
    stranger = found.short_list[0].ball.replace(dimple_volume_percent=0.9)
    note_files(path, "Lab", [("sheet", stranger, "x.csv", b"2")])
    assert "has no figures in it" in capsys.readouterr().err
