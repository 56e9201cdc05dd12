"""A run with hostile names for the tests of the page, cheap: closed forms are its goals."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from optimize.ledger.ledger import Ledger
from optimize.page.data import page_data
from optimize.page.launches import Launches, launches_of
from optimize.scenario.brief import Scenario
from optimize.search.result import Build, Run
from optimize.search.run import run_search
from tests.helpers.briefs import changed

SCRIPT = "<script>alert(1)</script>"
CLOSING = "</script><!-- --> & \u2028"
PICTURE = '"><img src=x onerror=alert(2)>'
SWINGS = ("wedge half slow",)

_CARD = """
[[material]]
name = '{name}'
youngs_modulus_mpa = {modulus}
poisson_ratio = 0.49
density_g_cm3 = {density}
relaxation = [{{ strength = 0.2, time_us = 40 }}]
"""

BRIEF = f"""
name = '{SCRIPT}'
question = 'What does {CLOSING} cost?'
rules = "mass and diameter"
seed = 3
evaluations = 40
population = 8

[ball]
outer_diameter_mm = 42.7

[fill]
layer = 1
mass_g = 45.7
density_g_cm3 = [1.0, 1.4]

[[layer]]
role = "core"
material = '{PICTURE}'
youngs_modulus_mpa = [30, 60]
youngs_modulus_increment_mpa = 10

[[layer]]
role = "mantle"
material = ['{SCRIPT}', 'firm']
thickness_mm = [0.8, 2.0]
optional = true

[[layer]]
role = "cover"
material = '{CLOSING}'
thickness_mm = [0.6, 1.2]

[[goal]]
figure = "moi_g_cm2"
aim = "maximize"

[[goal]]
figure = "stage1.mass_g"
aim = "maximize"

[[limit]]
figure = "deflection_mm"
at_least = 2.6
at_most = 3.1
""" + "".join(
    _CARD.format(name=name, modulus=modulus, density=density)
    for name, modulus, density in (
        (PICTURE, 50, 1.1),
        (SCRIPT, 160, 0.96),
        ("firm", 300, 0.97),
        (CLOSING, 60, 1.15),
    )
)


def brief(**changes: Any) -> Scenario:
    """Return the scenario with some of its top-level fields changed."""
    return changed(BRIEF, changes)


def searched(folder: Path, **changes: Any) -> tuple[Run, Launches]:
    """Search, and strike the short list with one swing."""
    with Ledger(folder / "ledger.sqlite") as ledger:
        run = run_search(brief(**changes), ledger)
        return run, launches_of(run, ledger, swings=SWINGS)


def enlarged(run: Run, count: int) -> Run:
    """Repeat a run's builds to a number, their figures scattered by 1 %."""
    rng = np.random.default_rng(7)
    builds = list(run.builds)
    while len(builds) < count:
        builds.append(_scattered(run.builds[len(builds) % len(run.builds)], rng, len(builds)))
    return replace(run, builds=tuple(builds[:count]), evaluated=count)


def _scattered(build: Build, rng: np.random.Generator, number: int) -> Build:
    figures = {
        name: replace(figure, value=figure.value * (1.0 + 0.01 * rng.standard_normal()))
        for name, figure in build.figures.items()
    }
    return replace(build, key=f"{number:032x}", figures=figures)


def data_of(run: Run, found: Launches, **more: Any) -> dict[str, Any]:
    """Gather the page's data."""
    return page_data(run, found, "ledger.sqlite", **more)
