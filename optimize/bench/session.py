"""From files to a bench: what the command line does before it serves."""

from collections.abc import Sequence
from pathlib import Path

from layers.ball import Ball
from layers.conditions import Conditions
from layers.figures import parse_figure
from layers.strike.swings import check_owner
from optimize.bench.asked import bounds_shown, figures_shown, swings_shown, tests_of
from optimize.bench.bench import Bench
from optimize.bench.desk import Desk
from optimize.bench.hub import Hub
from optimize.bench.learner import LESSONS, Learner
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario


def open_bench(
    ball: Ball,
    scenario: Scenario | None = None,
    swings: Sequence[str] = (),
    ledger: Path | None = None,
    lessons: int = LESSONS,
) -> Bench:
    """Set a bench up; nothing is computed yet.

    Parameters
    ----------
    ball : Ball
        Where the sliders start.
    scenario : Scenario, optional
        Ranges, limits, figures and conditions; the present rules and typical swings otherwise.
    swings : sequence of str
        Shown in place of the typical ones.
    ledger : Path, optional
        Where every evaluation is kept.
    lessons : int
        Builds that the emulator is taught over the sliders' ranges.

    Raises
    ------
    InputError
        If the ball is none of the scenario's, a swing is unknown, or the ledger cannot be used.
    """
    played = scenario.played() if scenario else None
    conditions = played or Conditions()
    desk = Desk.of(ball, scenario)
    shown = swings_shown(swings, scenario, conditions.swings)
    bounds = bounds_shown(scenario)
    names = figures_shown(shown, scenario, bounds)
    for name in names:
        check_owner(parse_figure(name), conditions.swings)
    if ledger:
        with Ledger(ledger):
            pass  # what is wrong with it is said now
    tests = tests_of(names)
    learner = Learner(desk, names, lessons)
    hub = Hub(ball, tests, played, ledger, learner)
    return Bench(desk, scenario, conditions, shown, names, tests, bounds, hub, learner)
