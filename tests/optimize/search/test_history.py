"""From a build to its runs and back, in a ledger that is written by hand. Kind: structure."""

import hashlib
from types import SimpleNamespace

import pytest

from layers.errors import InputError
from optimize.ledger.decisions import record
from optimize.ledger.events import Event
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Proposal
from optimize.ledger.seal import RunRow
from optimize.scenario.space import Space, content_of, key_of
from optimize.scenario.start import start_of, start_rows
from optimize.search import history
from optimize.search.history import (
    Named,
    brief_digest,
    build_of,
    history_of,
    key_in,
    reopened,
)
from tests.helpers.briefs import two_layers
from tests.helpers.ledgers import found

BRIEF = two_layers()
SPACE = Space(BRIEF)


def key_of_row(row) -> str:
    return key_of(content_of(SPACE.decode(row).ball))


A, B, C = (key_of_row(row) for row in ((0, 0), (0, 1), (5, 5)))
STARTED = BRIEF.model_copy(update={"start": (start_of(SPACE, (5, 5), "C"),), "name": "from C"})


def run_row(name: str, scenario, started: str) -> RunRow:
    text = scenario.model_dump_json()
    return RunRow(name, scenario.name, text, 1, '{"model": "1"}', "finished", started, started)


def looked(row, key: str, computed: bool) -> Proposal:
    return Proposal(row, key, computed)


@pytest.fixture
def ledger(tmp_path):
    """Write three runs: r1 looked at A, B and nothing; r2 at B twice; r3 starts from C."""
    with Ledger(tmp_path / "l.sqlite") as book:
        nothing = Proposal((9, 9), None, computed=False)
        of_r1 = [looked((0, 0), A, True), nothing, looked((0, 1), B, False)]
        of_r2 = [looked((1, 1), C, False), looked((0, 1), B, False), looked((0, 1), B, True)]
        runs = (
            (run_row("r2", BRIEF, "2026-02"), of_r2),
            (run_row("r1", BRIEF, "2026-01"), of_r1),
            (run_row("r3", STARTED, "2026-03"), [looked((5, 5), C, True)]),
        )
        with book.transaction():
            for row, proposals in runs:
                book.take_run(row, proposals)
        for row, version in (((0, 1), "2"), ((0, 1), "1"), ((5, 5), "1")):
            content = content_of(SPACE.decode(row).ball)
            book.add(key_of(content), content, version, found(mass_g=1.0))
        content = content_of(SPACE.decode((0, 1)).ball)
        book.add(key_of(content), content, "1", found(moi_g_cm2=1.0))
        record(book, [Event("chosen", "r1", B, "B", "Ann", moment="2026-05"),
                      Event("note", "", B, "", "Bea", "firm", moment="2026-04"),
                      Event("chosen", "r1", A, "A", "Ann", moment="2026-06")])  # fmt: skip
        yield book


def test_all_that_came_of_a_build_is_gathered_the_earliest_first(ledger):
    told = history_of(ledger, B)
    assert told.build == B
    looked = [(one.run, one.number, one.computed, one.name, one.started) for one in told.looked]
    assert looked == [
        ("r1", 3, False, "Two layers", "2026-01"),
        ("r2", 2, True, "Two layers", "2026-02"),  # ruled out first, computed later
    ]
    digest = hashlib.sha256(BRIEF.model_dump_json().encode()).hexdigest()[:12]
    assert [one.brief for one in told.looked] == [digest] * 2
    assert [version for version, _ in told.evaluated] == ["2", "1"]
    written = {e.model_version: e.written for e in list(ledger.entries())[1::-1]}
    assert dict(told.evaluated) == written
    assert [(e.kind, e.who) for e in told.events] == [("note", "Bea"), ("chosen", "Ann")]
    assert told.started == ()


def test_runs_that_start_from_a_build_are_told(ledger):
    told = history_of(ledger, C)
    assert [run.id for run in told.started] == ["r3"]
    assert [(one.run, one.number, one.computed) for one in told.looked] == [
        ("r2", 1, False),
        ("r3", 1, True),
    ]
    assert history_of(ledger, A).started == ()
    nothing = history_of(ledger, "0" * 32)
    assert (nothing.looked, nothing.evaluated, nothing.events) == ((), (), ())


def test_a_ledger_that_lacks_a_row_has_no_history(ledger):
    ledger.db.execute("DELETE FROM evaluation WHERE id = 1")
    with pytest.raises(InputError, match="evaluation 1 of 4 is gone"):
        history_of(ledger, A)


def test_an_evaluation_that_lost_its_builds_name_is_not_passed_over(ledger):
    name = bytes.fromhex(B)
    other = bytes([name[0] ^ 1]) + name[1:]
    ledger.db.execute("UPDATE evaluation SET build = ? WHERE id = 2", (other,))
    with pytest.raises(InputError, match="evaluation 2 is not as it was written"):
        history_of(ledger, B)


def test_golden_a_brief_is_told_by_twelve_digits():
    # SHA-256 of "abc" (FIPS 180-4).
    assert brief_digest("abc") == "ba7816bf8f01"


# Finding a build.


@pytest.mark.parametrize("digits", [6, 12, 32])
def test_a_build_is_found_by_the_beginning_of_its_key(ledger, digits):
    assert build_of(ledger, "r1", A[:digits]) == Named("r1", A, "")
    assert build_of(ledger, "r2", B[:digits]) == Named("r2", B, "")  # looked at twice
    assert key_in(ledger, B[:digits]) == B


def test_what_is_no_beginning_of_a_key_is_none(ledger):
    for text in (A[:5], A + "0", A.upper() if A.upper() != A else "XYZXYZ", "r1", "Two layers"):
        assert key_in(ledger, text) is None
    named = SimpleNamespace(id=A[:8], name="other")
    assert key_in(SimpleNamespace(runs=lambda: [named]), A[:8]) is None  # a run of that name


def test_a_build_of_another_run_or_of_none_is_told(ledger):
    with pytest.raises(InputError, match=rf"there is no build '{C[:8]}' of run r1 in .*l.sqlite"):
        build_of(ledger, "r1", C[:8])
    none = "0123456789"
    assert not any(key.startswith(none) for key in (A, B, C))
    with pytest.raises(InputError, match=rf"there is no build '{none}' in .*l\.sqlite\."):
        key_in(ledger, none)


def test_a_beginning_that_several_share_needs_more_digits(ledger):
    with ledger.transaction():
        near = [Proposal((i,), f"abcdef0{i}" + "0" * 24, computed=True) for i in range(2)]
        ledger.take_run(run_row("r4", BRIEF, "2026-04"), near)
    words = r"build 'abcdef0' of run r4 is one of 2 in .*: give more digits of its key\."
    with pytest.raises(InputError, match=words):
        build_of(ledger, "r4", "abcdef0")
    assert build_of(ledger, "r4", "abcdef01").build == near[1].key
    with pytest.raises(InputError, match=r"build 'abcdef0' is one of 2 in"):
        key_in(ledger, "abcdef0")
    record(ledger, [Event("note", build="fedcba" + "0" * 26, who="Ann", text="t")])
    assert key_in(ledger, "fedcba") == "fedcba" + "0" * 26  # of a note alone


def test_a_letter_is_of_the_short_list(ledger, monkeypatch):
    shown = SimpleNamespace(id="r1", short_list=[SimpleNamespace(label="A", key=A),
                                                 SimpleNamespace(label="B", key=B)])  # fmt: skip
    monkeypatch.setattr(history, "load_run", lambda book, run: shown)
    assert build_of(ledger, "Two layers", "B") == Named("r1", B, "B")
    with pytest.raises(InputError) as told:
        build_of(ledger, "Two layers", "C")
    assert str(told.value) == (
        "run r1 has no build 'C' on its short list; it has: A, B; or give six or more digits of a "
        "build's key."
    )
    shown.short_list = []
    with pytest.raises(InputError, match="short list; it has: none; or give"):
        build_of(ledger, "Two layers", "C")


# Starting from a build.


def test_a_scenario_is_reopened_from_a_build_of_its_run(ledger):
    fresh = reopened(ledger, Named("r1", B, "B"))
    assert fresh.name == "Two layers, from build B of run r1"
    assert [one.name for one in fresh.start] == ["build B of run r1"]
    assert start_rows(Space(fresh)) == ((0, 1),)
    assert fresh.model_copy(update={"name": BRIEF.name, "start": ()}) == BRIEF
    by_key = reopened(ledger, Named("r1", B, ""))
    assert by_key.name == f"Two layers, from build {B[:12]} of run r1"


def test_a_long_name_is_cut_at_eighty_characters(ledger):
    for name, kept in (("n" * 81, "n" * 80), ("n" * 78 + "  long", "n" * 78), ("n" * 80, "n" * 80)):
        long = BRIEF.model_copy(update={"name": name})
        with ledger.transaction():
            ledger.take_run(run_row("r5", long, "2026-05"), [Proposal((0, 1), B, computed=True)])
        assert reopened(ledger, Named("r5", B, "B")).name == f"{kept}, from build B of run r5"


def test_a_build_that_a_run_did_not_look_at_itself_starts_nothing(ledger):
    with pytest.raises(InputError, match=f"run r3 did not look at build {A} itself"):
        reopened(ledger, Named("r3", A, "A"))


def test_a_scenario_that_cannot_be_read_is_told(ledger):
    broken = run_row("r6", BRIEF, "2026-06")._replace(scenario='{"start":[{}]}')
    with ledger.transaction():
        ledger.take_run(broken, [])
    with pytest.raises(InputError, match="the scenario of run r6"):
        history_of(ledger, A)
