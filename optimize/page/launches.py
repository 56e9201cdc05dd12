"""Launch and flight figures of the short list: from the ledger, or computed now."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from layers.figures import QUANTITIES, parse_figure
from layers.model_version import MODEL_VERSION
from layers.strike.swings import SwingTable, default_swings
from optimize.compute.evaluator import Evaluator, only
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.scenario.brief import Scenario
from optimize.search.result import Run
from optimize.search.run import name_run

FIGURES = (
    "ball_speed_m_s",
    "launch_angle_deg",
    "spin_rpm",
    "carry_m",
    "apex_m",
    "descent_angle_deg",
    "flight_time_s",
    "total_m",
)
Tick = Callable[[int, int], None]


@dataclass(frozen=True)
class Launches:
    """Launch and flight figures of the short list.

    Attributes
    ----------
    swings : tuple of str
        Names of the swings.
    known : dict of str to Known
        By member's label: figures, and why others could not be computed.
    model_version : str
        Under which version of the model.
    unkept : str
        Why figures computed now were not written to the ledger; empty if they were.
    """

    swings: tuple[str, ...]
    known: dict[str, Known] = field(default_factory=dict)
    model_version: str = ""
    unkept: str = ""


def named_swings(scenario: Scenario) -> tuple[str, ...]:
    """Return the swings that a scenario's goals and limits name."""
    table = table_of(scenario)
    used: dict[str, None] = {}
    for name in scenario.figures():
        parsed = parse_figure(name)
        if parsed.swing is None:
            continue
        club = QUANTITIES[parsed.quantity].of == "club"
        used.update(dict.fromkeys(table.of_club(parsed.swing) if club else (parsed.swing,)))
    return tuple(used)


def swings_of(scenario: Scenario) -> tuple[str, ...]:
    """Return the swings that a scenario's goals and limits name, or all if they name none."""
    return named_swings(scenario) or tuple(swing.name for swing in table_of(scenario).swing)


def table_of(scenario: Scenario) -> SwingTable:
    """Return the swing table of a scenario."""
    conditions = scenario.estimate_conditions()
    return conditions.swings if conditions else default_swings()


def launches_of(
    run: Run,
    ledger: Ledger,
    workers: int = 1,
    swings: Sequence[str] | None = None,
    tick: Tick | None = None,
) -> Launches:
    """Find or compute the launches of the short list.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : Ledger
        Where figures are read, and written unless it is read-only.
    workers : int
        Processes that compute.
    swings : sequence of str, optional
        Names of swings; those of the scenario's goals and limits, or all, if not given.
    tick : callable, optional
        Called with how many builds are done and how many there are.

    Raises
    ------
    InputError
        If a swing is not in the scenario's table.
    """
    scenario, members = run.scenario, run.short_list
    table = table_of(scenario)
    wanted = swings_of(scenario) if swings is None else swings
    chosen = tuple(table.find(name).name for name in wanted)
    version = name_run(scenario)[1]["model"]
    names = tuple(f"{swing}.{figure}" for swing in chosen for figure in FIGURES)
    requests = [(member.ball, names) for member in members]
    with computing(workers, scenario.estimate_conditions()) as compute:
        evaluator = Evaluator(ledger, compute, model_version=version, must_write=False)

        def computed(_: int, __: Known) -> None:
            if tick and evaluator.computed:
                tick(evaluator.computed, len(requests) - evaluator.reused)

        known = evaluator.figures(requests, computed)
    by_label = {m.label: only(one, names) for m, one in zip(members, known, strict=True)}
    return Launches(chosen, by_label, version, evaluator.unwritten)


def is_present_model(run: Run) -> bool:
    """Whether the run was computed by the installed version of the model."""
    return run.model_version.split("+")[0] == MODEL_VERSION
