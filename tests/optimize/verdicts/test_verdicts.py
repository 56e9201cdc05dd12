"""Verdicts of runs made by hand: goals, trades, likeness, edges, prototypes.

Kind: analytic; what is decided follows from the numbers that were put in.
"""

import json

import pytest
from pydantic import TypeAdapter

from optimize.report.run import brief_sections, run_record
from optimize.scenario.space import Space
from optimize.verdicts.verdicts import Verdicts, verdicts_of
from tests.optimize.verdicts.conftest import GOALS, unlisted

# A front of four: both goals run over ten times 0.01 and 0.1.
FRONT = [
    {"cor": 0.80, "deflection_mm": 2.5},
    {"cor": 0.78, "deflection_mm": 2.9},
    {"cor": 0.76, "deflection_mm": 3.1},
    {"cor": 0.70, "deflection_mm": 3.5},
]


def test_spread_beyond_the_resolution_is_decided_and_within_it_is_not(make_run):
    cor, soft = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 1.2})).goals
    assert (cor.decided, soft.decided) == (True, False)
    assert cor.sentence == (
        "cor: decided, the builds span 0.100, 10 times the 0.010 that the model can tell; A is "
        "highest, 0.800."
    )
    assert soft.sentence == (
        "deflection_mm: not decided, the builds span 1.0 mm, within the model's resolution of "
        "1.2 mm; none is highest."
    )
    _, finer = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.99})).goals
    assert finer.decided


def test_builds_within_the_resolution_of_the_best_share_the_lead_also_unlisted_ones(make_run):
    run = make_run(FRONT, {"cor": 0.03, "deflection_mm": 0.1})
    cor, _ = verdicts_of(run).goals
    assert cor.leaders == ("A", "B")
    assert "A and B are highest, the same to the model" in cor.sentence
    cor, _ = verdicts_of(unlisted(run, "B")).goals
    assert (cor.leaders, cor.unlisted_leaders) == (("A",), 1)
    assert "A and one unlisted build are highest" in cor.sentence


def test_exact_figures_are_decided_by_any_difference(make_run):
    cor, _ = verdicts_of(make_run(FRONT, {"cor": 0.0, "deflection_mm": 0.0})).goals
    assert cor.decided
    assert "the builds span 0.1, exact;" in cor.sentence


def test_a_trade_has_its_rate_and_the_error_of_the_rate(make_run):
    (trade,) = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.3})).trades
    assert (trade.better, trade.worse, trade.decided) == ("A", "D", True)
    assert trade.gain == pytest.approx(0.1)
    assert trade.cost == pytest.approx(1.0)
    # 1.0 / 0.1 = 10 mm a unit; relative error sqrt(0.1^2 + 0.3^2) = 0.316.
    assert "10.0 ± 3.2 mm per unit" in trade.sentence
    (blurred,) = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 1.1})).trades
    assert not blurred.decided
    assert blurred.sentence.startswith("No trade is resolved from D to A: cor better by")


def test_one_build_best_in_both_goals_trades_nothing(make_run):
    (trade,) = verdicts_of(make_run([FRONT[0]], {"cor": 0.01, "deflection_mm": 0.1})).trades
    assert trade.sentence == "cor and deflection_mm are not traded: A is best in both."


def test_members_within_the_resolution_are_one_build_or_a_chain(make_run):
    found = verdicts_of(make_run(FRONT, {"cor": 0.025, "deflection_mm": 0.25}))
    assert found.distinct == "A and D are distinct from every other member."
    (pair,) = found.likenesses
    assert (pair.members, pair.one_build) == (("B", "C"), True)
    chain = verdicts_of(make_run(FRONT, {"cor": 0.025, "deflection_mm": 0.45})).likenesses[0]
    assert (chain.members, chain.one_build) == (("A", "B", "C"), False)
    assert "the model tells A from C" in chain.sentence
    clear = verdicts_of(make_run(FRONT, {"cor": 0.001, "deflection_mm": 0.01}))
    assert clear.likenesses == ()
    assert clear.distinct.startswith("All four members are distinct")


def _rows(make_run, **of_gene):
    """Return four rows: values by gene, the others all different."""
    genes = Space(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1}).scenario).genes
    names = [f"{g.layer}.{g.what}" for g in genes]
    assert set(of_gene) <= set(names)
    return [
        tuple(
            of_gene[n][i] if n in of_gene else (i + 1) % len(g.values)
            for n, g in zip(names, genes, strict=True)
        )
        for i in range(4)
    ]


def test_variables_at_the_edge_in_all_members_are_named(make_run):
    thin = {"2.thickness_mm": [0] * 4, "1.present": [1] * 4, "0.youngs_modulus_mpa": [3, 3, 3, 1]}
    rows = _rows(make_run, **thin, **{"1.thickness_mm": [1, 2, 3, 4], "1.material": [1, 1, 1, 1]})
    found = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1}, rows=rows)).edges
    said = [edge.sentence for edge in found]
    assert said == [
        "The core is the stiffest allowed, 60 MPa, in three of four.",
        "The mantle is in all four.",
        "The mantle is of firm, the stiffest of two offered, in all four: offer another or accept "
        "it.",
        "The cover is the thinnest allowed, 0.6 mm, in all four: widen the range or accept it.",
    ]
    moved = _rows(make_run, **{"2.thickness_mm": [1, 0, 0, 1], "1.present": [1, 1, 0, 0]})
    found = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1}, rows=moved)).edges
    assert not [edge for edge in found if edge.role == "cover"]


def test_edges_of_an_optional_layer_count_the_members_that_have_it(make_run):
    rows = _rows(make_run, **{"1.present": [1, 1, 0, 0], "1.thickness_mm": [0, 0, 0, 0]})
    found = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1}, rows=rows)).edges
    (mantle,) = [edge for edge in found if edge.variable == "thickness_mm"]
    assert (mantle.members, mantle.of) == (2, 2)


def test_the_ends_of_the_front_are_made_first_then_the_tie_of_the_most_different_build(make_run):
    rows = _rows(make_run, **{"2.thickness_mm": [1, 0, 6, 1], "1.present": [1] * 4})
    run = make_run(FRONT, {"cor": 0.025, "deflection_mm": 0.25}, rows=rows)
    contrast, tie = verdicts_of(run).prototypes
    assert (contrast.one, contrast.other, contrast.kind) == ("A", "D", "contrast")
    assert "0.100 ± 0.025 of cor and 1.00 ± 0.25 mm of deflection_mm apart" in contrast.sentence
    assert (tie.one, tie.other, tie.kind) == ("B", "C", "tie")
    assert "cover 0.6 mm against 1.2 mm" in tie.sentence


def test_where_nothing_is_decided_only_the_tie_is_worth_making(make_run):
    run = make_run(FRONT, {"cor": 1.0, "deflection_mm": 9.0})
    (tie,) = verdicts_of(run).prototypes
    assert tie.kind == "tie"


def test_one_goal_compares_the_short_list(make_run):
    run = make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1}, goals=GOALS[:1])
    (goal,) = verdicts_of(run).goals
    assert (goal.leaders, goal.decided) == (("A",), True)
    assert verdicts_of(run).trades == ()


def test_no_feasible_build_leaves_goals_and_constraints_open(make_run):
    far = [{"figure": "deflection_mm", "at_least": 9.0}]
    found = verdicts_of(make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1}, limit=far))
    assert (found.trades, found.goals, found.constraints, found.prototypes) == ((), (), (), ())
    assert found.groups() == {}


def test_verdicts_come_first_in_the_report_and_are_in_the_record(make_run):
    run = make_run(FRONT, {"cor": 0.01, "deflection_mm": 0.1})
    titles = [section.title for section in brief_sections(run, "x")]
    groups = list(verdicts_of(run).groups())
    assert titles[: len(groups)] == groups
    assert titles[len(groups)] == "Short list"
    record = json.loads(json.dumps(run_record(run, "x")))["verdicts"]
    assert record["goals"][0]["leaders"] == ["A"]
    assert record["trades"][0]["gain_error"] == 0.01
    assert TypeAdapter(Verdicts).validate_python(record) == verdicts_of(run)
