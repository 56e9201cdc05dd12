"""The population that fills a card, where a scenario states none.

Kind: analytic; and a search by it, twice, this processor in the card's place.
"""

import pytest

from layers.strike.settings import LEVELS
from optimize.compute.card import OnCard
from optimize.compute.cluster import Cluster
from optimize.compute.cluster_work import Kind
from optimize.scenario.brief import Scenario
from optimize.search import answer
from optimize.search.generation import card_of, with_population
from optimize.search.loop import BATCHES_A_GENERATION
from optimize.search.run import name_run, run_search
from tests.helpers.briefs import four_layers
from tests.helpers.marching import SMALL, Here, needs_compiler
from tests.optimize.search.test_run import same

CARD = Here(processors=132)


def brief(**changes):
    """Return a brief without population: COR, one impact a build."""
    left = {k: v for k, v in four_layers().model_dump().items() if k != "population"}
    return Scenario.model_validate(left | {"goal": [goal("cor")]} | changes)


def goal(figure):
    return {"figure": figure, "aim": "maximize"}


@pytest.mark.parametrize(
    ("method", "evaluations", "population"),
    [
        ("direct", 500, 40),  # fewer would not be a generation
        ("direct", 4019, 200),  # twenty generations
        ("direct", 100_000, 1000),  # the most that a scenario may state
        ("emulator", 200, max(40, 5 * BATCHES_A_GENERATION)),  # twenty batches after the start
        ("emulator", 2019, 50 * BATCHES_A_GENERATION),
        ("emulator", 100_000, min(1000, 132 * BATCHES_A_GENERATION)),  # one on each multiprocessor
    ],
)
def test_generations_fill_the_card_as_far_as_the_budget_has_twenty(method, evaluations, population):
    asked = brief(method=method, evaluations=evaluations)
    assert with_population(asked, OnCard((CARD,))).population == population


def test_more_impacts_a_build_and_more_cards():
    goals = [goal(f"driver {player}.spin_rpm") for player in ("fast", "slow")]
    two = brief(goal=goals, evaluations=100_000)
    assert with_population(two, OnCard((CARD,))).population == 528
    assert with_population(two, OnCard((CARD, CARD))).population == 1000
    many = Cluster("tcp://a:1", card=Kind("this processor", 132, "x"))
    assert with_population(two, many).population == 528  # however many workers there are


@pytest.mark.parametrize(("swings", "population"), [(("fast",), 160), (("fast", "slow"), 80)])
def test_an_emulators_batch_is_one_impact_on_each_multiprocessor(swings, population):
    goals = [goal(f"driver {player}.spin_rpm") for player in swings]
    asked = brief(method="emulator", goal=goals, evaluations=100_000)
    filled = with_population(asked, OnCard((Here(processors=20),)))
    assert filled.population == population == 20 // len(swings) * BATCHES_A_GENERATION


def test_what_is_stated_stays_and_processors_need_no_more():
    asked = brief(evaluations=4000)
    assert with_population(asked, 8) is asked
    assert with_population(asked, Cluster("tcp://a:1")) is asked
    stated = asked.model_copy(update={"population": 40})
    assert with_population(stated, OnCard((CARD,))) is stated
    filled = with_population(asked, OnCard((CARD,)))
    assert with_population(filled, OnCard((CARD, CARD))) is filled
    assert name_run(filled)[0] == name_run(asked.model_copy(update={"population": 200}))[0]
    closed = brief(goal=[goal("moi_ratio")])
    assert with_population(closed, OnCard((CARD,))) is closed


def test_a_card_is_named():
    assert card_of(4) == card_of(Cluster("tcp://a:1")) == ""
    assert card_of(OnCard((CARD,))) == "this processor"
    assert card_of(OnCard((CARD, CARD))) == "2 x this processor"
    assert card_of(Cluster("tcp://a:1", card=Kind("one", 1, "x"))) == "one"


@needs_compiler
def test_a_search_on_a_card_tells_its_population_and_repeats(tmp_path, monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)
    monkeypatch.setattr(answer, "BALL_FIGURES", ("mass_g",))
    monkeypatch.setattr(answer, "STAGE_FIGURES", ("mass_g",))
    asked = brief(goal=[goal("wedge full fast.spin_rpm")], limit=[], evaluations=4)
    runs = [run_search(asked, tmp_path / f"{i}.sqlite", OnCard((CARD,))) for i in range(2)]
    assert same(*runs)
    assert runs[0].scenario.population == 40
    assert runs[0].id == name_run(with_population(asked, OnCard((CARD,))), OnCard((CARD,)))[0]
    assert "single on this processor" in runs[0].model_version
