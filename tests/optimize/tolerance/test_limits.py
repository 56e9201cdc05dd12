"""What a limit lets pass, how it is read and worded, and whose window it is.

Kinds: limits, structure.
"""

import numpy as np
import pytest

from layers.errors import InputError
from layers.estimation import estimate
from layers.rules.screen import rule_set
from optimize.lab.process import Process
from optimize.tolerance.limits import Limit, parse_limit, rule_limits, sheet_windows
from tests.optimize.tolerance.test_study import K1

BOTH = Limit("mass_g", 45.0, 46.0, "given")
LOW, HIGH = Limit("mass_g", 45.0, None, "given"), Limit("mass_g", None, 46.0, "given")

WALL = Limit("stage2.maximum_thickness_mm", None, 0.5, "given")


@pytest.mark.parametrize(
    ("limit", "passes"),
    [(BOTH, [0, 0, 1, 1, 1, 0, 0]), (LOW, [0, 0, 1, 1, 1, 1, 1]), (HIGH, [1, 1, 1, 1, 1, 0, 0])],
)
def test_limits_a_bound_itself_passes_and_what_is_beyond_rounding_does_not(limit, passes):
    values = np.array([44.0, 45.0 - 3e-9, 45.0 - 3e-10, 45.5, 46.0 + 3e-10, 46.0 + 3e-9, 47.0])
    assert limit.passed(values).tolist() == [bool(one) for one in passes]


def test_limits_rounding_is_a_billionth_itself_included():
    values = np.array([45.0 - 1e-9, 46.0 + 1e-9])
    assert BOTH.passed(values).tolist() == [True, True]


def test_bounds_in_words():
    assert BOTH.words == "45 to 46"
    assert Limit("mass_g", 45.123456, 46.1234567, "window").words == "45.1235 to 46.1235"
    assert (LOW.words, HIGH.words) == ("at least 45", "at most 46")
    assert Limit("mass_g", 0.0, None, "given").words == "at least 0"
    assert Limit("mass_g", 0.0, 0.0, "given").words == "0 to 0"


@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("deflection_mm>=2.9", Limit("deflection_mm", 2.9, None, "given")),
        (" MOI <= -8.5e+1 ", Limit("moi_g_cm2", None, -85.0, "given")),
        ("imbalance_g_mm<=1", Limit("imbalance_g_mm", None, 1.0, "given")),
        ("stage2.maximum_thickness_mm<= .5", WALL),
        ("driver fast.spin_rpm<=0", Limit("driver fast.spin_rpm", None, 0.0, "given")),
    ],
)  # fmt: skip
def test_a_limit_is_read_by_any_spelling_of_its_figure(text, limit):
    assert parse_limit(text) == limit


@pytest.mark.parametrize(
    "text", ["mass_g", "mass_g=45", "mass_g<45", ">=45", "mass_g>=", "mass_g>=1e", "mass_g>=1e999",
             "mass_g>=45 g", "mass_g>=45<=46", "mass_g>=nan", "mass_g<=-1e999"],
)  # fmt: skip
def test_what_is_no_limit_is_told_with_an_example(text):
    with pytest.raises(InputError, match=r"must be a figure, >= or <=, and a number: deflection"):
        parse_limit(text)


def test_rules_bound_one_side_each():
    rules = rule_set("mass and diameter")
    found = rule_limits(rules)
    assert len(found) == len(rules.limit) >= 2
    for limit, rule in zip(found, rules.limit, strict=True):
        assert limit == Limit(rule.figure, rule.at_least, rule.at_most, "rule")


def test_windows_are_named_by_stage_but_those_of_the_finished_ball():
    of_ball = ("diameter_mm", "mass_g", "deflection_mm", "moi_g_cm2")
    walls = [f"stage{n}.{end}_thickness_mm" for n in (2, 3) for end in ("minimum", "maximum")]
    found = sheet_windows(K1, Process())
    inner = [f"stage{n}.{name}" for n in (1, 2) for name in of_ball]
    assert sorted(w.figure for w in found) == sorted([*of_ball, *inner, *walls])
    assert all(w.origin == "window" and w.low < w.high for w in found)
    by_name = {w.figure: w for w in found}
    own = estimate(K1, ("mass_g", "stage2.mass_g"))
    for name in ("mass_g", "stage2.mass_g"):  # centred on the build's own
        assert by_name[name].low + by_name[name].high == pytest.approx(2.0 * own[name].value)
    assert [w.figure for w in sheet_windows(K1.stage(1), Process())] == list(of_ball)
