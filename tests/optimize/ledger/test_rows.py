"""Rows as objects: written and read back, bound by digests that stay the same between releases.

Kinds: structure, golden (digests by hand: a ledger of this release must be read by the next).
"""

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from layers.estimates import Estimate, Figure
from optimize.ledger.rows import (
    Entry,
    Known,
    Predicted,
    Proposal,
    cells_of,
    now,
    proposal_of,
    record_of,
    whole,
)
from optimize.ledger.seal import Damage, RunRow, digest_of
from tests.helpers.ledgers import BALL, CONTENT, KEY, found

MASS = Figure("mass_g", 45.5, "g", "closed form", 0.1, 0.2, "flagged", "careful")
ROW = RunRow("r1", "brief", "{}", 7, '{"model": "1"}', "finished", "then", "later", 2, b"\x01")


def test_golden_an_evaluation_as_it_stands_on_disk():
    entry = Entry.of(KEY, CONTENT, "1", Estimate(BALL, {"mass_g": MASS}, {"cor": "crushed"}))
    text = (
        '{"figures":{"mass_g":[45.5,"g","closed form",0.1,0.2,"flagged","careful"]},'
        '"failed":{"cor":"crushed"}}'
    )
    assert (entry.build.hex(), entry.model_version, entry.content) == (KEY, "1", CONTENT)
    assert entry.figures == text
    joined = "\n".join((KEY, "1", CONTENT, text)).encode()
    assert entry.digest == hashlib.sha256(joined).digest()[:8]
    assert entry.known() == Known({"mass_g": MASS}, {"cor": "crushed"})
    assert whole(1, entry) == entry


def test_golden_figures_of_before_cautions_are_read_without():
    entry = Entry.of(KEY, CONTENT, "1", Estimate(BALL, {}))
    old = entry._replace(
        figures='{"figures":{"mass_g":[45.5,"g","closed form",0.1,0.2,""]},"failed":{}}'
    )
    assert old.known().figures["mass_g"] == replace(MASS, flag="", caution="")


@pytest.mark.parametrize(
    ("field", "value"),
    [("build", b"\x00" * 16), ("model_version", "2"), ("content", "{}"), ("figures", "{}"),
     ("digest", b"\x00" * 8), ("build", "text"), ("content", None), ("content", b"{}")],
)  # fmt: skip
def test_a_changed_evaluation_is_not_whole(field, value):
    entry = Entry.of(KEY, CONTENT, "1", found(mass_g=1.0))
    assert entry.is_whole()
    changed = entry._replace(**{field: value})
    assert not changed.is_whole()
    with pytest.raises(Damage, match="evaluation 17 is not as it was written"):
        whole(17, changed)
    assert entry._replace(written="later").is_whole()  # the chain holds the moment


def test_golden_a_digest_tells_type_and_value_of_each_cell():
    texts = ["str a", "int 1", "NoneType None", "bytes 01ff"]
    wanted = hashlib.sha256(json.dumps(texts).encode()).digest()[:8]
    assert digest_of("a", 1, None, b"\x01\xff") == wanted
    assert len({digest_of(x) for x in (1, "1", b"1", 1.0, True, None, "None")}) == 7


def test_a_proposal_comes_back_as_it_was_written():
    guess = {"cor": Predicted(0.8, 0.01, False), "mass_g": Predicted(3.8, 0.1, True)}
    for proposal in (
        Proposal((1, 22), KEY, computed=True, predictions=guess),
        Proposal((), None, computed=False),
    ):
        assert proposal_of("it", cells_of(proposal)) == proposal
    row, build, outcome, predictions = cells_of(Proposal((1, 22), KEY, True, guess))
    assert (row, build.hex(), outcome) == ("[1, 22]", KEY, "computed")
    assert json.loads(predictions) == {"cor": [0.8, 0.01, False], "mass_g": [3.8, 0.1, True]}
    assert cells_of(Proposal((3,), None, computed=False)) == ("[3]", None, "ruled out", None)


@pytest.mark.parametrize(
    "cells",
    [
        ("[0.5]", None, "computed", None),
        ("{", None, "computed", None),
        ("3", None, "computed", None),
        ("[1]", "text", "computed", None),
        ("[1]", None, "computed", '{"cor": [1]}'),
        (None, None, "computed", None),
    ],
)
def test_a_proposal_that_cannot_be_read_is_damage(cells):
    with pytest.raises(Damage, match="proposal 3 of run r1 cannot be read"):
        proposal_of("proposal 3 of run r1", cells)


def test_a_run_is_read_and_one_without_a_model_is_damage():
    found = record_of(ROW)
    assert (found.id, found.name, found.scenario, found.seed) == ("r1", "brief", "{}", 7)
    assert (found.versions, found.status) == ({"model": "1"}, "finished")
    assert (found.started, found.finished) == ("then", "later")
    for text in ("{", "{}", "[]", "3"):
        with pytest.raises(Damage, match="the row of run r1 cannot be read"):
            record_of(ROW._replace(versions=text))


def test_what_stood_first_counts():
    other = replace(MASS, value=1.0)
    known = Known({"mass_g": MASS}, {"cor": "first"})
    joined = known.joined({"mass_g": other, "moi_g_cm2": other}, {"cor": "second", "x": "third"})
    assert joined == Known({"mass_g": MASS, "moi_g_cm2": other}, {"cor": "first", "x": "third"})
    assert known.covers(["mass_g", "cor"])
    assert known.covers([])
    assert not known.covers(["mass_g", "x"])


def test_a_moment_is_in_utc_to_the_millisecond():
    moment = datetime.fromisoformat(now())
    assert moment.utcoffset() == timedelta(0)
    assert abs(datetime.now(UTC) - moment) < timedelta(minutes=10)
    assert len(now()) == len("2026-05-01T10:00:00.000+00:00")
