"""Predictions compared with what was computed, by hand. Kind: analytic."""

import math

import pytest

from optimize.ledger.rows import Predicted
from optimize.scenario.space import Candidate
from optimize.search.coverage import emulator_checks
from optimize.search.loop import Assessed
from optimize.search.result import EmulatorCheck, Feasible, Infeasible


def build(row, **values):
    return Assessed(Candidate((row,), None, 38.0, None), "key", Feasible({}, values))


def test_analytic_errors_are_relative_and_shares_count_sigmas_on_both_sides():
    values = [2.0, 1.9, 2.1, 1.75, 2.19, 2.21]
    builds = [build(row, cor=value) for row, value in enumerate(values)]
    predictions = {(row,): {"cor": Predicted(2.0, 0.1, False)} for row in range(6)}
    (check,) = emulator_checks(predictions, builds)
    assert (check.figure, check.builds) == ("cor", 6)
    errors = [2.0 / value - 1.0 for value in values]
    assert check.error == pytest.approx(math.sqrt(sum(e**2 for e in errors) / 6))
    # 0, 1.0, 1.0, 2.5, 1.9 and 2.1 deviations: within 0.994 one, within 1.96 four.
    assert check.within_68 == pytest.approx(1 / 6)
    assert check.within_95 == pytest.approx(4 / 6)


def test_analytic_a_logarithm_is_predicted_by_its_median():
    builds = [build(0, spin=3000.0), build(1, spin=2000.0)]
    predictions = {
        (0,): {"spin": Predicted(math.log(3300.0), 0.1, True)},
        (1,): {"spin": Predicted(math.log(2000.0), 0.1, True)},
    }
    (check,) = emulator_checks(predictions, builds)
    assert check.error == pytest.approx(math.sqrt(0.1**2 / 2.0))
    assert (check.within_68, check.within_95) == (1.0, 1.0)
    predictions[0,]["spin"] = Predicted(math.log(3300.0), 0.05, True)
    (check,) = emulator_checks(predictions, builds)
    assert (check.within_68, check.within_95) == (0.5, 1.0)  # 1.91 deviations


def test_limits_a_value_of_nothing_has_no_relative_error():
    (check,) = emulator_checks({(0,): {"x": Predicted(0.5, 1.0, False)}}, [build(0, x=0.0)])
    assert check == EmulatorCheck("x", 1, 0.0, 1.0, 1.0)


def test_builds_without_predictions_count_for_nothing():
    broken = Assessed(
        Candidate((2,), None, 38.0, None), "key", Infeasible({}, {}, True, {"a": 1.0, "b": 1.0})
    )
    predictions = {
        (0,): {"a": Predicted(1.0, 1.0, False)},
        (2,): {"a": Predicted(1.0, 1.0, False), "b": Predicted(1.0, 1.0, False)},
    }
    checks = emulator_checks(predictions, [build(0, a=1.0), build(1, a=9.0), broken])
    assert [(c.figure, c.builds) for c in checks] == [("a", 2), ("b", 1)]
    assert emulator_checks({}, [build(0, a=1.0)]) == ()
