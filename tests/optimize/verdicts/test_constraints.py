"""What a unit of a constraint is worth.

Kinds: analytic (problems whose multiplier is known in closed form), with a guard.
"""

import numpy as np
import pytest

from optimize.search.shortlist import non_dominated
from optimize.verdicts.constraints import constraints, shadow_price
from tests.optimize.verdicts.conftest import GOALS


def test_price_of_one_goal_is_the_slope_of_the_best_value_over_the_bound():
    # Raise 3 x with x at most 1: each unit of the bound is worth 3.
    excess = np.linspace(0.0, 0.2, 9)
    worth, error = shadow_price(-3.0 * (1.0 + excess)[:, None], excess, 0)
    assert worth == pytest.approx(3.0, rel=1e-9)
    assert error < 1e-9


def test_price_on_a_bent_front_is_that_of_the_goal_at_the_same_other_goal():
    # loss_1 = (1 - loss_0)^2 - 5 e: the multiplier of goal 1 is 5; of goal 0, 5 / (2 (1 - loss_0)).
    rng = np.random.default_rng(4)
    x = rng.uniform(0.0, 1.0, 40)
    excess = np.where(np.arange(40) < 25, 0.0, rng.uniform(0.0, 0.02, 40))
    losses = np.column_stack([x, (1.0 - x) ** 2 - 5.0 * excess])
    worth, error = shadow_price(losses, excess, 1)
    assert worth == pytest.approx(5.0, rel=1e-6)
    assert error < 1e-6


def test_interval_of_a_price_covers_it_at_its_level():
    rng = np.random.default_rng(11)
    missed = 0
    for _ in range(400):
        x = rng.uniform(0.0, 1.0, 30)
        excess = np.maximum(0.0, rng.uniform(-0.05, 0.05, 30))
        noise = 0.01 * rng.standard_normal(30)
        losses = np.column_stack([x, 1.0 - x - 2.0 * excess + noise])
        worth, error = shadow_price(losses, excess, 1)
        missed += abs(worth - 2.0) > error
    assert 8 <= missed <= 36  # 5 % of 400 is 20; 3.7 standard deviations either way


def test_price_found_by_choosing_non_dominated_builds_is_that_of_the_problem():
    """Random builds (x, y) of a square: raise x and y with x + y at most 1, worth 1 each."""
    rng = np.random.default_rng(2)
    builds = rng.uniform(0.0, 1.0, (4000, 2))
    excess = np.maximum(0.0, builds.sum(axis=1) - 1.0)
    near = excess < 0.15
    losses, excess = -builds[near], excess[near]
    front = np.flatnonzero(non_dominated(np.column_stack([losses, excess])))
    # All are non-dominated on this plane but those inside: take as few as a search computes.
    some = rng.choice(front, 120, replace=False)
    worth, error = shadow_price(losses[some], excess[some], 0)
    assert abs(worth - 1.0) < max(error, 0.1)
    assert worth > error


def _bent(count, bound):
    """Builds whose cor = 0.9 - 0.1 deflection + 0.02 stiffness; the frequency is bounded."""
    rng = np.random.default_rng(8)
    rows = []
    for _ in range(count):
        soft, over = rng.uniform(2.0, 3.0), rng.uniform(-0.3, 0.3)
        rows.append(
            {
                "cor": 0.9 - 0.1 * soft + 0.02 * over,
                "deflection_mm": soft,
                "frequency_hz": bound + 100.0 * over,
            }
        )
    return rows


ERRORS = {"cor": 1e-4, "deflection_mm": 1e-3, "frequency_hz": 1.0}
LIMIT = [{"figure": "frequency_hz", "at_most": 3000.0}]


def test_a_binding_constraint_is_priced_in_each_goal(make_run):
    run = make_run(_bent(60, 3000.0), ERRORS, goals=GOALS, limit=LIMIT)
    found = {c.figure: c for c in constraints(run)}["frequency_hz"]
    assert found.binds
    cor, soft = found.worth
    assert abs(cor.per_unit - 2e-4) < cor.error
    assert abs(soft.per_unit - 2e-3) < soft.error
    assert "frequency_hz at most 3000 Hz binds: raising it by 10 Hz is worth" in found.sentence
    assert "of cor and" in found.sentence


def test_a_constraint_whose_violation_gains_nothing_does_not_bind(make_run):
    rows = [
        row | {"cor": row["cor"] - 0.1 * (row["frequency_hz"] > 3000.0)}
        for row in _bent(60, 3000.0)
    ]
    (found,) = [
        c for c in constraints(make_run(rows, ERRORS, limit=LIMIT)) if c.figure == "frequency_hz"
    ]
    assert not found.binds
    assert found.worth == ()


def test_too_coarse_a_model_prices_nothing(make_run):
    coarse = ERRORS | {"cor": 0.1, "deflection_mm": 1.0}
    run = make_run(_bent(60, 3000.0), coarse, limit=LIMIT)
    (found,) = [c for c in constraints(run) if c.figure == "frequency_hz"]
    assert not found.binds
    assert "not seen to bind" in found.sentence


def test_members_at_a_bound_are_named_and_few_violators_price_nothing(make_run):
    rows = [
        {"cor": 0.8 - 0.01 * i, "deflection_mm": 2.5 + 0.1 * i, "frequency_hz": 2999.5 - 50 * i}
        for i in range(4)
    ]
    run = make_run(rows, ERRORS, limit=LIMIT)
    (found,) = [c for c in constraints(run) if c.figure == "frequency_hz"]
    assert found.at == ("A",)
    assert "A is at it within the model's resolution" in found.sentence
    more = [*rows, {"cor": 0.9, "deflection_mm": 2.4, "frequency_hz": 3010.0}]
    (found,) = [
        c for c in constraints(make_run(more, ERRORS, limit=LIMIT)) if c.figure == "frequency_hz"
    ]
    assert (found.violating, found.worth) == (1, ())
    assert "too few builds violate it alone" in found.sentence
