"""Results of a search: outcomes of builds, the short list, prices, relaxations, the run."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from layers.arrays import FloatArray, Level
from layers.ball import Ball
from layers.errors import OrbwrightError
from layers.estimates import Estimate, Figure
from layers.files.html import html_table
from optimize.ledger.events import Event
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Feasible:
    """A build that meets all constraints, with the figures that goals and limits need.

    `values` has what every bound is on: figures, differences, clearances of fences.
    """

    figures: dict[str, Figure]
    values: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Infeasible:
    """A build that violates constraints.

    Attributes
    ----------
    excess : dict of Bound to float
        Violated bounds, and by how much, in the figure's unit.
    figures : dict of str to Figure
        Computed figures; none by finite elements when a closed form ruled the build out.
    complete : bool
        Whether every constraint was checked; otherwise more than `excess` may be violated.
    values : dict of str to float
        What every bound is on: figures, differences, clearances of fences; empty if not complete.
    """

    excess: dict[Bound, float]
    figures: dict[str, Figure]
    complete: bool
    values: dict[str, float] = field(default_factory=dict)

    @property
    def distance(self) -> float:
        """Sum of the excesses, each as a fraction of its bound."""
        return sum(bound.relative(excess) for bound, excess in self.excess.items())


@dataclass(frozen=True)
class Failed:
    """A build of which a needed figure could not be computed; it is not ranked."""

    reason: str


Outcome = Feasible | Infeasible | Failed


@dataclass(frozen=True)
class Build:
    """A build of which every needed figure was computed.

    Attributes
    ----------
    key, row : str, tuple of int
        Its hash in the ledger, and the value of each design variable, by index.
    ball : Ball
        The build.
    figures : dict of str to Figure
        Figures that goals and limits need.
    excess : dict of Bound to float
        Violated bounds, and by how much; empty for a feasible build.
    """

    key: str
    row: tuple[int, ...]
    ball: Ball
    figures: dict[str, Figure]
    excess: dict[Bound, float]


@dataclass(frozen=True)
class Score:
    """The score of a build, as told to the search method.

    Attributes
    ----------
    losses : tuple of float or None
        Loss of each goal; None for an infeasible build.
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
        Diameter, mass, moment of inertia and deflection of each stage, centre outward; the last is
        the ball.
    violations : dict of str to float
        ``"figure at most value"`` and by how much it is violated; empty for a feasible build.
    reason : str
        Why it is on the list.
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
    """The price of one goal in another between two neighbours on the short list.

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
        Figure of the bound.
    side : str
        ``"at least"`` or ``"at most"``.
    present, needed : float
        The bound now and the bound needed, in the figure's unit.
    member : str
        Label of the member that becomes feasible; empty where no values of the design variables
        make a ball.
    alone : bool
        Whether this change alone is enough; otherwise all that are not alone are needed together.
    sentence : str
        The same as text.
    """

    figure: str
    side: Literal["at least", "at most"]
    present: float
    needed: float
    member: str
    alone: bool
    sentence: str


@dataclass(frozen=True)
class EmulatorCheck:
    """Error and coverage of an emulator on builds that it had not been fitted to.

    Attributes
    ----------
    figure : str
        Name of the figure.
    builds : int
        Number of builds that were predicted before they were computed.
    error : float
        Root mean square of the relative error of the prediction.
    within_68, within_95 : float
        Share of the builds within their 68 and 95 % intervals.
    """

    figure: str
    builds: int
    error: float
    within_68: float
    within_95: float


@dataclass(frozen=True)
class Progress:
    """Progress of a running search.

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
        How many of them meet all constraints, and how many do not.
    ruled_out : int
        Builds that a closed-form limit (mass, diameter, filler) ruled out before any finite element
        was run; not among `evaluated`.
    failed : dict of str to int
        Reason, and how many builds failed of it; not among `evaluated`.
    reused : int
        Builds whose figures were in the ledger already.
    short_list : tuple of Member
        The answer; the closest infeasible builds when none is feasible.
    front : tuple of (key, goal values)
        The non-dominated feasible builds, in the order of the first goal.
    cloud : (evaluated, goals) array
        Goal values of all evaluated builds, in the order of evaluation, in the figures' units.
    cloud_feasible : (evaluated,) bool array
        Which of them are feasible.
    builds : tuple of Build
        The same builds with their layers, figures and violations, in the same order.
    checks : tuple of EmulatorCheck
        Error and coverage of the emulator's predictions; empty for a direct search.
    refused : dict of str to (int, int)
        By fence: builds that it refused before and after finite elements were run.
    prices, relaxations : tuples
        Prices of goals in one another; limits to relax when no build is feasible.
    seconds : float
        Wall time of this run; 0 for one read back from the ledger.
    mesh : {"default", "fine"}
        Mesh of the short list's figures, and of prices; all else is on the default one.
    events : tuple of Event
        Who started it, and what was decided, noted and made of its builds since; by moment.
    lacking : str
        What the ledger lacks of a run that was read back, in a sentence; empty if nothing.
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
    checks: tuple[EmulatorCheck, ...]
    cloud: FloatArray = field(compare=False)
    cloud_feasible: np.typing.NDArray[np.bool_] = field(compare=False)
    builds: tuple[Build, ...] = field(compare=False)
    reused: int = field(compare=False)
    seconds: float = field(compare=False)
    mesh: Level = "default"
    events: tuple[Event, ...] = field(compare=False, default=())
    refused: dict[str, tuple[int, int]] = field(default_factory=dict)
    lacking: str = ""

    def __repr__(self) -> str:
        """Return the counts and the short list in a line a build."""
        lines = [
            f"  {member.label}: "
            + ", ".join(repr(member.estimate[goal.figure]) for goal in self.scenario.goal)
            for member in self.short_list
        ]
        head = f"Run of {self.scenario.name!r}: {self.evaluated} builds evaluated, "
        return "\n".join([f"{head}{self.feasible} feasible", *lines])

    def _repr_html_(self) -> str:
        """Return the short list as a table, for notebooks."""
        goals = [goal.figure for goal in self.scenario.goal]
        rows = [
            (m.label, *(repr(m.estimate[g]).removeprefix(f"{g} ") for g in goals), m.reason)
            for m in self.short_list
        ]
        return html_table(f"Short list of {self.scenario.name}", ("", *goals, "why"), rows)

    def to_frame(self) -> "pd.DataFrame":
        """Return a table of a row a build, in the order of evaluation.

        Returns
        -------
        pandas.DataFrame
            Index ``build``, the name in the ledger. Columns: ``layer1_role``,
            ``layer1_outer_diameter_mm``, ``layer1_material``, ``layer1_youngs_modulus_mpa``,
            ``layer1_density_g_cm3`` and so on outward, of graded layers also
            ``layer1_surface_over_centre`` and ``layer1_shape``; each figure by its name, in its
            unit; ``feasible``; ``on_front``; ``label`` of the short list, else empty.
        """
        import pandas as pd

        front = {key for key, _ in self.front}
        label = {member.key: member.label for member in self.short_list}
        rows = [
            {
                **_layer_cells(build.ball),
                **{name: figure.value for name, figure in build.figures.items()},
                "feasible": not build.excess,
                "on_front": build.key in front,
                "label": label.get(build.key, ""),
            }
            for build in self.builds
        ]
        frame = pd.DataFrame(rows, index=pd.Index([b.key for b in self.builds], name="build"))
        layers = sorted(c for c in frame.columns if c.startswith("layer"))
        order = {name: place for place, name in enumerate(frame.columns)}
        layers.sort(key=lambda c: (int(c[5 : c.index("_")]), order[c]))
        return frame[[*layers, *(c for c in frame.columns if c not in layers)]]


def _layer_cells(ball: Ball) -> dict[str, Any]:
    cells: dict[str, Any] = {"dimple_pattern": ball.dimple_pattern} if ball.dimple_pattern else {}
    for number, layer in enumerate(ball.layer, start=1):
        card = layer.material
        cells[f"layer{number}_role"] = layer.role
        cells[f"layer{number}_outer_diameter_mm"] = layer.outer_diameter_mm
        cells[f"layer{number}_material"] = card.name
        cells[f"layer{number}_youngs_modulus_mpa"] = card.youngs_modulus_mpa.value
        cells[f"layer{number}_density_g_cm3"] = card.density_g_cm3.value
        if layer.profile:
            cells[f"layer{number}_surface_over_centre"] = layer.profile.contrast
            cells[f"layer{number}_shape"] = layer.profile.shape
    return cells


class Interrupted(OrbwrightError):
    """The user stopped a search; the message says how to resume it."""
