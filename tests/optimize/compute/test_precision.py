"""Which precision computes what: keys of the ledger, records, and what is differenced.

Kind: structure. What single precision moves is tested in tests/layers/strike/test_strike.py.
"""

import json

import numpy as np
import pytest

from layers.arrays import Precision
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate
from layers.estimation import estimate
from layers.strike.strike import club_impact
from layers.strike.swings import find_swing
from optimize.calibration import strike_fit
from optimize.calibration.model import Model, predict
from optimize.commands.app import main
from optimize.compute.evaluator import model_version_under
from optimize.compute.one import compute_one
from optimize.scenario.brief import read_scenario
from optimize.scenario.conditions import in_precision
from optimize.search.run import name_run
from optimize.sensitivity.slopes import sensitivities
from optimize.tolerance.study import study
from tests.helpers.builds import random_balls
from tests.optimize.commands.test_instruments import BALLS

SCENARIO = BALLS.parent / "four_layer_speed_feel.toml"
BALL: Ball = random_balls(1, seed=2)[0]


class Stopped(Exception):
    """What is asked for is known: nothing need be computed."""


def asked_of(function, *arguments) -> Precision:
    """Return the precision of the conditions that a function has its mapper estimate under."""
    seen = []

    def mapper(compute, *_):
        seen.append(compute.keywords["conditions"].precision)
        raise Stopped

    with pytest.raises(Stopped):
        function(*arguments, mapper)
    return seen[0]


def test_differences_ask_for_double():
    figures = ("driver fast.spin_rpm",)
    assert asked_of(sensitivities, BALL, figures, None, "default") == "double"
    assert asked_of(study, BALL, figures, None, 0) == "double"
    model = (), ((BALL, figures),), Conditions()
    assert asked_of(lambda *given: predict(Model(*given), np.zeros(0)), *model) == "double"


def test_the_fit_of_a_club_asks_for_double(monkeypatch):
    seen = []

    def told(ball, names, conditions):
        seen.append(conditions.precision)
        return Estimate(ball, {})

    monkeypatch.setattr(strike_fit, "estimate", told)
    group = type("Group", (), {"build": "a", "figure": "driver fast.spin_rpm"})
    with pytest.raises(Exception, match="spin_rpm"):
        strike_fit._launches(find_swing("driver fast"), [group], {"a": BALL})
    assert seen == ["double"]


def test_the_ledger_keeps_precisions_apart():
    single, double = Conditions(), Conditions().in_double()
    assert model_version_under(single) == model_version_under(None)
    assert model_version_under(double) != model_version_under(single)
    assert model_version_under(double.in_double()) == model_version_under(double)
    scenario = read_scenario(SCENARIO)
    conditions = in_precision(scenario.conditions, "double")
    exact = scenario.model_copy(update={"conditions": conditions})
    (run, versions), (other, versions_exact) = name_run(scenario), name_run(exact)
    assert run != other
    assert versions["model"] != versions_exact["model"]
    assert in_precision(scenario.conditions, "single") is scenario.conditions
    assert conditions is not None
    assert "double precision" in conditions.words()


@pytest.mark.parametrize("precision", ["single", "double"])
def test_an_estimate_says_its_precision(precision):
    conditions = Conditions(precision=precision)
    for found in (
        estimate(BALL, "mass_g", conditions),
        compute_one(BALL, ("mass_g",), conditions),
    ):
        assert found.precision == precision
        assert json.loads(json.dumps(found.as_record()))["precision"] == precision


def test_another_word_is_refused(capsys):
    ball = str(BALLS / "three_layer_soft_feel.toml")
    assert main(["estimate", ball, "--precision", "half"]) == 2
    told = "orbwright: --precision is 'half', but must be one of: single, double.\n"
    assert capsys.readouterr().err == told
    with pytest.raises(InputError, match="precision is 'half', but must be one of"):
        club_impact(BALL.body(), find_swing("driver fast").strike(), precision="half")  # type: ignore[arg-type]
