"""The loop: what it asks, counts, stops at and recalls, with figures that are made up.

Kinds: structure, limits. A stand-in for the evaluator gives every figure at once.
"""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from layers.errors import InputError, SolverError
from layers.estimates import Figure
from optimize.ledger.rows import Known, Predicted, Proposal
from optimize.scenario.brief import read_scenario
from optimize.scenario.goals import Bound
from optimize.scenario.space import Space
from optimize.search import loop
from optimize.search.evolution import Ask
from optimize.search.loop import Search, score_of
from optimize.search.result import Failed, Feasible, Infeasible, Progress, Score
from tests.helpers.briefs import four_layers, two_layers

MASS, MOI = "mass_g", "moi_g_cm2"


def figure(name: str, value: float, flag: str = "") -> Figure:
    return Figure(name, value, "g", "closed form", 0.0, 0.0, flag)


class Evaluator:
    """Mass grows with each build computed; `fails` says which of them fail, from 0."""

    def __init__(self, fails=(), flags=()):
        self.fails, self.flags = fails, flags
        self.noted, self.balls = [], []
        self.computed, self.reused, self.compute = 0, 0, True
        self.ledger = SimpleNamespace(note=lambda *row: self.noted.append(row))

    def figures(self, requests, tick):
        found = []
        for i, (ball, names) in enumerate(requests):
            number = len(self.balls)
            self.balls.append(ball)
            figures = {
                n: figure(n, float(number), "off by 3 %" if number in self.flags else "")
                for n in names
            }
            known = Known(figures, {})
            if number in self.fails:
                known = Known({}, dict.fromkeys(names, f"no answer at {number} mm"))
            self.computed += 1
            tick(i, known)
            found.append(known)
        return found


def searching(scenario, evaluator=None, report=None) -> Search:
    return Search(scenario, "r1", evaluator or Evaluator(), report)


def proposing(search: Search, monkeypatch, generations, told=None) -> None:
    """Let the search be proposed these rows, generation by generation."""

    def proposer():
        for rows in generations:
            asked = [one if isinstance(one, Ask) else Ask(one) for one in rows]
            answers = yield asked
            if told is not None:
                told.append(answers)

    monkeypatch.setattr(search, "_proposer", proposer)


# Proposed, computed, told.


def test_builds_are_computed_once_in_order_and_told_each_time(monkeypatch):
    search, told = searching(two_layers()), []
    proposing(search, monkeypatch, [[(0, 0), (0, 1)], [(0, 1), (0, 2)]], told)
    search.explore()
    assert list(search.seen) == [(0, 0), (0, 1), (0, 2)]
    assert (search.evaluated, search.feasible, search.failed, search.ruled_out) == (3, 3, 0, 0)
    # Losses of mass to a target of 45 and of least inertia; both figures are 0, 1, 2.
    assert [score.losses for score in told[0]] == [(45.0, 0.0), (44.0, 1.0)]
    assert [score.losses for score in told[1]] == [(44.0, 1.0), (43.0, 2.0)]
    rows = [(first, [p.row for p in proposals]) for _, first, proposals in search.evaluator.noted]
    assert [row for row in rows if row[1]] == [(0, [(0, 0), (0, 1)]), (2, [(0, 2)])]
    assert all(run == "r1" for run, _, _ in search.evaluator.noted)
    assert [one.candidate.row for one in search.computed()] == list(search.seen)


def test_no_more_is_computed_than_the_budget(monkeypatch):
    search = searching(two_layers(evaluations=3))
    proposing(search, monkeypatch, [[(0, i) for i in range(5)], [(1, 0)]])
    search.explore()
    assert list(search.seen) == [(0, 0), (0, 1), (0, 2)]
    failing = searching(two_layers(evaluations=3), Evaluator(fails=(0, 1)))
    proposing(failing, monkeypatch, [[(0, i) for i in range(5)], [(1, 0)]])
    failing.explore()
    assert (failing.evaluated, failing.failed) == (1, 2)  # failures cost as much


def test_a_search_ends_after_25_generations_of_nothing_new(monkeypatch):
    search, told = searching(two_layers()), []
    new, old = [(0, 0)], [[(0, 0)]] * 24
    proposing(search, monkeypatch, [new, *old, [(0, 1)], *old, [(0, 0)], [(0, 2)]], told)
    search.explore()
    # 24 generations without a new build go on; the 25th of the second spell is the last.
    assert list(search.seen) == [(0, 0), (0, 1)]
    assert len(told) == 1 + 24 + 1 + 24


def test_a_search_ends_when_closed_forms_rule_out_ten_times_its_budget(monkeypatch):
    heavy = two_layers(evaluations=2, limit=[{"figure": MASS, "at_most": 1.0}])
    search = searching(heavy)
    proposing(search, monkeypatch, [[(0, i) for i in range(19 - 10)], [(1, i) for i in range(10)],
                                    [(2, 0)], [(2, 1)]])  # fmt: skip
    search.explore()
    assert (search.ruled_out, search.evaluated) == (20, 0)
    assert search.evaluator.balls == []
    assert len(search.ruled_out_builds()) == 20
    assert search.computed() == []
    noted = [p for _, _, proposals in search.evaluator.noted for p in proposals]
    assert [(p.row, p.computed) for p in noted[:2]] == [((0, 0), False), ((0, 1), False)]


def test_predictions_go_with_their_builds_to_the_ledger(monkeypatch):
    guess = {MASS: Predicted(45.0, 1.0, False)}
    search = searching(two_layers())
    proposing(search, monkeypatch, [[Ask((0, 0)), Ask((0, 1), guess)]])
    search.explore()
    assert search.predictions == {(0, 1): guess}
    noted = [p for _, _, proposals in search.evaluator.noted for p in proposals]
    assert [dict(p.predictions) for p in noted] == [{}, guess]
    assert all(p.computed and p.key for p in noted)


# Failures.


def test_failures_are_counted_by_their_words_without_the_numbers(monkeypatch):
    search, told = searching(two_layers(), Evaluator(fails=(0, 2, 3), flags=(1,))), []
    proposing(search, monkeypatch, [[(0, i) for i in range(6)]], told)
    search.explore()
    assert search.failures() == {
        f"{MASS}: no answer at … mm": 3,
        f"{MASS}: off by … %": 1,
    }
    assert list(search.failures().values()) == [3, 1]  # the most frequent first
    assert told[0][:4] == [None] * 4
    assert (search.failed, search.evaluated) == (4, 2)


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("moi_g_cm2: 3.5e-2 m/s", "moi_g_cm2: … m/s"),
        ("cor@38.1: -12 of +7", "cor@38.1: … of …"),
        ("stage2.mass_g: 1 2", "stage2.mass_g: … …"),
    ],
)
def test_numbers_in_figures_names_stay(reason, words):
    assert loop._NUMBER.sub("…", reason) == words


def test_a_search_of_failures_alone_ends_with_the_commonest(monkeypatch):
    search = searching(two_layers(), Evaluator(fails=range(9)))
    proposing(search, monkeypatch, [[(0, i) for i in range(3)]])
    with pytest.raises(SolverError) as told:
        search.explore()
    assert str(told.value) == f"All 3 builds failed; 3 of them: {MASS}: no answer at … mm"


# Progress.


def test_progress_tells_counts_the_best_and_the_time_left(monkeypatch):
    states: list[Progress] = []
    monkeypatch.setattr(loop, "time", SimpleNamespace(perf_counter=lambda: 130.0))
    evaluator = Evaluator(fails=(1,))
    search = searching(two_layers(evaluations=4), evaluator, states.append)
    search._began = 100.0
    proposing(search, monkeypatch, [[(0, i) for i in range(4)]])
    search.explore()
    assert [(s.evaluated, s.failed, s.feasible) for s in states] == [
        (1, 0, 1), (1, 1, 1), (2, 1, 2), (3, 1, 3)
    ]  # fmt: skip
    assert [s.budget for s in states] == [4] * 4
    # Masses 0, 2, 3 come ever nearer to 45; inertia is best at first.
    assert [s.best[MASS] for s in states] == [0.0, 0.0, 2.0, 3.0]
    assert [s.best[MOI] for s in states] == [0.0] * 4
    # 30 s for 1, 2, 3 and 4 builds, of which 3, 2, 1 and none are left.
    assert [s.seconds_left for s in states] == pytest.approx([90.0, 30.0, 10.0, 0.0])


def test_no_time_is_told_before_anything_is_computed():
    states: list[Progress] = []
    search = searching(two_layers(), None, states.append)
    search._count(Failed("words"))
    assert states[0].seconds_left is None
    assert (states[0].failed, states[0].evaluated, states[0].best) == (1, 0, {})


# Nothing meets the closed forms.


def test_the_nearest_of_what_was_ruled_out_is_computed_to_say_what_to_relax(monkeypatch):
    heavy = two_layers(evaluations=50, population=5, limit=[{"figure": MASS, "at_most": 40.0}])
    search = searching(heavy)
    rows = [(10 - i, 15 - i) for i in range(11)]
    proposing(search, monkeypatch, [rows])
    search.explore()
    assert (search.ruled_out, search.evaluated) == (11, 0)
    by_distance = sorted(search.seen, key=lambda row: search.seen[row].outcome.distance)
    search.probe()
    assert [one.candidate.row for one in search.computed()] == by_distance[:5]
    assert (search.ruled_out, search.evaluated) == (6, 5)
    noted = [p for _, _, proposals in search.evaluator.noted for p in proposals]
    assert [p.row for p in noted if p.computed] == by_distance[:5]
    search.probe()  # once is enough
    assert search.evaluated == 5


# Recalled.


def test_an_earlier_run_is_judged_again_and_what_was_ruled_out_is_counted():
    proposals = [
        Proposal((0, 0), None, computed=True, predictions={MASS: Predicted(1.0, 1.0, False)}),
        Proposal((0, 1), None, computed=False),
        Proposal((0, 1), None, computed=False),
        Proposal((0, 2), None, computed=True),
        Proposal((0, 2), None, computed=False),  # ruled out first, computed later
    ]
    search = searching(two_layers())
    search.recall(proposals)
    assert list(search.seen) == [(0, 0), (0, 2)]
    assert (search.ruled_out, search.evaluated) == (1, 2)
    assert search.predictions[0, 0] == {MASS: Predicted(1.0, 1.0, False)}
    assert search.evaluator.noted == []


def test_a_run_that_computed_nothing_has_its_closed_forms_again():
    heavy = two_layers(limit=[{"figure": MASS, "at_most": 40.0}])
    search = searching(heavy)
    search.recall([Proposal((0, i), None, computed=False) for i in range(3)])
    assert (search.ruled_out, len(search.ruled_out_builds())) == (3, 3)
    fence = [{"name": "heavy", "range": [{"figure": MASS, "at_most": 100.0}]}]
    fenced = searching(two_layers(fence=fence))
    fenced.recall([Proposal((0, 0), None, True), Proposal((0, 1), None, False)])
    assert fenced.refused() == {"heavy": (1, 1)}


def test_figures_that_a_ledger_lacks_are_told():
    search = searching(two_layers())
    search.evaluator.figures = lambda requests, tick: [Known({}, {}) for _ in requests]
    with pytest.raises(InputError, match="the ledger lacks figures of run r1: search it again"):
        search.recall([Proposal((0, 0), None, computed=True)])


# Rows of the same build.


def test_rows_of_one_build_are_computed_once_and_told_alike(monkeypatch):
    scenario = four_layers()
    soft = next(card for card in scenario.material if card.name == "core rubber, soft")
    twin = soft.model_copy(update={"name": "twin"})
    layers = [layer.model_dump() for layer in scenario.layer]
    layers[0]["material"] = ("core rubber, soft", "twin")
    cards = [card.model_dump() for card in (*scenario.material, twin)]
    search, told = searching(four_layers(layer=layers, material=cards, limit=[])), []
    place = [(g.layer, g.what) for g in search.space.genes].index((0, "material"))
    base = [0] * len(search.space.genes)
    rows = []
    for thickness in range(8):
        row = list(base)
        row[0], row[place] = 40 + thickness, 0
        other = list(row)
        other[place] = 1
        rows += [tuple(row), tuple(other)]
    proposing(search, monkeypatch, [rows], told)
    search.explore()
    assert search.twins
    for second, first in search.twins.items():
        assert (first[place], second[place]) == (0, 1)
        assert second not in search.seen
        answers = dict(zip(rows, told[0], strict=True))
        assert answers[second] == answers[first]


# Scores.

BOUND = Bound(MASS, "at most", 2.0, 0.0, "limit")


def test_analytic_scores_rank_feasible_then_computed_then_ruled_out():
    scenario = two_layers()
    figures = {MASS: figure(MASS, 44.0), MOI: figure(MOI, 80.0)}
    values = {MASS: 44.0, MOI: 80.0}
    assert score_of(Failed("words"), scenario) is None
    assert score_of(Feasible(figures), scenario) == Score((1.0, 80.0), 0.0, values)
    assert score_of(Feasible(figures, values | {"x": 1.0}), scenario) == Score(
        (1.0, 80.0), 0.0, values | {"x": 1.0}
    )
    broken = Infeasible({BOUND: 6.0}, figures, complete=True)  # three times its bound
    assert score_of(broken, scenario) == Score(None, 0.75, values)
    ruled_out = replace(broken, complete=False)
    assert score_of(ruled_out, scenario) == Score(None, 1.75)


# Dimple patterns.


def test_a_build_is_computed_under_every_pattern_and_costs_the_budget_once(monkeypatch):
    path = Path(__file__).parents[3] / "scenarios" / "three_layer_pattern_choice.toml"
    free = {"evaluations": 3, "limit": (), "rules": None}
    scenario = read_scenario(path).model_copy(update=free)
    states: list[Progress] = []
    search = searching(scenario, None, states.append)
    last = len(search.space.genes) - 1
    assert search.space.genes[last].what == "dimple_pattern"

    def row_of(first: int, pattern: int) -> tuple[int, ...]:
        return (first, *[0] * (last - 1), pattern)

    rows = [row_of(0, 0), row_of(1, 0), row_of(2, 0), row_of(0, 1), row_of(3, 1)]
    proposing(search, monkeypatch, [rows[:2], rows[2:]])
    search.explore()
    both = [row_of(i, k) for i in range(3) for k in (0, 1)]
    assert set(search.seen) == set(both)
    assert len(search.evaluator.balls) == 6
    assert (search.evaluated, search.flown) == (6, 3)
    assert [s.evaluated for s in states] == [-1, 0, 1, 2, 2, 3]
    assert {ball.dimple_pattern for ball in search.evaluator.balls} == set(scenario.patterns)


# Who proposes.


@pytest.mark.parametrize(("population", "batch"), [(4, 4), (32, 4), (39, 4), (40, 5), (80, 10)])
def test_an_emulator_proposes_an_eighth_of_a_generation_but_four_at_least(
    monkeypatch, population, batch
):
    asked = []
    monkeypatch.setattr("optimize.search.by_emulator.emulate", lambda *given: asked.append(given))
    limit = [
        {"figure": "deflection_mm", "at_least": 2.0},
        {"figure": MASS, "at_most": 45.5},
    ]
    scenario = two_layers(method="emulator", population=population, seed=9, limit=limit)
    search = searching(scenario)
    search._proposer()
    ((problem, budget, size, seed, start),) = asked
    assert (budget, size, seed, start) == (scenario.evaluations, batch, 9, ())
    assert problem.space is search.space
    assert [bound.figure for bound in problem.bounds] == ["deflection_mm"]  # not of closed forms
    assert problem.goals == scenario.goal
    rows = [(i, j) for i in range(11) for j in (0, 15)]
    admissible = [problem.admissible(row) for row in rows]
    ruled_out = [search.judge.before(search.space.decode(row)) is not None for row in rows]
    assert admissible == [not one for one in ruled_out]
    assert len(set(admissible)) == 2


def test_a_direct_search_is_proposed_to_by_evolution(monkeypatch):
    asked = []
    monkeypatch.setattr("optimize.search.evolution.evolve", lambda *given: asked.append(given))
    search = searching(two_layers(population=18, seed=9))
    search._proposer()
    assert asked == [(search.space, 2, 18, 9, ())]


def test_materials_of_another_price_are_another_build_where_costs_count():
    scenario = two_layers()
    one = Space(scenario).decode((0, 0))
    search = searching(scenario)
    assert search._identity(one, "key") == "key"
    search.judge = replace(search.judge, names=(MASS, "cost_per_ball"))
    prices = [layer.material.price_per_kg.value for layer in one.ball.layer]
    assert search._identity(one, "key") == f"key {prices}"
    assert search._identity(replace(one, ball=None), "key") == "key"
