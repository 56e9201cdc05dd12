"""Whether a build meets the constraints of a scenario: closed forms first, then all figures."""

from dataclasses import dataclass

from layers.conditions import Conditions
from layers.estimates import Figure
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from optimize.ledger.rows import Known
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.space import Candidate
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.search.result import Failed, Feasible, Infeasible, Outcome


@dataclass(frozen=True)
class Judge:
    """The constraints of a scenario; `closed_bounds` are those that closed forms decide."""

    bounds: tuple[Bound, ...]
    names: tuple[str, ...]
    closed_names: tuple[str, ...]
    closed_bounds: tuple[Bound, ...]
    conditions: Conditions | None = None

    @classmethod
    def of(cls, scenario: Scenario) -> "Judge":
        """Collect a scenario's constraints."""
        names, bounds = scenario.figures(), scenario.bounds()
        closed = tuple(name for name in names if is_closed_form(name))
        settled = (*closed, CENTRE_DIAMETER, FILL_DENSITY)
        decided = tuple(b for b in bounds if b.figure in settled)
        return cls(bounds, names, closed, decided, scenario.estimate_conditions())

    def before(self, candidate: Candidate) -> Infeasible | None:
        """Rule a build out by its closed-form figures; None if it goes to finite elements."""
        figures: dict[str, Figure] = {}
        if candidate.ball is not None:
            figures = estimate(candidate.ball, self.closed_names, self.conditions).figures
        excess = _excess(self.closed_bounds, candidate, figures)
        return Infeasible(excess, figures, complete=False) if excess else None

    def after(self, candidate: Candidate, known: Known) -> Outcome:
        """Judge a build whose needed figures were computed."""
        for name in self.names:
            if name in known.failed:
                return Failed(f"{name}: {known.failed[name]}")
            if known.figures[name].flag:
                return Failed(f"{name}: {known.figures[name].flag}")
        figures = {name: known.figures[name] for name in self.names}
        excess = _excess(self.bounds, candidate, figures)
        return Infeasible(excess, figures, complete=True) if excess else Feasible(figures)


def _excess(
    bounds: tuple[Bound, ...], candidate: Candidate, figures: dict[str, Figure]
) -> dict[Bound, float]:
    values: dict[str, float] = {name: figure.value for name, figure in figures.items()}
    values[CENTRE_DIAMETER] = candidate.centre_diameter_mm
    if candidate.fill_density_g_cm3 is not None:
        values[FILL_DENSITY] = candidate.fill_density_g_cm3
    violations = ((b, b.excess(values[b.figure])) for b in bounds if b.figure in values)
    return {bound: excess for bound, excess in violations if excess > 0.0}


def is_closed_form(name: str) -> bool:
    """Whether a figure needs no finite elements."""
    return QUANTITIES[parse_figure(name).quantity].basis == "closed form"
