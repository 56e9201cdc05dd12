"""Fronts, knees, members within their error, and limits worth relaxing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.ball import Ball, Layer
from layers.estimates import Estimate, Figure
from layers.materials import default_catalogue
from layers.resolution.difference import difference
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.measures import is_clearance
from optimize.scenario.variables import FILL_DENSITY
from optimize.search.result import Infeasible, Member
from optimize.search.shortlist import (
    MOST_MEMBERS,
    _best,
    _gap,
    _knees,
    _spread,
    _ties,
    _unit,
    alike,
    changes,
    choose,
    closest_infeasible,
    indistinguishable,
    named,
    non_dominated,
    plain,
    prices,
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


# Knees, gaps, ties and words, one by one.


def test_limits_what_is_a_knee():
    scaled = np.array([[0.0, 1.0], [0.2, 0.2], [0.3, 0.29], [0.45, 0.15], [1.0, 0.0]])
    measure = np.array([5.0, 4.0, 3.9, 3.0, 5.0])
    # The ends are taken; the third is within 0.15 of the second; two knees at most.
    assert _knees(measure, scaled, (0, 4)) == [1, 3]
    assert _knees(np.array([0.0, 1.2, 0.0, 1.19, 0.0]), scaled, (0, 4)) == [1]
    assert _knees(np.array([0.0, 4.0, 0.0, 3.0, 0.0]), scaled, (0, 1, 4)) == [3]
    assert _knees(np.array([0.0, 4.0, 0.0, 4.0, 0.0]), scaled, ()) == [1, 3]
    apart = np.array([[0.0, 0.0], [0.16, 0.0], [0.32, 0.0]])
    assert _knees(np.full(3, 2.0), apart, ()) == [0, 1]
    near = np.array([[0.0, 0.0], [0.14, 0.0], [0.28, 0.0]])
    assert _knees(np.full(3, 2.0), near, ()) == [0, 2]


def test_the_farthest_points_are_added_until_there_are_enough():
    points = np.array([[0.0], [1.0], [0.4], [0.9], [0.4]])
    assert _spread(points, [0], 2) == [1]
    assert _spread(points, [0], 3) == [1, 2]
    assert _spread(points, [0], 9) == [1, 2, 3]  # the last is where another is
    assert _spread(points, [0, 1], 3) == [2]
    assert _spread(points, [0, 1], 2) == []
    assert _spread(np.array([[0.0, 0.0], [0.0, 3.0], [4.0, 0.0]]), [0], 2) == [2]


def test_a_filler_stands_between_its_neighbours_or_the_two_nearest():
    assert (
        _gap(np.array([[0.0, 1.0], [0.5, 0.5], [1.0, 0.0]]), 1) == "fills the gap between A and C"
    )
    cloud = np.array([[0.0, 0.0, 0.0], [9.0, 9.0, 9.0], [0.1, 0.0, 0.0], [0.0, 0.3, 0.0]])
    assert _gap(cloud, 0) == "fills the gap between C and D"
    assert _gap(cloud, 3) == "fills the gap between A and C"


def test_analytic_the_ratio_of_loss_to_gain_is_of_the_cheapest_move():
    front = np.array([[0.0, 10.0, 4.0], [2.0, 0.0, 4.0], [1.0, 2.0, 0.0]])
    none = np.zeros((3, 3, 3))
    # Shares of the ranges 2, 10 and 4; from the first to the third: loses 1/2, gains 0.8 + 1.
    assert trade_off(front, none)[0] == pytest.approx(min(1.0 / 1.0, 0.5 / 1.8))
    assert trade_off(front, none)[1] == pytest.approx(min(1.0 / 1.0, 0.2 / 1.5))
    assert trade_off(front, none)[2] == pytest.approx(min(1.8 / 0.5, 1.5 / 0.2))
    blind = none.copy()
    blind[2, 0] = (2.0, 0.0, 0.0)  # the gain of 1 on the way to the first is noise
    assert trade_off(front, blind)[2] == pytest.approx(1.5 / 0.2)
    assert trade_off(np.array([[1.0, 1.0]]), np.zeros((1, 1, 2))).tolist() == [0.0]
    level = np.array([[0.0, 5.0], [1.0, 5.0]])
    assert trade_off(level, np.zeros((2, 2, 2))).tolist() == [0.0, 0.0]  # free, or nothing to gain


def test_the_reasons_of_one_goal_say_how_many_are_as_good():
    points = [[0.1], [0.5], [0.9], [0.3]]
    picks = picked((SPEED,), [[0.002], [0.5], [0.0], [0.003]], errors=0.01, points=points)
    same = "equal to the best within the model's resolution, a different construction"
    assert [(p.index, p.reason) for p in picks] == [
        (2, "among the highest cor: 2 more within the model's resolution"),
        (0, same),
        (3, same),
    ]


def test_next_best_are_at_most_seven_in_order_of_loss():
    losses = [[float(10 - i)] for i in range(11)]
    picks = picked((SPEED,), losses)
    assert [p.index for p in picks] == list(range(10, 2, -1))
    assert [p.reason for p in picks] == ["highest cor"] + ["next best"] * 7


@pytest.mark.parametrize(
    ("goal", "words"),
    [
        (SPEED, "highest cor"),
        (Goal(figure="cor", aim="minimize"), "lowest cor"),
        (Goal(figure="cor", aim="target", target=0.8), "nearest to the target of cor"),
    ],
)
def test_what_is_best_in_words(goal, words):
    assert _best(goal, 0) == words
    assert _best(goal, 3) == f"among the {words}: 3 more within the model's resolution"


def test_analytic_ties_are_within_the_error_of_the_difference():
    builds = [
        built((SOFT_CORE, STIFF_CORE, STIFF_CORE, STIFF_CORE)[i], (0.8,), (0.01,)) for i in range(4)
    ]
    error = difference(builds[0], builds[1], "cor").error
    assert error > 0.009
    losses = np.array([0.0, error, error * 1.0001, -1.0])
    assert _ties(SPEED, losses, builds, 0) == [0, 1, 3]


def test_three_goals_have_their_best_and_the_knee_says_the_others():
    three = (SPEED, FEEL, Goal(figure="mass_g", aim="minimize"))
    corners = np.array([[0.0, 1, 1], [1, 0.0, 1], [1, 1, 0.0], [0.1, 0.1, 0.1]])
    builds = []
    for i, row in enumerate(corners):
        figures = {
            name: Figure(name, sign * value, "1", "finite element", 0.0, 0.0)
            for name, value, sign in zip(
                ("cor", "deflection_mm", "mass_g"), row, (-1, -1, 1), strict=True
            )
        }
        builds.append(Estimate((SOFT_CORE, STIFF_CORE)[i % 2], figures))
    picks = choose(three, corners, builds, corners)
    reasons = {p.index: p.reason for p in picks}
    assert reasons[0].startswith("highest cor")
    assert reasons[1].startswith("highest deflection_mm")
    assert reasons[2].startswith("lowest mass_g")
    assert "in the others, of their ranges on the front" in reasons[3]
    assert reasons[3].startswith("knee point: each 1 % gained in one goal costs at least 18.0 %")
    assert [p.index for p in picks] == [0, 3, 1, 2]  # by the first goal, then the next


def test_of_equals_in_one_goal_the_better_in_the_others_is_its_best():
    picks = picked((SPEED, FEEL), [[0.0, 2.0], [0.0, 1.0], [3.0, 0.0], [2.0, 0.0]])
    assert [(p.index, p.reason.split(":")[0]) for p in picks] == [
        (1, "highest cor"),
        (3, "highest deflection_mm"),
    ]


def member(label: str, ball: Ball, values, errors) -> Member:
    estimate = built(ball, values, errors)
    return Member(label, "k" + label, ball, estimate, (estimate,), {}, "", ())


def test_analytic_prices_are_loss_over_gain_between_neighbours_both_ways():
    members = [
        member("A", SOFT_CORE, (0.82, 2.0), (0.001, 0.01)),
        member("B", STIFF_CORE, (0.80, 2.5), (0.001, 0.01)),
        member("C", SOFT_CORE, (0.79, 4.5), (0.001, 0.01)),
    ]
    found = prices((SPEED, FEEL), members)
    assert [(p.goal, p.other, p.better, p.worse) for p in found] == [
        ("cor", "deflection_mm", "A", "B"),
        ("cor", "deflection_mm", "B", "C"),
        ("deflection_mm", "cor", "C", "B"),
        ("deflection_mm", "cor", "B", "A"),
    ]
    assert [p.slope for p in found] == pytest.approx([25.0, 200.0, 0.005, 0.04])
    assert found[0].sentence == "From B to A: cor better by 0.02 costs 0.5 of deflection_mm."
    assert found[3].sentence == "From A to B: deflection_mm better by 0.5 costs 0.02 of cor."


def test_a_price_within_the_resolution_is_told_as_such_and_a_gain_within_it_has_none():
    near = [
        member("A", SOFT_CORE, (0.82, 2.0), (0.001, 0.3)),
        member("B", STIFF_CORE, (0.80, 2.1), (0.001, 0.3)),
    ]
    (price,) = prices((SPEED, FEEL), near)
    error = difference(near[1].estimate, near[0].estimate, "deflection_mm").error
    assert price.sentence == (
        "From B to A: cor better by 0.02; the loss in deflection_mm, 0.1, is below the model's "
        f"resolution of {plain(error, 1)}."
    )
    assert price.slope == pytest.approx(5.0)
    better = [near[0], member("B", STIFF_CORE, (0.80, 1.0), (0.001, 0.3))]
    assert prices((SPEED, FEEL), better) == ()  # A is better in both: nothing is paid


def test_units_stand_in_prices():
    assert _unit("1") == ""
    assert _unit("mm") == " mm"


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [
        (200.0, 1, "200"),
        (0.00123456, 3, "0.00123"),
        (1234.5, 3, "1230"),
        (0.5, 3, "0.5"),
        (2.0, 2, "2"),
    ],
)
def test_numbers_are_plain(value, digits, words):
    assert plain(value, digits) == words


def test_alike_are_the_others_within_every_error():
    values = ((SOFT_CORE, 0.8), (STIFF_CORE, 0.805), (STIFF_CORE, 0.9))
    builds = [built(core, (cor, 2.0), (0.01, 0.1)) for core, cor in values]
    assert alike((SPEED, FEEL), "ABC", builds) == [("B",), ("A",), ()]


def test_the_nearest_infeasible_are_five_and_those_named_by_a_change():
    misses = [miss(mass=float(10 - i)) for i in range(8)] + [miss(soft=30.0)]
    found = changes(misses)
    assert [(c.index, c.alone) for c in found] == [(7, True), (8, True)]
    assert closest_infeasible(misses, found) == [7, 6, 5, 4, 8]
    assert closest_infeasible(misses[:2], ()) == [1, 0]
    many = [miss(mass=float(i + 1)) for i in range(7)]
    all_named = [replace(found[0], index=i) for i in range(7)]
    assert closest_infeasible(many, all_named) == list(range(7))


def test_violations_in_words_and_of_a_fence_the_way_out():
    fence = Bound("clearance of fence 'ours'", "at least", 0.0, 2.5, "fence 'ours'", 100.0)
    assert is_clearance(fence.figure)
    assert named(fence) == "clearance of fence 'ours' at least 2.5 %"
    assert named(MASS) == "mass_g at most 45"
    assert violated({MASS: 0.12345, SOFT: 2.0}) == (
        "mass_g at most 45 g by 0.123 g; deflection_mm at least 3 mm by 2 mm"
    )
    (change,) = changes([Infeasible({fence: 1.234}, {}, complete=True)])
    assert relaxation(change, "A").sentence == (
        "1.2 % are missing to the clearance of fence 'ours' (fence 'ours'): A is then feasible."
    )


@pytest.mark.parametrize(
    ("excess", "words"),
    [
        (0.04, "45.040"),
        (0.4, "45.40"),
        (4.0, "49.0"),
        (40.0, "85"),
        (0.011, "45.011"),
        (12.3, "58"),
    ],
)
def test_a_relaxed_limit_has_as_many_digits_as_its_change_needs(excess, words):
    bound = Bound("mass_g", "at most", 45.0, 0.0, "limit")
    (change,) = changes([Infeasible({bound: excess}, {}, complete=True)])
    assert f"Raise mass_g at most 45 g to {words} g" in relaxation(change, "A").sentence
    lower = Bound("mass_g", "at least", 45.0, 0.0, "limit")
    (change,) = changes([Infeasible({lower: 12.3}, {}, complete=True)])
    assert relaxation(change, "A").sentence.startswith("Lower mass_g at least 45 g to 32 g")
    assert relaxation(change, "A").needed == pytest.approx(32.7)


def test_who_is_freed_by_a_change_is_told():
    (change,) = changes([miss(mass=1.0)])
    assert relaxation(change, "").sentence.endswith(
        ": a build can then be made; its other violations are not known."
    )
    together = replace(change, alone=False)
    assert relaxation(together, "B").sentence.endswith(", together with the other changes for B.")
    filled = Bound(FILL_DENSITY, "at most", 1.5, 0.0, "fill")
    (change,) = changes([Infeasible({filled: 0.2}, {}, complete=True)])
    told = relaxation(change, "A")
    assert "to 1.70 g/cm3 (fill)" in told.sentence
    assert (told.figure, told.side, told.present, told.member, told.alone) == (
        FILL_DENSITY, "at most", 1.5, "A", True
    )  # fmt: skip


def test_one_change_is_enough_where_several_are_no_less():
    bound, other = (Bound(n, "at most", 10.0, 0.0, "limit") for n in ("mass_g", "cor"))
    alone, both = Infeasible({bound: 2.0}, {}, True), Infeasible({bound: 1.0, other: 1.0}, {}, True)
    assert [c.alone for c in changes([alone, both])] == [True]  # two tenths either way
    less = Infeasible({bound: 1.0, other: 0.9}, {}, True)
    assert [c.alone for c in changes([alone, less])] == [True, False, False]


def test_a_violation_says_the_unit_of_its_numbers():
    over = {
        Bound("deflection_mm", "at most", 3.6, 0.0, "limit"): 0.25,
        Bound("cor", "at least", 0.78, 0.0, "limit"): 0.01,
    }
    assert violated(over) == "deflection_mm at most 3.6 mm by 0.25 mm; cor at least 0.78 by 0.01"


def test_of_equals_in_one_of_three_goals_the_next_goal_decides_first():
    three = (SPEED, FEEL, Goal(figure="mass_g", aim="minimize"))
    losses = np.array([[0.0, 1.0, 5.0], [0.0, 2.0, 4.0], [3.0, 0.0, 9.0], [4.0, 9.0, 0.0]])
    builds = [
        Estimate(
            (SOFT_CORE, STIFF_CORE)[i % 2],
            {
                goal.figure: Figure(goal.figure, value, "1", "finite element", 0.0, 0.0)
                for goal, value in zip(three, (-row[0], -row[1], row[2]), strict=True)
            },
        )
        for i, row in enumerate(losses)
    ]
    reasons = {pick.index: pick.reason for pick in choose(three, losses, builds, losses)}
    assert "highest cor" in reasons[0]
    assert "highest cor" not in reasons.get(1, "")
