"""A card among what computes: figures, labels apart in the ledger, a command's sentences.

Kind: published comparison on a small mesh, by this processor in the card's place; and refusals.
"""

import pytest

from layers.conditions import Conditions
from layers.gpu import many
from layers.strike.settings import LEVELS
from optimize.compute import card as module
from optimize.compute.card import OnCard
from optimize.compute.card_processes import sharing
from optimize.compute.compiled import compiled_for
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from tests.helpers.builds import random_balls
from tests.helpers.marching import SMALL, Here, SmallHere, needs_compiler
from tests.optimize.commands.test_app import refused

NAMES = ("mass_g", "wedge full fast.spin_rpm")
DOUBLE = Conditions().in_double()


@needs_compiler
def test_a_card_computes_what_processes_do_and_ledgers_keep_it_apart(tmp_path, monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)
    monkeypatch.setattr(many, "CHUNK", 1)
    monkeypatch.setattr(module, "CHUNK", 1)
    requests = [(ball, NAMES) for ball in random_balls(2, 7)]
    found = {}
    with Ledger(tmp_path / "l.sqlite") as ledger:
        for workers in (1, OnCard((Here(),)), OnCard((Here(),))):
            version = model_version_under(DOUBLE, workers)
            with computing(workers, DOUBLE) as compute:
                evaluator = Evaluator(ledger, compute, version, DOUBLE)
                values = [known.figures for known in evaluator.figures(requests)]
            found.setdefault(version, []).append((values, evaluator.computed))
    [(here, _)], [(there, first), (_, second)] = found.values()
    assert (first, second) == (2, 0)
    for a, b in zip(here, there, strict=True):
        assert b[NAMES[0]].value == a[NAMES[0]].value
        assert b[NAMES[1]].value == pytest.approx(a[NAMES[1]].value, rel=1e-11)


@needs_compiler
def test_two_cards_give_what_one_gives_to_the_last_bit(monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)
    names = ("mass_g", "wedge full fast.carry_m")
    requests = [(ball, names) for ball in random_balls(5, 7)]
    found = []
    for cards in (1, 2):
        with computing(OnCard((SmallHere(),) * cards), DOUBLE) as compute:
            found.append(dict(compute(requests)))
    assert found[0] == found[1]
    assert {tuple(estimate.figures) for estimate in found[0].values()} == {names}


@pytest.mark.parametrize(
    ("processes", "cards", "builds", "wanted"),
    [(1, 1, 9999, 0), (16, 1, 600, 0), (16, 1, 2048, 4), (16, 1, 99999, 16), (1, 2, 8, 2)],
)
def test_processes_pay_for_large_batches_and_every_card_has_one(processes, cards, builds, wanted):
    assert sharing(processes, cards, builds) == wanted


def test_labels_differ_by_card_and_precision():
    labels = {
        model_version_under(conditions, workers)
        for conditions in (None, DOUBLE)
        for workers in (1, OnCard((Here(),)), OnCard((Here(name="another"),)))
    }
    assert len(labels) == 6
    assert "double on another" in model_version_under(DOUBLE, OnCard((Here(name="another"),)))


def test_no_card_is_one_sentence(tmp_path):
    table = tmp_path / "b.csv"
    table.write_text("build\nA\n")
    text = refused("screen", str(table), "-f", "mass_g", "--device", "gpu")
    assert text.count("\n") == 1
    assert "graphics card" in text
    assert "card" in refused("check-gpu")
    assert "'tpu', but must be one of" in refused("screen", str(table), "--device", "tpu")


def test_a_card_needs_no_machine_code_for_its_impacts():
    names = {"mass_g", "cor@38.1", "driver fast.spin_rpm", "driver fast.total_m", "deflection_mm"}
    assert compiled_for(names, 4) == names
    assert compiled_for(names, OnCard((Here(),))) == {"driver fast.total_m", "deflection_mm"}
