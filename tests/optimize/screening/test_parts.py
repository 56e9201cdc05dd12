"""A table screened in parts, beside a card, is the table screened at once.

Kind: comparison, with figures that need no card; a process of its own reads and judges the parts.
"""

from layers.figures import canonical
from optimize.compute.card import OnCard
from optimize.ledger.ledger import Ledger
from optimize.screening import parts
from optimize.screening.question import Question
from optimize.screening.screen import screen_builds
from optimize.screening.spool import Spool
from tests.helpers.marching import Here
from tests.helpers.tables import mixed

NAMES = tuple(canonical(("mass_g", "moi_g_cm2")))


def screened(table, ledger, workers):
    with Ledger(ledger) as opened, Spool() as spool:
        found = screen_builds(table, Question.of(NAMES), opened, spool, workers)
        return found, list(spool)


def test_parts_are_the_whole_and_are_found_again(tmp_path, monkeypatch):
    monkeypatch.setattr(parts, "PART", 16)
    table = mixed(tmp_path / "b.csv", 40)
    with table.open("a") as file:
        file.write(table.read_text().splitlines()[1] + "\n")  # a name of an earlier part
    whole, rows = screened(table, tmp_path / "one.sqlite", 1)
    found, again = screened(table, tmp_path / "two.sqlite", OnCard((Here(),)))
    assert [(r.line, r.name, r.why, r.figures) for r in again] == [
        (r.line, r.name, r.why, r.figures) for r in rows
    ]
    assert again[-1].reason.endswith("as in row 2; give each build a name of its own.")
    assert (found.ranks.rank == whole.ranks.rank).all()
    assert (found.same.count == whole.same.count).all()
    assert found.incomplete == whole.incomplete
    second, _ = screened(table, tmp_path / "two.sqlite", OnCard((Here(),)))
    assert (second.computed, second.reused > 0) == (0, True)


def test_a_question_may_be_asked_in_another_precision():
    question = Question.of(NAMES)
    assert question.conditions is None
    assert question.in_precision("double").conditions.precision == "double"
