"""Figures with their errors, and differences of figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.ball_file import ball_from_table
from layers.errors import InputError, SolverError
from layers.estimates import Estimate, Figure, differences
from layers.materials import default_catalogue

BALL = ball_from_table(
    {"layer": [{"role": "core", "outer_diameter_mm": 42.7, "material": "core rubber, soft"}]},
    default_catalogue(),
    "ball.toml",
)


def figure(value, error=0.1, name="frequency_hz", unit="Hz"):
    return Figure(name, value, unit, "finite element", error, 9.0)


def one(value, error=0.1):
    return Estimate(BALL, {"frequency_hz": figure(value, error)}, {"cor": "no rebound"})


@given(st.floats(1.0, 1e4), st.floats(-50.0, 50.0), st.floats(0.1, 20.0))
def test_a_difference_counts_only_beyond_its_error(value, step, error):
    found = differences(one(value, error), one(value + step, error))["frequency_hz"]
    assert found.beyond_error == (abs((value + step) - value) > error)


def test_a_difference_is_signed_and_takes_the_larger_error():
    step = one(3000.0, 2.0)["frequency_hz"] - one(2990.0, 5.0)["frequency_hz"]
    assert (step.value, step.error, step.unit) == (10.0, 5.0, "Hz")
    assert step.beyond_error
    assert not (figure(3000.0, 20.0) - figure(2990.0)).beyond_error


def test_only_the_same_figure_is_subtracted():
    with pytest.raises(InputError, match="frequency_hz less mass_g"):
        figure(1.0) - figure(1.0, name="mass_g")
    with pytest.raises(TypeError):
        figure(1.0) - 3.0


def test_a_failed_figure_is_not_a_number():
    with pytest.raises(SolverError, match="no rebound"):
        one(1.0)["cor"]
