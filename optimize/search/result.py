"""What a search hands back: typed outcomes, the short list, what a limit costs, the whole run."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import OrbwrightError
from layers.figures import Estimate, Figure
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound


@dataclass(frozen=True)
class Evaluated:
    """A build that keeps every limit, with the figures that goals and limits need."""

    figures: dict[str, Figure]


@dataclass(frozen=True)
class Infeasible:
    """A build that breaks limits.

    Attributes
    ----------
    excess : dict of Bound to float
        Which bounds, and by how much in the figure's unit.
    figures : dict of str to Figure
        What was computed; without finite-element figures when a closed form ruled the build out.
    complete : bool
        Whether every limit was looked at; otherwise more than `excess` may be broken.
    """

    excess: dict[Bound, float]
    figures: dict[str, Figure]
    complete: bool

    @property
    def distance(self) -> float:
        """Sum of the excesses, each as a fraction of its bound."""
        return sum(bound.relative(excess) for bound, excess in self.excess.items())


@dataclass(frozen=True)
class Failed:
    """A build of which a needed figure could not be computed; it takes no part in the ranking."""

    reason: str


Outcome = Evaluated | Infeasible | Failed


@dataclass(frozen=True)
class Build:
    """A build of which every needed figure was computed.

    Attributes
    ----------
    key, row : str, tuple of int
        Its hash in the ledger, and which value each freedom of the scenario takes.
    ball : Ball
        Its layers.
    figures : dict of str to Figure
        What goals and limits need.
    excess : dict of Bound to float
        Which bounds it breaks, and by how much; empty when it keeps every limit.
    """

    key: str
    row: tuple[int, ...]
    ball: Ball
    figures: dict[str, Figure]
    excess: dict[Bound, float]


@dataclass(frozen=True)
class Standing:
    """How a build did, in the words of what proposes the next ones.

    Attributes
    ----------
    losses : tuple of float or None
        What each goal makes small; None for a build that breaks limits.
    violation : float
        0 for a feasible build; otherwise the larger the worse.
    figures : dict of str to float, or None
        Values of every needed figure; None where not all were computed.
    """

    losses: tuple[float, ...] | None
    violation: float
    figures: dict[str, float] | None = None


@dataclass(frozen=True)
class Member:
    """A build of the short list, estimated in full.

    Attributes
    ----------
    label, key : str
        ``"A"``, ``"B"``, ... in the order of the first goal; the build's hash in the ledger.
    ball : Ball
        The build.
    estimate : Estimate
        Every figure of the ball.
    stages : tuple of Estimate
        Diameter, mass, inertia and deflection of each stage, centre outward; the last is the ball.
    violations : dict of str to float
        ``"figure at most value"`` and by how much it is broken; empty for a feasible build.
    reason : str
        Why it stands on the list.
    indistinguishable_from : tuple of str
        Labels of the members that differ by less than the error in every goal.
    """

    label: str
    key: str
    ball: Ball
    estimate: Estimate
    stages: tuple[Estimate, ...]
    violations: dict[str, float]
    reason: str
    indistinguishable_from: tuple[str, ...]


@dataclass(frozen=True)
class Price:
    """What one goal costs in another between two neighbours on the short list.

    `slope` is the loss of `other` per unit gained in `goal`, each in its figure's unit, positive.
    """

    goal: str
    other: str
    better: str
    worse: str
    slope: float
    sentence: str


@dataclass(frozen=True)
class Relaxation:
    """A bound that would let a computed build in.

    Attributes
    ----------
    figure : str
        What the bound is on.
    side : str
        ``"at least"`` or ``"at most"``.
    present, needed : float
        The bound now, and what it would have to be, in the figure's unit.
    member : str
        Label of the member that it lets in; empty where no choice of the freedoms makes a ball.
    alone : bool
        Whether this one change is enough; otherwise all that are not alone are needed together.
    sentence : str
        The same for people.
    """

    figure: str
    side: Literal["at least", "at most"]
    present: float
    needed: float
    member: str
    alone: bool
    sentence: str


@dataclass(frozen=True)
class Checked:
    """How far an emulator was right about builds that it had not seen.

    Attributes
    ----------
    figure : str
        Which figure.
    builds : int
        How many builds were guessed before they were computed.
    error : float
        Root mean square of the guess's error over the computed value.
    within_68, within_95 : float
        Share of the builds that fell within the intervals that should hold 68 and 95 %.
    """

    figure: str
    builds: int
    error: float
    within_68: float
    within_95: float


@dataclass(frozen=True)
class Progress:
    """Where a running search stands.

    `best` is the best feasible value of each goal so far, `seconds_left` is None until a build has
    been computed.
    """

    evaluated: int
    budget: int
    feasible: int
    ruled_out: int
    failed: int
    reused: int
    best: dict[str, float]
    seconds_left: float | None


@dataclass(frozen=True)
class Run:
    """A finished search. Two runs are equal when their answers are, to the last bit.

    Attributes
    ----------
    id : str
        Names the run in the ledger.
    evaluated : int
        Builds of which every needed figure was computed, feasible or not.
    feasible, infeasible : int
        How many of them keep every limit, and how many do not.
    ruled_out : int
        Builds that a closed-form limit (mass, diameter, filler) turned away before any finite
        element was run; not among `evaluated`.
    failed : dict of str to int
        Reason, and how many builds failed of it; not among `evaluated`.
    reused : int
        Builds whose figures already stood in the ledger.
    short_list : tuple of Member
        The answer; the nearest misses when no build keeps every limit.
    front : tuple of (key, goal values)
        The feasible builds that none other beats in every goal, in the order of the first goal.
    cloud : (evaluated, goals) array
        Goal values of all evaluated builds, in the order of evaluation, in the figures' units.
    cloud_feasible : (evaluated,) bool array
        Which of them keep every limit.
    builds : tuple of Build
        The same builds with their layers, figures and broken limits, in the same order.
    checks : tuple of Checked
        How the emulator's guesses did, figure by figure; empty for a direct search.
    prices, relaxations : tuples
        What goals cost in one another; which limits to relax when none is feasible.
    seconds : float
        Wall time of this run; 0 for one read back from the ledger.
    """

    id: str
    scenario: Scenario
    seed: int
    model_version: str
    evaluated: int
    feasible: int
    infeasible: int
    ruled_out: int
    failed: dict[str, int]
    short_list: tuple[Member, ...]
    front: tuple[tuple[str, tuple[float, ...]], ...]
    prices: tuple[Price, ...]
    relaxations: tuple[Relaxation, ...]
    checks: tuple[Checked, ...]
    cloud: FloatArray = field(compare=False)
    cloud_feasible: np.typing.NDArray[np.bool_] = field(compare=False)
    builds: tuple[Build, ...] = field(compare=False)
    reused: int = field(compare=False)
    seconds: float = field(compare=False)


class Interrupted(OrbwrightError):
    """The user stopped a search; the message says how to go on."""
