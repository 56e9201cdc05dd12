"""Launches and flights of the short list."""

from dataclasses import replace
from datetime import UTC, datetime

from layers.errors import InputError
from optimize.ledger.ledger import Ledger
from optimize.page import flights, provenance
from optimize.page.launches import launches_of, swings_of
from tests.helpers.pages import SWINGS, brief


def test_launches_are_kept_in_the_ledger_and_found_again(folder, found):
    run, launches = found
    with Ledger(folder / "ledger.sqlite") as ledger:
        before = len(ledger)
        ticks = []
        again = launches_of(run, ledger, swings=SWINGS, tick=lambda *now: ticks.append(now))
        assert len(ledger) == before
    assert again == launches
    assert not ticks


def test_path_lands_at_the_carry(found):
    run, launches = found
    record = flights.flights_record(run, launches)["swings"][0]
    for path in record["paths"]:
        carry = launches.known[path["label"]].figures[f"{SWINGS[0]}.carry_m"].value
        assert abs(path["x"][-1] - carry) < 0.02
        assert abs(path["z"][-1]) < 0.02


def test_ledger_that_cannot_be_written_is_told_and_done_without(found, tmp_path, monkeypatch):
    run, _ = found

    def refuse(*_):
        raise InputError("x cannot be written: the file or its folder is read-only.")

    one = replace(run, short_list=run.short_list[:1])
    with Ledger(tmp_path / "other.sqlite") as ledger:
        monkeypatch.setattr(ledger, "add", refuse)
        found_now = launches_of(one, ledger, swings=SWINGS)
    assert f"{SWINGS[0]}.carry_m" in found_now.known["A"].figures
    assert "read-only" in found_now.unkept
    notes = provenance.provenance_record(one, found_now, "x", datetime.now(UTC))["notes"]
    assert any("not stored" in note for note in notes)


def test_swings_are_those_of_goals_and_limits_or_all():
    goal = {"figure": "driver fast.carry_m", "aim": "maximize"}
    spread = {"figure": "mid iron.carry_range_m", "at_most": 60.0}
    named = brief(goal=[goal], limit=[spread])
    irons = ("mid iron fast", "mid iron moderate", "mid iron slow")
    assert swings_of(named) == ("driver fast", *irons)
    assert len(swings_of(brief())) == 17
