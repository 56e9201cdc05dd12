"""A search brief that tests share: closed-form goals, so that it needs no finite element."""

from typing import Any

from optimize.scenario.brief import Scenario, scenario_from_toml

FOUR_LAYERS = """
name = "Inertia against core mass"
question = "What does a heavy core cost in inertia?"
rules = "mass and diameter"
seed = 1
evaluations = 200
population = 20

[ball]
outer_diameter_mm = 42.7

[fill]
mass_g = 45.5
layer = 1
density_g_cm3 = [1.0, 1.45]

[[layer]]
role = "inner core"
diameter_mm = [20.0, 30.0]
material = ["core rubber, soft", "core rubber, medium"]
youngs_modulus_mpa = [30, 80]

[[layer]]
role = "outer core"
thickness_mm = [3.0, 8.0]
material = "core rubber, firm"
density_g_cm3 = [1.1, 1.3]

[[layer]]
role = "mantle"
thickness_mm = [0.8, 2.0]
material = ["ionomer, medium", "ionomer, firm", "ionomer, very firm"]
optional = true

[[layer]]
role = "cover"
thickness_mm = [0.5, 2.0]
increment_mm = 0.05
material = ["urethane, soft", "urethane, medium", "ionomer, soft"]

[[goal]]
figure = "moi_g_cm2"
aim = "maximize"

[[goal]]
figure = "stage1.mass_g"
aim = "maximize"

[[limit]]
figure = "stage2.mass_g"
at_least = 20.0
"""

# 11 x 16 builds, so that all of them can be looked at.
TWO_LAYERS = """
name = "Two layers"
evaluations = 176
population = 12

[ball]
outer_diameter_mm = 42.7

[[layer]]
role = "core"
material = "core rubber, soft"
density_g_cm3 = [1.1, 1.2]

[[layer]]
role = "cover"
thickness_mm = [0.5, 2.0]
material = "ionomer, soft"

[[goal]]
figure = "mass_g"
aim = "target"
target = 45.0

[[goal]]
figure = "moi_g_cm2"
aim = "minimize"
"""


def four_layers(**changes: Any) -> Scenario:
    """Return the four-layer brief with some of its top-level fields changed."""
    return changed(FOUR_LAYERS, changes)


def two_layers(**changes: Any) -> Scenario:
    """Return the small two-layer brief with some of its top-level fields changed."""
    return changed(TWO_LAYERS, changes)


def changed(brief: str, changes: dict[str, Any]) -> Scenario:
    """Return a brief with some of its top-level fields changed."""
    return Scenario.model_validate(scenario_from_toml(brief).model_dump() | changes)
