"""Finding builds and making them: scenario, search, ledger, lab, calibration, reports, commands.

The public names are listed here and loaded when they are first used.
"""

import os

import layers

# See `layers`, on both names.
TYPE_CHECKING = False

DISTRIBUTION = "orbwright"

if TYPE_CHECKING:
    from optimize.calibration.calibrated import calibrated_estimate as calibrated_estimate
    from optimize.calibration.calibrated import read_calibration as read_calibration
    from optimize.lab.measurements import read_measurements as read_measurements
    from optimize.lab.process import read_process as read_process
    from optimize.ledger.ledger import Ledger as Ledger
    from optimize.report.pictures.drawing import draw as draw
    from optimize.report.pictures.drawing import impact_section as impact_section
    from optimize.report.screened import ScreenedTable as ScreenedTable
    from optimize.report.screened import screen_table as screen_table
    from optimize.scenario.brief import Scenario as Scenario
    from optimize.scenario.brief import read_scenario as read_scenario
    from optimize.search.result import Run as Run
    from optimize.search.run import load_run as load_run
    from optimize.search.run import run_search as run_search

# Where each public name is; a test holds this equal to the imports above.
_HOMES = {
    "Ledger": "optimize.ledger.ledger",
    "Run": "optimize.search.result",
    "Scenario": "optimize.scenario.brief",
    "ScreenedTable": "optimize.report.screened",
    "calibrated_estimate": "optimize.calibration.calibrated",
    "draw": "optimize.report.pictures.drawing",
    "impact_section": "optimize.report.pictures.drawing",
    "load_run": "optimize.search.run",
    "read_calibration": "optimize.calibration.calibrated",
    "read_measurements": "optimize.lab.measurements",
    "read_process": "optimize.lab.process",
    "read_scenario": "optimize.scenario.brief",
    "run_search": "optimize.search.run",
    "screen_table": "optimize.report.screened",
}


def _refuse_a_stranger() -> None:
    """Refuse a package `layers` that is not ours, or of another copy of orbwright."""
    ours = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    place = layers.__file__ or next(iter(layers.__path__), "an unknown place")
    there = os.path.dirname(os.path.dirname(os.path.abspath(place)))
    if getattr(layers, "DISTRIBUTION", "") != DISTRIBUTION or there != ours:
        raise ImportError(
            f"orbwright needs its own package 'layers' in {ours}, but Python found another at "
            f"{place}: use orbwright in an environment of its own, or run it from another folder."
        )


_refuse_a_stranger()

if not TYPE_CHECKING:
    __getattr__, __dir__ = layers.lazy(__name__, _HOMES)
    __all__ = tuple(_HOMES)
