"""What is asked of every build of a table."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from layers.arrays import Precision
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Figure
from layers.figures import canonical, parse_figure
from layers.rules.screen import RuleSet, rule_set
from layers.strike.swings import check_owner
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.variables import CENTRE_DIAMETER, FILL_DENSITY
from optimize.scenario.windows import FenceScreen, Windows, screen_windows


@dataclass(frozen=True)
class Question:
    """What is asked of every build.

    Attributes
    ----------
    figures : tuple of str
        Canonical names, each once: those asked for, then those that goals, limits and rules need.
    scenario : Scenario or None
        Its goals rank the builds, its limits and rules are constraints, its conditions hold; its
        design variables do not matter.
    rules : RuleSet or None
        To screen each build against.
    conditions : Conditions or None
        Of launch and flight; the shipped ones if None.
    windows : Windows or None
        Limits and fences to screen each build against.
    """

    figures: tuple[str, ...]
    scenario: Scenario | None = None
    rules: RuleSet | None = None
    conditions: Conditions | None = None
    windows: Windows | None = None

    @classmethod
    def of(
        cls,
        figures: Sequence[str] = (),
        scenario: Scenario | None = None,
        rules: str | None = None,
        conditions: Conditions | None = None,
        windows: Windows | None = None,
    ) -> "Question":
        """Gather a question.

        Parameters
        ----------
        figures : sequence of str
            Names, labels or synonyms of figures.
        scenario : Scenario, optional
            Goals and limits.
        rules : str, optional
            Name of a rule set; the scenario's if not given.
        conditions : Conditions, optional
            Where no scenario has its own.
        windows : Windows, optional
            Limits and fences of a file.

        Raises
        ------
        InputError
            If a figure, swing or rule set is not known, or nothing is asked.
        """
        named = rules or (scenario.rules if scenario else None)
        chosen = rule_set(named) if named else None
        names = [*canonical(figures), *(scenario.figures() if scenario else ())]
        names += [limit.figure for limit in chosen.limit] if chosen else []
        names += windows.figures() if windows else ()
        conditions = (scenario and scenario.estimate_conditions()) or conditions
        for name in names:
            check_owner(parse_figure(name), (conditions or Conditions()).swings)
        if not names:
            raise InputError("nothing is asked of the builds: name figures, a scenario or rules.")
        return cls(tuple(dict.fromkeys(names)), scenario, chosen, conditions, windows)

    def in_precision(self, precision: Precision) -> "Question":
        """Return the same, asked of impacts in this precision."""
        conditions = replace(self.conditions or Conditions(), precision=precision)
        return replace(self, conditions=conditions)

    def bounds(self) -> tuple[Bound, ...]:
        """Return the scenario's limits and rules as bounds on figures."""
        of_search = (CENTRE_DIAMETER, FILL_DENSITY)
        found = self.scenario.bounds() if self.scenario else ()
        return tuple(bound for bound in found if bound.figure not in of_search)

    def compared(self) -> tuple[str, ...]:
        """Return the figures by which builds are told apart: the goals', or all."""
        goals = self.scenario.goal if self.scenario else ()
        return tuple(goal.figure for goal in goals) or self.figures

    def excess_of(self, ball: Ball, figures: Mapping[str, Figure]) -> dict[int, float]:
        """Return the bounds that a build violates, by their place, and by how much.

        One on a layer that the build does not have, or on a figure that failed, is violated by
        what nobody can say: NaN.
        """
        values = {name: figure.value for name, figure in figures.items()}
        if self.scenario:
            values |= self.scenario.measured(ball, values)
        over = (
            bound.excess(values[bound.figure]) if bound.figure in values else math.nan
            for bound in self.bounds()
        )
        return {place: excess for place, excess in enumerate(over) if excess != 0.0}

    def screened_windows(
        self, ball: Ball, figures: Mapping[str, Figure]
    ) -> tuple[tuple[str, str], ...]:
        """Return verdict and words of each limit and fence."""
        if self.windows is None:
            return ()
        found = screen_windows(self.windows, ball, figures)
        limits = [(x.verdict, f"{x.figure} {x.side} {x.bound:g} {x.verdict}") for x in found.limit]
        fences = [(x.verdict, f"{x.fence} {_of_fence(x)}") for x in found.fence]
        return (*limits, *fences)


def _of_fence(found: FenceScreen) -> str:
    verdict = found.verdict.replace("met", "outside").replace("violated", "inside")
    return f"{verdict}, clearance {found.clearance_percent:+.2g} %"
