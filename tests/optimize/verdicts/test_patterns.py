"""Which pattern suits which construction: made-up builds, no solver runs.

Kind: limits.
"""

import math
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import pytest

from layers.estimates import Figure
from layers.flight.influence import influence
from layers.flight.uncertainty import difference_spread
from layers.rules.overall_distance import LAUNCH
from optimize.scenario.brief import read_scenario
from optimize.scenario.goals import Goal
from optimize.scenario.space import Space
from optimize.search.judge import Judge
from optimize.search.result import Build
from optimize.verdicts.patterns import pattern_verdicts

SCENARIO = Path(__file__).parents[3] / "scenarios" / "three_layer_pattern_choice.toml"
SPIN_AT_LANDING = Goal(figure="driver fast.landing_spin_rpm", aim="maximize")
FAR_AND_NEAR = ("driver fast", "driver slow")
FAST, SLOW = "driver fast.carry_m", "driver slow.carry_m"


@dataclass
class Made:
    """As much of a run as the verdict reads."""

    scenario: object
    builds: list = field(default_factory=list)


@pytest.fixture(scope="module")
def scenario():
    return read_scenario(SCENARIO)


def fly(scenario, law, swing, speed):
    weather = scenario.estimate_conditions().weather(swing)
    shot = (speed, math.radians(12.0), 2500.0 * math.pi / 30.0)
    there = {"air": weather.air, "wind": weather.wind, "law": law}
    return influence(*shot, mass=45.8e-3, diameter=42.7e-3, **there)


def figures(fast, slow):
    carries = [
        Figure(n, v, "m", "finite element", 0.5, 20.0) for n, v in ((FAST, fast), (SLOW, slow))
    ]
    launches = [
        Figure(f"{swing}.{name}", value, "", "finite element", 0.0, 0.0)
        for swing, speed in (("driver fast", 73.0), ("driver slow", 50.0))
        for name, value in (
            ("ball_speed_m_s", speed),
            ("launch_angle_deg", 12.0),
            ("spin_rpm", 2500.0),
        )
    ]
    size = [
        Figure("mass_g", 45.8, "g", "closed form", 0, 0),
        Figure("diameter_mm", 42.7, "mm", "closed form", 0, 0),
    ]
    return {f.name: f for f in (*carries, *launches, *size)}


def run_of(scenario, gain_of):
    """Two patterns on every thickness of the mantle; `gain_of` is shallow less deep by its step."""
    space = Space(scenario)
    place = next(i for i, g in enumerate(space.genes) if (g.layer, g.what) == (1, "thickness_mm"))
    builds = []
    for step in range(int(space.sizes[place])):
        for pattern, name in enumerate(scenario.patterns):
            row = [0] * len(space.genes)
            row[place], row[-1] = step, pattern
            ball = SimpleNamespace(dimple_pattern=name)
            found = figures(240.0 + (gain_of(step) if pattern == 0 else 0.0), 145.0)
            builds.append(Build(f"{step}{pattern}", tuple(row), ball, found, {}))
    return Made(scenario, builds)


def test_one_pattern_better_on_all_is_decided_beyond_the_rows_error(scenario):
    (fast,) = pattern_verdicts(run_of(scenario, lambda step: 8.0 + step))
    assert (fast.pattern, fast.wins, fast.of) == ("shallow_wide", 5, 5)
    assert (fast.least, fast.most) == (8.0, 12.0)
    assert 0.5 < fast.error < 8.0
    assert fast.decided
    assert "all five constructions, by 8.0 to 12.0 m" in fast.sentence
    # The slow player's figures are the same under both: nothing to say.
    assert fast.figure == FAST


def test_less_than_the_rows_leave_open_is_not_decided(scenario):
    (fast,) = pattern_verdicts(run_of(scenario, lambda step: 0.01 * (step + 1)))
    assert not fast.decided
    assert "no pattern is decided" in fast.sentence


def test_the_variable_that_parts_the_constructions_is_named(scenario):
    (fast,) = pattern_verdicts(run_of(scenario, lambda step: 9.0 if step >= 2 else -9.0))
    assert (fast.pattern, fast.wins) == ("shallow_wide", 3)
    assert fast.where == "mantle thickness at least 1.2 mm"
    assert "those with mantle thickness at least 1.2 mm" in fast.sentence
    (mixed,) = pattern_verdicts(run_of(scenario, lambda step: 9.0 if step in (0, 2, 4) else -9.0))
    assert mixed.where == ""


def test_tables_without_errors_say_so(scenario):
    plain = scenario.model_copy(
        update={
            "conditions": scenario.conditions.model_copy(
                update={
                    "aerodynamics": tuple(
                        p.model_copy(update={"rows": tuple(row[:4] for row in p.rows)})
                        for p in scenario.conditions.aerodynamics
                    )
                }
            )
        }
    )
    (fast,) = pattern_verdicts(run_of(plain, lambda _: 3.0))
    assert fast.error == 0.0
    assert "state no errors" in fast.sentence


def test_a_carry_range_is_held_against_what_the_rows_leave_open_of_both_ends(scenario):
    goal = Goal(figure="driver.carry_range_m", aim="minimize")
    ranged = scenario.model_copy(update={"goal": (goal,)})
    launched = {"driver fast": 73.0, "driver moderate": 62.0, "driver slow": 50.0}

    def made(gain, goal=ranged):
        run = run_of(goal, lambda _: 0.0)
        for build in run.builds:
            better = gain if build.ball.dimple_pattern == "deep_small" else 0.0
            value = 95.0 - better
            build.figures[goal.goal[0].figure] = Figure("x", value, "m", "finite element", 1.0, 20)
            for swing, speed in launched.items():
                for name, number in zip(LAUNCH, (speed, 12.0, 2500.0), strict=True):
                    name = f"{swing}.{name}"
                    build.figures[name] = Figure(name, number, "", "finite element", 0.0, 0.0)
        return pattern_verdicts(run)

    (far,), (near,) = made(9.0), made(0.05)
    assert (far.pattern, far.wins) == ("deep_small", far.of)
    assert far.decided
    assert not near.decided
    assert far.error == near.error
    laws = scenario.pattern_laws()
    variance = 0.0
    for name in scenario.patterns:  # two tables: their rows' errors are independent
        fast, slow = (fly(scenario, laws[name], swing, launched[swing]) for swing in FAR_AND_NEAR)
        variance += difference_spread(fast, slow, (laws[name], laws[name])).surface[0] ** 2
    assert far.error == pytest.approx(1.96 * math.sqrt(variance), rel=0.05)
    assert "no error" not in far.sentence
    assert {f"{swing}.spin_rpm" for swing in launched} <= set(Judge.of(ranged).names)
    (landing,) = made(1.0, scenario.model_copy(update={"goal": (SPIN_AT_LANDING,)}))
    assert landing.error == 0.0
    assert landing.sentence.endswith("; no error of it is known to hold this against.")


def test_one_pattern_needs_no_verdict(scenario):
    alone = scenario.model_copy(update={"conditions": None})
    assert pattern_verdicts(Made(alone)) == ()
