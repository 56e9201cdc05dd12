"""Fronts, knees, members within their error, and limits worth relaxing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.ball import Ball, Layer
from layers.estimates import Estimate, Figure
from layers.materials import default_catalogue
from optimize.scenario.goals import Bound, Goal
from optimize.search.result import Infeasible
from optimize.search.shortlist import (
    MOST_MEMBERS,
    changes,
    choose,
    closest_infeasible,
    indistinguishable,
    non_dominated,
    relaxation,
    trade_off,
    violated,
)

SPEED = Goal(figure="cor", aim="maximize")
FEEL = Goal(figure="deflection_mm", aim="maximize")
NONE = np.zeros(2)


def core(modulus: float) -> Ball:
    rubber = default_catalogue().find("core rubber, soft")
    card = rubber.with_values("far apart", youngs_modulus_mpa=modulus)
    return Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material=card),))


SOFT_CORE, STIFF_CORE = (
    core(1.0),
    core(3000.0),
)  # they share no error


def built(ball: Ball, values, errors) -> Estimate:
    """Make an estimate of the goals; far builds' errors add as a root sum of squares."""
    found = {
        name: Figure(name, value, "1", "finite element", error / np.sqrt(2.0), error)
        for name, value, error in zip(("cor", "deflection_mm"), values, errors, strict=False)
    }
    return Estimate(ball, found)


@given(
    st.integers(1, 3).flatmap(
        lambda m: st.lists(
            st.lists(st.integers(0, 5), min_size=m, max_size=m), min_size=1, max_size=40
        )
    )
)
def test_non_dominated_agrees_with_its_definition(rows):
    losses = np.array(rows, dtype=float)  # with many ties
    beaten = [any(np.all(b <= a) and np.any(b < a) for b in losses) for a in losses]
    assert np.array_equal(non_dominated(losses), ~np.array(beaten))


def test_a_straight_front_has_no_knee():
    x = np.linspace(0.0, 1.0, 11)
    assert trade_off(np.column_stack([x, 1.0 - x]), NONE) == pytest.approx(np.ones(11))


def test_a_bent_front_has_its_knee_at_the_bend():
    # Two straight pieces of slopes -4 and -1/4 that meet in (0.2, 0.2): leaving the bend loses four
    # times what it gains.
    x = np.linspace(0.0, 1.0, 11)
    y = np.where(x <= 0.2, 1.0 - 4.0 * x, 0.2 - 0.25 * (x - 0.2))
    measure = trade_off(np.column_stack([x, y]), NONE)
    assert int(np.argmax(measure)) == 2
    assert measure[2] == pytest.approx(4.0)
    assert measure[0] == pytest.approx(0.25)


def test_the_scale_of_a_goal_does_not_move_the_knee():
    x = np.linspace(0.0, 1.0, 21) ** 2
    front = np.column_stack([x, (1.0 - np.sqrt(x)) ** 2])
    assert trade_off(front * [1000.0, 1e-3], NONE) == pytest.approx(trade_off(front, NONE))


def test_a_gain_within_the_error_does_not_hide_a_knee():
    # Beside the bend stands a build that is better by 0.01 in the second goal: noise.
    front = np.array([[0.0, 1.0], [0.2, 0.2], [0.2001, 0.19], [1.0, 0.0]])
    assert trade_off(front, NONE)[1] < 0.02
    assert trade_off(front, np.array([0.0, 0.02]))[1] == pytest.approx(4.0)


def picked(goals, losses, errors=0.0, points=None):
    losses = np.array(losses, dtype=float)
    points = losses if points is None else np.array(points, dtype=float)
    builds = [
        built((SOFT_CORE, STIFF_CORE)[i % 2], -row, np.full_like(row, errors))
        for i, row in enumerate(losses)
    ]
    return choose(goals, losses, builds, points)


def test_the_short_list_holds_the_ends_the_knee_and_members_between():
    x = np.linspace(0.0, 1.0, 41)
    y = np.where(x <= 0.2, 1.0 - 4.0 * x, 0.2 - 0.25 * (x - 0.2))
    dominated = np.column_stack([x + 0.1, y + 0.1])
    picks = picked((SPEED, FEEL), np.vstack([dominated, np.column_stack([x, y])]))
    assert len(picks) == MOST_MEMBERS
    assert all(pick.index >= 41 for pick in picks)
    assert picks[0].reason == "highest cor"
    assert picks[-1].reason == "highest deflection_mm"
    knees = [pick for pick in picks if pick.reason.startswith("knee")]
    assert [pick.index for pick in knees] == [41 + 8]
    assert "4.0 %" in knees[0].reason


def test_one_build_that_is_best_in_all_goals_is_the_whole_list():
    (pick,) = picked((SPEED, FEEL), [[1.0, 1.0], [0.0, 0.0], [0.0, 2.0]])
    assert pick.index == 1
    assert pick.reason == "highest cor; highest deflection_mm"


def test_one_goal_lists_builds_as_good_within_the_error_that_are_built_differently():
    losses = [[0.0], [0.001], [0.002], [0.5]]
    points = [[0.1], [0.11], [0.9], [0.5]]
    picks = picked((SPEED,), losses, errors=0.01, points=points)
    assert [pick.index for pick in picks] == [0, 1, 2]
    assert picks[1].reason.startswith("equal to the best within the model's resolution")
    alone = picked((SPEED,), losses, errors=0.0, points=points)
    assert [(p.index, p.reason) for p in alone][1:] == [(i, "next best") for i in (1, 2, 3)]


def test_members_are_indistinguishable_when_every_goal_is_within_its_error():
    goals, errors = (SPEED, FEEL), (0.002, 0.01)
    a = built(SOFT_CORE, (0.780, 2.80), errors)

    def same(cor: float, deflection: float) -> bool:
        return indistinguishable(goals, a, built(STIFF_CORE, (cor, deflection), errors))

    assert same(0.7815, 2.805)
    assert not same(0.7815, 2.83)
    assert not same(0.7830, 2.80)


MASS = Bound("mass_g", "at most", 45.0, 0.1, "limit")
SOFT = Bound("deflection_mm", "at least", 3.0, 0.0, "limit")


def miss(**excess: float) -> Infeasible:
    bounds = {"mass": MASS, "soft": SOFT}
    return Infeasible({bounds[name]: amount for name, amount in excess.items()}, {}, complete=True)


def test_the_smallest_change_of_each_limit_that_is_enough_alone():
    misses = [miss(mass=0.9), miss(mass=0.3), miss(soft=0.2), miss(mass=5.0, soft=5.0)]
    found = changes(misses)
    assert [(c.bound, c.index, c.alone) for c in found] == [(MASS, 1, True), (SOFT, 2, True)]
    told = relaxation(found[0], "B")
    # The build weighs 45.2: with a margin of 0.1 the limit must be 45.3.
    assert told.needed == pytest.approx(45.3)
    assert told.sentence == "Raise mass_g at most 45 g to 45.30 g (limit): B is then feasible."
    assert MASS.excess(45.2) == pytest.approx(0.3)
    low = relaxation(found[1], "C")
    assert (
        low.sentence == "Lower deflection_mm at least 3 mm to 2.80 mm (limit): C is then feasible."
    )


def test_limits_are_relaxed_together_where_that_is_less_or_the_only_way():
    together = changes([miss(mass=0.01, soft=0.01), miss(mass=3.0)])
    assert [(c.bound, c.index, c.alone) for c in together] == [
        (MASS, 1, True),
        (MASS, 0, False),
        (SOFT, 0, False),
    ]
    only = changes([miss(mass=4.0, soft=1.0), miss(mass=1.0, soft=0.1)])
    assert [(c.bound, c.index, c.alone) for c in only] == [(MASS, 1, False), (SOFT, 1, False)]
    assert closest_infeasible([miss(mass=4.0, soft=1.0), miss(mass=1.0, soft=0.1)], only) == [1, 0]


@given(
    value=st.floats(-100.0, 100.0),
    excess=st.floats(1e-6, 50.0),
    side=st.sampled_from(["at least", "at most"]),
)
def test_the_number_in_the_sentence_is_enough(value, excess, side):
    bound = Bound("mass_g", side, value, 0.0, "limit")
    built = value - excess if side == "at least" else value + excess
    (change,) = changes([Infeasible({bound: excess}, {}, complete=True)])
    sentence = relaxation(change, "A").sentence
    said = float(sentence.partition(" g to ")[2].partition(" g")[0])
    assert Bound("mass_g", side, said, 0.0, "limit").excess(built) == 0.0


def test_no_misses_no_changes():
    assert changes([]) == ()


def test_a_violation_says_the_unit_of_its_numbers():
    over = {
        Bound("deflection_mm", "at most", 3.6, 0.0, "limit"): 0.25,
        Bound("cor", "at least", 0.78, 0.0, "limit"): 0.01,
    }
    assert violated(over) == "deflection_mm at most 3.6 mm by 0.25 mm; cor at least 0.78 by 0.01"
