"""Whether a build meets the constraints of a scenario: closed forms first, then all figures."""

from collections.abc import Mapping
from dataclasses import dataclass

from layers.bench.bench import Impacts
from layers.conditions import Conditions
from layers.estimates import Figure
from layers.estimation import estimate
from layers.figures import parse_figure
from layers.rules.overall_distance import LAUNCH
from optimize.ledger.rows import Known
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.measures import is_clearance, parse_measure
from optimize.scenario.space import Candidate
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.search.result import Failed, Feasible, Infeasible, Outcome


@dataclass(frozen=True)
class Judge:
    """The constraints of a scenario; `closed_bounds` are those that closed forms decide."""

    scenario: Scenario
    bounds: tuple[Bound, ...]
    names: tuple[str, ...]
    closed_names: tuple[str, ...]
    closed_bounds: tuple[Bound, ...]
    conditions: Conditions | None = None

    @classmethod
    def of(cls, scenario: Scenario) -> "Judge":
        """Collect a scenario's constraints."""
        names, bounds = (*scenario.figures(), *_launches(scenario)), scenario.bounds()
        closed = tuple(name for name in names if is_closed_form(name))
        settled = {*closed, CENTRE_DIAMETER, FILL_DENSITY}
        settled |= {limit.figure for limit in scenario.limit if is_closed_form(limit.figure)}
        settled |= {fence.bound().figure for fence in scenario.fence if fence.is_closed_form}
        closed_bounds = tuple(b for b in bounds if b.figure in settled)
        conditions = scenario.estimate_conditions()
        return cls(scenario, bounds, names, closed, closed_bounds, conditions)

    def before(self, candidate: Candidate) -> Infeasible | None:
        """Rule a build out by its closed-form figures; None if it goes to finite elements."""
        figures: dict[str, Figure] = {}
        if candidate.ball is not None:
            # A decoded ball is valid; with `given` it is not checked once more.
            ball, given = candidate.ball, Impacts()
            figures = estimate(ball, self.closed_names, self.conditions, given=given).figures
        values = self._values(candidate, figures)
        excess = _excess(self.closed_bounds, values)
        return Infeasible(excess, figures, complete=False) if excess else None

    def after(self, candidate: Candidate, known: Known) -> Outcome:
        """Judge a build whose needed figures were computed."""
        for name in self.names:
            if name in known.failed:
                return Failed(f"{name}: {known.failed[name]}")
            if known.figures[name].flag:
                return Failed(f"{name}: {known.figures[name].flag}")
        figures = {name: known.figures[name] for name in self.names}
        values = self._values(candidate, figures)
        excess = _excess(self.bounds, values)
        if excess:
            return Infeasible(excess, figures, complete=True, values=values)
        return Feasible(figures, values)

    def _values(self, candidate: Candidate, figures: Mapping[str, Figure]) -> dict[str, float]:
        """Return what the bounds are on: figures, differences, layers, clearances of fences."""
        values = {name: figure.value for name, figure in figures.items()}
        if candidate.ball is not None:
            values |= self.scenario.measured(candidate.ball, values)
        values[CENTRE_DIAMETER] = candidate.centre_diameter_mm
        if candidate.fill_density_g_cm3 is not None:
            values[FILL_DENSITY] = candidate.fill_density_g_cm3
        return values


def _launches(scenario: Scenario) -> tuple[str, ...]:
    """Return what patterns are compared by: mass, size and launch of the swings that goals name."""
    if len(scenario.patterns) < 2:
        return ()
    table = (scenario.estimate_conditions() or Conditions()).swings
    goals = [parse_figure(goal.figure) for goal in scenario.goal]
    swings = dict.fromkeys(swing for figure in goals for swing in table.of_figure(figure))
    names = ["mass_g", "diameter_mm", *(f"{s}.{name}" for s in swings for name in LAUNCH)]
    return tuple(name for name in names if name not in scenario.figures()) if swings else ()


def _excess(bounds: tuple[Bound, ...], values: Mapping[str, float]) -> dict[Bound, float]:
    violations = ((b, b.excess(values[b.figure])) for b in bounds if b.figure in values)
    return {bound: excess for bound, excess in violations if excess > 0.0}


def is_closed_form(name: str) -> bool:
    """Whether a bounded figure, layer or difference needs no finite elements."""
    return not is_clearance(name) and parse_measure(name).is_closed_form
