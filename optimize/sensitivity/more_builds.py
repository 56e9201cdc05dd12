"""The builds that an emulator of a whole space rests on: a run's own, and more spread evenly."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.figures import Figure
from optimize.compute.evaluator import Evaluator
from optimize.compute.pool import computing
from optimize.ledger.ledger import Known, Ledger
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Row, Space
from optimize.search.result import Build, Interrupted, Run
from optimize.search.run import name_run

# Drawn rows that are no new builds before the space counts as used up.
_BLOCK, _STALE_BLOCKS = 64, 50


@dataclass(frozen=True)
class Computed:
    """Builds with the values of the figures that are known of all of them, (n,) each."""

    rows: tuple[Row, ...]
    values: Mapping[str, FloatArray]

    def joined(self, other: "Computed") -> "Computed":
        """Return both, these first."""
        values = {name: np.concatenate([y, other.values[name]]) for name, y in self.values.items()}
        return Computed(self.rows + other.rows, values)


def computed(run: Run, known: Mapping[str, Known]) -> Computed:
    """Gather a run's builds, with every figure that is known of all of them.

    Parameters
    ----------
    run : Run
        A finished search.
    known : mapping of str to Known
        What the ledger knows, by key.
    """
    found = [_sound(build, known) for build in run.builds]
    asked = run.scenario.figures()
    others = [name for name in (found[0] if found else ()) if name not in asked]
    names = [*asked, *sorted(name for name in others if all(name in one for one in found))]
    values = {name: np.array([one[name].value for one in found]) for name in names}
    return Computed(tuple(build.row for build in run.builds), values)


def _sound(build: Build, known: Mapping[str, Known]) -> dict[str, Figure]:
    more = known[build.key].figures if build.key in known else {}
    return {name: f for name, f in more.items() if not f.flag} | build.figures


def compute_more(
    run: Run,
    names: Sequence[str],
    count: int,
    ledger: Ledger,
    workers: int,
    tell: Callable[[int, int], None],
) -> Computed:
    """Compute builds spread evenly over the space that the run did not look at.

    The same call gives the same builds; those that stand in the ledger are not computed again.

    Parameters
    ----------
    run : Run
        A finished search.
    names : sequence of str
        Figures to compute.
    count : int
        How many builds; fewer where the space has no more.
    ledger : Ledger
        Where they are found or written.
    workers : int
        Processes that compute.
    tell : callable
        Called with how many are done, and of how many, after each.

    Raises
    ------
    Interrupted
        On Ctrl-C; what was computed is in the ledger.
    InputError
        If the run was computed by another version of the model.
    """
    model = name_run(run.scenario)[1]["model"]
    if model != run.model_version:
        raise InputError(
            f"run {run.id} was computed by model {run.model_version}, but this is {model}: "
            f"search again before more builds are added."
        )
    space = Space(run.scenario)
    rows = _spread_rows(space, [build.row for build in run.builds], count)
    balls = [space.decode(row).ball for row in rows]
    requests = [(ball, tuple(names)) for ball in balls if ball is not None]
    done = 0

    def tick(_: int, __: Known) -> None:
        nonlocal done
        done += 1
        tell(done, len(requests))

    try:
        with computing(workers, run.scenario.played()) as compute:
            found = Evaluator(ledger, compute, model_version=model).figures(requests, tick)
    except KeyboardInterrupt:
        raise Interrupted(
            f"Stopped after {done} of {len(requests)} builds; all of them are in {ledger.path}. "
            f"The same command goes on from there."
        ) from None
    sound = [i for i, one in enumerate(found) if _all_sound(one, names)]
    values = {name: np.array([found[i].figures[name].value for i in sound]) for name in names}
    return Computed(tuple(rows[i] for i in sound), values)


def _all_sound(known: Known, names: Sequence[str]) -> bool:
    return all(name in known.figures and not known.figures[name].flag for name in names)


def _spread_rows(space: Space, seen: Sequence[Row], count: int) -> list[Row]:
    """Return rows that can be made, spread over the space, none of them seen."""
    sequence = qmc.Sobol(len(space.genes), rng=np.random.default_rng([space.scenario.seed, 5]))
    taken, fresh, stale = set(seen), list[Row](), 0
    while len(fresh) < count and stale < _STALE_BLOCKS:
        rows = [space.row_of(x) for x in sequence.random(_BLOCK)]
        made = can_be_made(space, rows)
        new = [row for row, ok in zip(rows, made, strict=True) if ok and row not in taken]
        stale = 0 if new else stale + 1
        taken.update(new)
        fresh += dict.fromkeys(new)
    return fresh[:count]
