"""A cured core in a ball, and what the errors of its profile do to figures."""

from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.cure.hardening import HardnessProfile, log_slope, shore_c
from layers.errors import SolverError
from layers.estimates import Estimate, Figure
from optimize.cure import in_a_ball
from optimize.cure.in_a_ball import cured_ball, figure_spreads, layer_profile

BALL = read_ball(Path(__file__).parents[3] / "scenarios" / "prototype" / "ball.toml")
AT = np.linspace(0.0, 19.3, 20)
MODULUS = np.linspace(25.0, 60.0, 20)


def profile(covariance):
    return HardnessProfile(AT, shore_c(MODULUS), MODULUS, covariance, 1.96, "from memory")


def test_the_profile_goes_into_the_core_as_ground():
    table = layer_profile(profile(np.eye(20)), 38.0)
    assert table["knots"][0] == [0.0, 25.0]
    assert table["knots"][-1][0] == 19.0
    assert table["knots"][-1][1] == pytest.approx(np.interp(19.0, AT, MODULUS), abs=1e-4)
    # Two independent ends of one point each.
    slope = log_slope(MODULUS)
    assert table["ratio_scatter_percent"] == pytest.approx(
        100.0 * np.hypot(slope[0], slope[-1]), abs=0.01
    )
    core = cured_ball(BALL, profile(np.eye(20))).layer[0]
    assert core.profile.contrast == pytest.approx(table["knots"][-1][1] / 25.0)


def test_analytic_spread_of_a_figure_that_is_the_log_of_the_mean_modulus(monkeypatch):
    """A figure that is ln of the card's modulus moves with ln E where all moves together."""

    def told(balls, names):
        return [
            Estimate(
                ball=b,
                figures={
                    n: Figure(
                        name=n,
                        value=float(np.log(b.layer[0].material.youngs_modulus_mpa.value)),
                        unit="1",
                        basis="finite element",
                        difference_error=0.0,
                        absolute_error=0.0,
                    )
                    for n in names
                },
                failed={},
            )
            for b in balls
        ]

    monkeypatch.setattr(in_a_ball, "estimate_many", told)
    # One deviation, of ln E by 0.05 everywhere.
    slope = log_slope(MODULUS)
    common = np.outer(0.05 / slope, 0.05 / slope)
    (found,) = figure_spreads(BALL, profile(common), ["deflection_mm"])
    assert found.by_map == pytest.approx(1.96 * 0.05, rel=1e-3)
    assert found.with_relation == pytest.approx(1.96 * np.hypot(0.05, 0.40), rel=1e-3)

    def failing(balls, names):
        return [Estimate(ball=b, figures={}, failed={"deflection_mm": "no"}) for b in balls]

    monkeypatch.setattr(in_a_ball, "estimate_many", failing)
    with pytest.raises(SolverError, match="deflection_mm: no"):
        figure_spreads(BALL, profile(common), ["deflection_mm"])
