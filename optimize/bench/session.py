"""Setting up a bench from a ball, a scenario and a ledger."""

from collections.abc import Sequence
from pathlib import Path

from layers.ball import Ball
from layers.conditions import Conditions
from layers.figures import parse_figure
from layers.strike.swings import check_owner
from optimize.bench.bench import Bench
from optimize.bench.choices import Choices
from optimize.bench.figures import bounds_shown, figures_shown, grouped_by_test, swings_shown
from optimize.bench.queue import BuildQueue
from optimize.bench.training import TRAINING_BUILDS, Trainer
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario


def open_bench(
    ball: Ball,
    scenario: Scenario | None = None,
    swings: Sequence[str] = (),
    ledger: Path | None = None,
    training_builds: int = TRAINING_BUILDS,
) -> Bench:
    """Set up a bench; nothing is computed yet.

    Parameters
    ----------
    ball : Ball
        The sliders start from it.
    scenario : Scenario, optional
        Ranges, limits, figures and conditions; the present rules and typical swings otherwise.
    swings : sequence of str
        Shown instead of the typical ones.
    ledger : Path, optional
        File in which every evaluation is kept.
    training_builds : int
        Over the sliders' ranges, for the emulator.

    Raises
    ------
    InputError
        If no build of the scenario has the ball's layers, a swing is unknown, or the ledger fails.
    """
    played = scenario.estimate_conditions() if scenario else None
    conditions = played or Conditions()
    choices = Choices(ball, scenario)
    shown = swings_shown(swings, scenario, conditions.swings)
    bounds = bounds_shown(scenario)
    names = figures_shown(shown, scenario, bounds)
    for name in names:
        check_owner(parse_figure(name), conditions.swings)
    if ledger:
        with Ledger(ledger):
            pass  # a faulty ledger is reported now
    tests = grouped_by_test(names)
    trainer = Trainer(choices, names, conditions, training_builds)
    queue = BuildQueue(ball, tests, played, ledger, trainer)
    return Bench(choices, scenario, conditions, shown, names, tests, bounds, queue, trainer)
