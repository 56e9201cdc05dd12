"""What a search will take, and what share of its builds can be made, told before it starts."""

import time
from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, IntArray
from layers.errors import InputError
from optimize.compute.one import compute_one
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.makeable import can_be_made, deciding_values, within
from optimize.scenario.space import Space
from optimize.scenario.start import start_rows
from optimize.scenario.variables import CENTRE_DIAMETER

_DRAWN = 2_000
# A space is refused only if none of so many more can be made: a search may find the one in 10,000.
_DRAWN_BEFORE_REFUSAL = 100_000
_SEED = 0


@dataclass(frozen=True)
class Forecast:
    """What a search will take.

    Attributes
    ----------
    makeable : float
        Share of the builds drawn at random that can be made, from 0 to 1.
    builds : int
        Builds yet to be computed.
    seconds_a_build : float
        Time that the figures of one build take here, s; 0 if there is none to compute.
    workers : int or None
        Processes that share the builds; None for a cluster, whose size is not known yet.
    emulator : bool
        Whether emulators are fitted, too.
    card : str
        What computes the impacts, if not this processor: the time of a build is not known then.
    """

    makeable: float
    builds: int
    seconds_a_build: float
    workers: int | None
    emulator: bool
    card: str = ""

    @property
    def seconds(self) -> float:
        """Time of all the builds, s; as if there were one worker where the number is not known."""
        return self.builds * self.seconds_a_build / min(self.workers or 1, max(1, self.builds))

    def __str__(self) -> str:
        """Return the sentences for the user."""
        share = f"{_two_digits(100.0 * self.makeable)} % of the builds drawn at random can be made."
        if not self.builds:
            return f"Every build of this search was computed before. {share}"
        if self.card:
            return f"{self.builds} builds, their impacts on {self.card}{self._fitting()}. {share}"
        each = f"{self.builds} builds of {_plain(self.seconds_a_build)} each"
        if self.workers is None:
            return f"{each} here, shared by the cluster's workers{self._fitting()}. {share}"
        workers = "1 worker" if self.workers == 1 else f"{self.workers} workers"
        whole = "Less than 1 s" if self.seconds < 1.0 else f"About {_plain(self.seconds)}"
        about = f"{whole}: {each} on {workers}{self._fitting()}."
        return f"{about} {share}"

    def _fitting(self) -> str:
        return "; fitting the emulator comes on top" if self.emulator else ""


def forecast(scenario: Scenario, workers: int | None, known: int = 0, card: str = "") -> Forecast:
    """Forecast a search by builds drawn at random, one of which is computed for its time.

    Neither the search's own random numbers nor its ledger are touched.

    Parameters
    ----------
    scenario : Scenario
        Design variables, goals and limits.
    workers : int or None
        Processes that will share the builds; None for a cluster.
    known : int
        Builds that this search has computed before.
    card : str
        What computes the impacts, if not this processor: then no build is computed.

    Raises
    ------
    InputError
        If no build can be made; the sentence says which numbers would allow it.
    """
    space = Space(scenario)
    rows = _draw(space, _DRAWN)
    made = can_be_made(space, rows)
    builds = max(0, scenario.evaluations - known)
    start = np.array(start_rows(space), dtype=np.int64).reshape(-1, len(space.genes))
    tried, passed = (rows, made) if made.any() else (start, can_be_made(space, start))
    if not passed.any():
        tried = _draw(space, _DRAWN_BEFORE_REFUSAL)
        passed = can_be_made(space, tried)
    if not passed.any():
        raise InputError(_why_none(space, tried))
    seconds = _time(space, tried, passed) if builds and not card else 0.0
    emulator = scenario.method == "emulator"
    return Forecast(float(made.mean()), builds, seconds, workers, emulator, card)


def _draw(space: Space, count: int) -> IntArray:
    rng = np.random.default_rng(_SEED)
    return rng.integers(space.sizes, size=(count, len(space.genes)))


def _time(space: Space, rows: IntArray, made: BoolArray) -> float:
    """Compute the first build that can be made, s; twice, as the first loads machine code."""
    ball = space.decode(tuple(rows[np.argmax(made)].tolist())).ball
    assert ball is not None  # it can be made
    names, conditions = space.scenario.figures(), space.scenario.estimate_conditions()
    times = []
    for _ in range(2):
        began = time.perf_counter()
        compute_one(ball, names, conditions)
        times.append(time.perf_counter() - began)
    return min(times)


def _why_none(space: Space, rows: IntArray) -> str:
    """Name the range that no build is in, and the values that builds have."""
    left = np.ones(len(rows), dtype=bool)
    for figure, values in deciding_values(space, rows).items():
        bounds = [bound for bound in space.scenario.bounds() if bound.figure == figure]
        needed = values[left]
        left &= within(bounds, values)
        if not left.any():
            break
    else:
        names = " or ".join(repr(f.name) for f in space.scenario.fence if f.is_closed_form)
        return (
            f"scenario {space.scenario.name!r}: every build that can be made is within fence "
            f"{names}; widen the ranges of the design variables or take a fence out. None of "
            f"{len(rows):,} builds drawn at random is outside."
        )
    span = f"{float(needed.min()):.4g} to {float(needed.max()):.4g}"
    if figure == CENTRE_DIAMETER:
        need, remedy = f"the other layers leave {span} mm", "change the thicknesses"
    else:
        need, remedy = f"the builds need {span} g/cm3", "change mass_g"
    return (
        f"scenario {space.scenario.name!r}: {_range(bounds)} but {need}; widen it or {remedy}. "
        f"None of {len(rows):,} builds drawn at random can be made."
    )


def _range(bounds: list[Bound]) -> str:
    source = " and ".join(dict.fromkeys(bound.source for bound in bounds))
    if [bound.side for bound in bounds] == ["at least", "at most"]:
        return f"{source} is {bounds[0].value:g} to {bounds[1].value:g}"
    return f"{source} is {' and '.join(f'{bound.side} {bound.value:g}' for bound in bounds)}"


def _plain(seconds: float) -> str:
    """Write a time to two digits, the least being a hundredth of a second."""
    if seconds < 0.01:
        return "less than 0.01 s"
    for unit, size in (("h", 3600.0), ("min", 60.0)):
        if seconds >= 1.5 * size:
            return f"{_two_digits(seconds / size)} {unit}"
    return f"{_two_digits(seconds)} s"


def _two_digits(value: float) -> str:
    return f"{float(f'{value:.2g}'):g}"
