"""The loop of a search: propose, rule out, compute, judge; and its state."""

import re
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING

from layers.errors import InputError, SolverError
from optimize.compute.evaluator import Evaluator, is_kept
from optimize.compute.one import Request
from optimize.emulator.encoding import Encoding
from optimize.ledger.rows import Known, Predicted, Proposal
from optimize.scenario.brief import Scenario
from optimize.scenario.space import Candidate, Row, Space, content_of, key_of
from optimize.scenario.start import start_rows
from optimize.search.judge import Judge
from optimize.search.result import Failed, Feasible, Infeasible, Outcome, Progress, Score

if TYPE_CHECKING:
    from optimize.search.evolution import Proposer

# A search ends early when this many generations brought no new build, or when closed-form limits
# ruled out this many builds for each one of its budget.
_STALE_GENERATIONS = 25
_RULED_OUT_PER_EVALUATION = 10

# The emulator is refitted after every batch: a generation is split into so many.
BATCHES_A_GENERATION = 8
_SMALLEST_BATCH = 4

# A number in a sentence, not one in a figure's name such as moi_g_cm2 or cor@38.1.
_NUMBER = re.compile(r"(?<![\w@.-])[-+]?\d[\d.e+-]*")

Report = Callable[[Progress], None]


@dataclass(frozen=True)
class Assessed:
    """A build that a search assessed, and the outcome."""

    candidate: Candidate
    key: str | None
    outcome: Outcome


@dataclass
class Search:
    """The state of a search: its assessed builds in order.

    Attributes
    ----------
    scenario, run : Scenario, str
        The brief, and the run's id in the ledger.
    evaluator : Evaluator
        Source of figures.
    report : callable or None
        Called after every build that was computed or reused.
    seen : dict of tuple to Assessed
        Every assessed build, by its row.
    twins : dict of tuple to tuple
        Rows of the same build as an earlier row, such as two materials that differ only in a
        modulus that the search sets itself.
    predictions : dict of tuple to mapping
        An emulator's predictions of a row's figures, before they were computed.
    evaluated, feasible, failed, ruled_out : int
        As in `optimize.search.result.Run`.
    flown : int
        Builds among them that are another's layers under a further dimple pattern: they cost
        flights alone and are not counted against the budget.
    """

    scenario: Scenario
    run: str
    evaluator: Evaluator
    report: Report | None
    seen: dict[Row, Assessed] = field(default_factory=dict)
    evaluated: int = 0
    feasible: int = 0
    failed: int = 0
    ruled_out: int = 0
    flown: int = 0
    best: dict[str, float] = field(default_factory=dict)
    twins: dict[Row, Row] = field(default_factory=dict)
    predictions: dict[Row, Mapping[str, Predicted]] = field(default_factory=dict)
    space: Space = field(init=False)
    judge: Judge = field(init=False)
    _first: dict[str, Row] = field(default_factory=dict)
    _noted: int = 0
    _began: float = field(default_factory=time.perf_counter)

    def __post_init__(self) -> None:
        self.space = Space(self.scenario)
        self.judge = Judge.of(self.scenario)

    def computed(self) -> list[Assessed]:
        """Return the builds whose every needed figure is known, in order."""
        return [one for one in self.seen.values() if _complete(one.outcome)]

    def ruled_out_builds(self) -> list[Infeasible]:
        """Return the outcomes of the builds that a closed form ruled out."""
        outcomes = [one.outcome for one in self.seen.values()]
        return [o for o in outcomes if isinstance(o, Infeasible) and not o.complete]

    def refused(self) -> dict[str, tuple[int, int]]:
        """Count the builds that each fence refused, before and after finite elements were run."""
        found = [o.outcome for o in self.seen.values() if isinstance(o.outcome, Infeasible)]
        return {
            fence.name: (
                sum(fence.bound() in o.excess for o in found if not o.complete),
                sum(fence.bound() in o.excess for o in found if o.complete),
            )
            for fence in self.scenario.fence
        }

    def failures(self) -> dict[str, int]:
        """Count the failed builds by reason, the most frequent first; numbers are ignored."""
        outcomes = [one.outcome for one in self.seen.values()]
        reasons = [outcome.reason for outcome in outcomes if isinstance(outcome, Failed)]
        return dict(Counter(_NUMBER.sub("…", reason) for reason in reasons).most_common())

    def explore(self) -> None:
        """Assess builds, generation by generation, until the budget is spent.

        Raises
        ------
        SolverError
            If every build failed.
        """
        scenario = self.scenario
        proposer = self._proposer()
        asks, stale = next(proposer), 0
        while True:
            rows = [ask.row for ask in asks]
            self.predictions |= {ask.row: ask.predictions for ask in asks if ask.predictions}
            fresh = [r for r in dict.fromkeys(rows) if r not in self.seen and r not in self.twins]
            stale = 0 if fresh else stale + 1
            self._assess(fresh)
            if self._is_over() or stale == _STALE_GENERATIONS:
                break
            try:
                assessed = [self.seen[self.twins.get(row, row)] for row in rows]
                asks = proposer.send([score_of(one.outcome, scenario) for one in assessed])
            except StopIteration:
                break
        if self.failed and not self.evaluated:
            reason, count = next(iter(self.failures().items()))
            raise SolverError(f"All {self.failed} builds failed; {count} of them: {reason}")

    def _proposer(self) -> "Proposer":
        # Both are heavy to import, and not needed to show a finished run.
        scenario, start = self.scenario, start_rows(self.space)
        if scenario.method == "direct":
            from optimize.search.evolution import evolve

            return evolve(self.space, len(scenario.goal), scenario.population, scenario.seed, start)
        from optimize.search.by_emulator import emulate
        from optimize.search.problem import Problem

        bounds = tuple(b for b in self.judge.bounds if b not in self.judge.closed_bounds)
        admissible = cache(lambda row: self.judge.before(self.space.decode(row)) is None)
        problem = Problem(self.space, Encoding(self.space), admissible, scenario.goal, bounds)
        batch = max(_SMALLEST_BATCH, scenario.population // BATCHES_A_GENERATION)
        return emulate(problem, scenario.evaluations, batch, scenario.seed, start)

    def _identity(self, candidate: Candidate, key: str) -> str:
        """Return what two rows of one build share: with costs, its materials' prices too."""
        if candidate.ball is None or all(map(is_kept, self.judge.names)):
            return key
        prices = [layer.material.price_per_kg.value for layer in candidate.ball.layer]
        return f"{key} {prices}"

    def _left(self) -> int:
        return self.scenario.evaluations - (self.evaluated + self.failed - self.flown)

    def _is_over(self) -> bool:
        most_ruled_out = _RULED_OUT_PER_EVALUATION * self.scenario.evaluations
        return self._left() <= 0 or self.ruled_out >= most_ruled_out

    def _assess(self, rows: Sequence[Row]) -> None:
        """Assess new builds: by closed form, then, within the budget, by finite elements."""
        admissible, ruled_out = [], []
        for candidate in map(self.space.decode, rows):
            key = _key(candidate)
            same = key and self._identity(candidate, key)
            first = self._first.setdefault(same, candidate.row) if same else candidate.row
            if first != candidate.row:
                self.twins[candidate.row] = first
                continue
            excluded = self.judge.before(candidate)
            if excluded is None:
                admissible.append(candidate)
            else:
                ruled_out.append(candidate)
                self._settle(candidate, excluded)
        self.ruled_out += len(ruled_out)
        self._note(ruled_out, computed=False)
        self._compute(admissible[: max(0, self._left())])

    def probe(self) -> None:
        """If closed forms ruled out every build, compute those of the smallest violations.

        Their figures say which limits to relax.
        """
        if self.evaluated or self.failed:
            return
        ruled_out = [
            (one.outcome.distance, one.candidate)
            for one in self.seen.values()
            if isinstance(one.outcome, Infeasible) and one.candidate.ball is not None
        ]
        ruled_out.sort(key=lambda one: one[0])
        nearest = [candidate for _, candidate in ruled_out[: self.scenario.population]]
        self.ruled_out -= len(nearest)
        self._compute(nearest)

    def recall(self, proposals: Sequence[Proposal]) -> None:
        """Assess the builds of an earlier run again.

        Those ruled out are only counted, unless there are no others or fences are to be counted.
        """
        computed = [proposal.row for proposal in proposals if proposal.computed]
        rows = [proposal.row for proposal in proposals if not proposal.computed]
        self.ruled_out = len(set(rows).difference(computed))
        wanted = rows if self.scenario.fence or not computed else ()
        for candidate in map(self.space.decode, wanted):
            excluded = self.judge.before(candidate)
            if excluded is not None:
                self._settle(candidate, excluded)
        self.predictions = {proposal.row: proposal.predictions for proposal in proposals}
        candidates = [self.space.decode(row) for row in computed]
        known = self.evaluator.figures(self._requests(candidates), self._tick(candidates))
        if not all(figures.covers(self.judge.names) for figures in known):
            raise InputError(f"the ledger lacks figures of run {self.run}: search it again.")
        self._judge(candidates, known)

    def _compute(self, candidates: list[Candidate]) -> None:
        candidates = [*candidates, *self._siblings(candidates)]
        known = self.evaluator.figures(self._requests(candidates), self._tick(candidates))
        self._judge(candidates, known)
        self._note(candidates, computed=True)

    def _siblings(self, candidates: list[Candidate]) -> list[Candidate]:
        """Return the same layers under the dimple patterns that are still to assess."""
        asked = {candidate.row for candidate in candidates}
        rows = [row for c in candidates for row in self.space.siblings(c.row)]
        fresh = [r for r in dict.fromkeys(rows) if r not in asked and r not in self.seen]
        self.flown += len(fresh)
        found = list(map(self.space.decode, fresh))
        for candidate in found:
            key = _key(candidate)
            self._first.setdefault(self._identity(candidate, key) if key else "", candidate.row)
        return found

    def _requests(self, candidates: list[Candidate]) -> list[Request]:
        return [(c.ball, self.judge.names) for c in candidates if c.ball is not None]

    def _tick(self, candidates: list[Candidate]) -> Callable[[int, Known], None]:
        def tick(i: int, known: Known) -> None:
            self._count(self.judge.after(candidates[i], known))

        return tick

    def _judge(self, candidates: list[Candidate], known: list[Known]) -> None:
        for candidate, figures in zip(candidates, known, strict=True):
            self._settle(candidate, self.judge.after(candidate, figures))

    def _settle(self, candidate: Candidate, outcome: Outcome) -> None:
        self.seen.pop(candidate.row, None)  # a build that was ruled out before moves to the end
        self.seen[candidate.row] = Assessed(candidate, _key(candidate), outcome)

    def _note(self, candidates: list[Candidate], *, computed: bool) -> None:
        proposals = [
            Proposal(c.row, _key(c), computed, self.predictions.get(c.row, {})) for c in candidates
        ]
        self.evaluator.ledger.note(self.run, self._noted, proposals)
        self._noted += len(proposals)

    def _count(self, outcome: Outcome) -> None:
        self.failed += isinstance(outcome, Failed)
        self.evaluated += not isinstance(outcome, Failed)
        if isinstance(outcome, Feasible):
            self.feasible += 1
            for goal in self.scenario.goal:
                value = outcome.figures[goal.figure].value
                best = self.best.get(goal.figure)
                if best is None or goal.loss(value) < goal.loss(best):
                    self.best[goal.figure] = value
        if self.report:
            self.report(self._progress())

    def _progress(self) -> Progress:
        computed = self.evaluator.computed
        pace = (time.perf_counter() - self._began) / computed if computed else None
        return Progress(
            evaluated=self.evaluated - self.flown,
            budget=self.scenario.evaluations,
            feasible=self.feasible,
            ruled_out=self.ruled_out,
            failed=self.failed,
            reused=self.evaluator.reused,
            best=dict(self.best),
            seconds_left=None if pace is None else pace * max(0, self._left()),
        )


def score_of(outcome: Outcome, scenario: Scenario) -> Score | None:
    """Score an outcome for the search method; None for a failed build.

    Infeasible builds that were computed rank before those ruled out by closed forms, whose other
    violations are not known.

    Parameters
    ----------
    outcome : Feasible, Infeasible or Failed
        The build's outcome.
    scenario : Scenario
        Its goals.
    """
    if isinstance(outcome, Failed):
        return None
    values = outcome.values or {name: figure.value for name, figure in outcome.figures.items()}
    if isinstance(outcome, Feasible):
        return Score(tuple(g.loss(values[g.figure]) for g in scenario.goal), 0.0, values)
    share = outcome.distance / (1.0 + outcome.distance)
    if outcome.complete:
        return Score(None, share, values)
    return Score(None, 1.0 + share)


def _complete(outcome: Outcome) -> bool:
    return isinstance(outcome, Feasible) or (isinstance(outcome, Infeasible) and outcome.complete)


def _key(candidate: Candidate) -> str | None:
    return None if candidate.ball is None else key_of(content_of(candidate.ball))
