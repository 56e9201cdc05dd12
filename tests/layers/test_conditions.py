"""What figures depend on besides the ball: defaults, weather by swing, laws by pattern, digest."""

from dataclasses import replace

import numpy as np
import pytest

from layers.conditions import Conditions, Weather
from layers.flight.aerodynamics import Coefficients, ferguson_2022
from layers.flight.air import humid_air

WARM = humid_air(30.0, 1000.0, 20.0)


class Measured:
    """A law of measured numbers."""

    def __init__(self, drag=0.25):
        self.content = (np.array([drag]), np.array([0.1, 0.2]))

    def __call__(self, reynolds, ratio):
        return Coefficients(0.0 * reynolds, 0.0 * reynolds, reynolds > 0.0)


def other_law(reynolds, ratio):
    return ferguson_2022(reynolds, ratio)


def test_by_default_the_air_is_still_and_standard_and_impacts_are_single():
    plain = Conditions()
    assert plain.weather("driver fast") == Weather(None, (0.0, 0.0, 0.0))
    assert plain.law_of("any") is ferguson_2022
    assert plain.precision == "single"
    assert plain.in_double() == replace(plain, precision="double")


def test_a_swing_has_its_own_weather_and_a_pattern_its_own_law():
    windy = Weather(None, (-5.0, 0.0, 1.0))
    law = Measured()
    made = Conditions(air=WARM, by_swing={"driver slow": windy}, patterns={"a": law})
    assert made.weather("driver slow") is windy
    assert made.weather("driver fast") == Weather(WARM, (0.0, 0.0, 0.0))
    assert made.law_of("a") is law
    assert made.law_of("") is made.law_of("b") is ferguson_2022


CHANGES = {
    "law": {"law": other_law},
    "measured": {"law": Measured()},
    "another measured": {"law": Measured(0.26)},
    "air": {"air": WARM},
    "wind": {"wind": (1.0, 0.0, 0.0)},
    "precision": {"precision": "double"},
    "pattern": {"patterns": {"a": Measured()}},
    "its name": {"patterns": {"b": Measured()}},
    "its numbers": {"patterns": {"a": Measured(0.26)}},
    "two": {"patterns": {"a": Measured(), "b": Measured()}},
    "by swing": {"by_swing": {"driver slow": Weather(WARM, (0.0, 0.0, 0.0))}},
    "another swing": {"by_swing": {"driver fast": Weather(WARM, (0.0, 0.0, 0.0))}},
    "another weather": {"by_swing": {"driver fast": Weather(None, (1.0, 0.0, 0.0))}},
}


def test_whatever_moves_a_figure_moves_the_digest():
    found = {name: Conditions(**changes).fingerprint() for name, changes in CHANGES.items()}
    found["plain"] = Conditions().fingerprint()
    assert len(set(found.values())) == len(found)
    assert all(len(digest) == 16 and int(digest, 16) >= 0 for digest in found.values())


@pytest.mark.parametrize("name", CHANGES)
def test_the_same_conditions_have_the_same_digest(name):
    again = {
        key: {k: Measured(float(v.content[0][0])) for k, v in value.items()}
        if key == "patterns"
        else value
        for key, value in CHANGES[name].items()
    }
    assert Conditions(**again).fingerprint() == Conditions(**CHANGES[name]).fingerprint()


def test_prices_do_not_move_it_nor_does_the_order_in_which_swings_are_told():
    assert Conditions(production=object()).fingerprint() == Conditions().fingerprint()
    two = {"b": Weather(WARM, (0.0, 0.0, 0.0)), "a": Weather(None, (2.0, 0.0, 0.0))}
    turned = dict(reversed(two.items()))
    digests = {Conditions(by_swing=swings).fingerprint() for swings in (two, turned)}
    assert len(digests) == 1
