"""The builds that an emulator of a whole space is fitted to: a run's own, and more."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.estimates import Figure
from optimize.compute.evaluator import Evaluator
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Row, Space
from optimize.search.result import Build, Interrupted, Run
from optimize.search.run import name_run

# Blocks of drawn rows without a new build before the space counts as used up.
_BLOCK, _STALE_BLOCKS = 64, 50


@dataclass(frozen=True)
class Computed:
    """Builds with the figures that are known of all of them, (n,) each."""

    rows: tuple[Row, ...]
    values: Mapping[str, FloatArray]

    def joined(self, other: "Computed") -> "Computed":
        """Return both, these first."""
        values = {name: np.concatenate([y, other.values[name]]) for name, y in self.values.items()}
        return Computed(self.rows + other.rows, values)


def computed(run: Run, known: Mapping[str, Known]) -> Computed:
    """Collect a run's builds, with every figure that is known of all of them.

    Parameters
    ----------
    run : Run
        A finished search.
    known : mapping of str to Known
        Figures in the ledger, by key.
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
    report: Callable[[int, int], None],
) -> Computed:
    """Compute further builds, spread over the space and not among the run's.

    The same call gives the same builds; those in the ledger are not computed again.

    Parameters
    ----------
    run : Run
        A finished search.
    names : sequence of str
        Figures to compute.
    count : int
        Number of builds; fewer where the space has no more.
    ledger : Ledger
        Where they are found or written.
    workers : int
        Processes that compute.
    report : callable
        Called after each build with the numbers done and in all.

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
    requests = [(b, tuple(names)) for row in rows if (b := space.decode(row).ball) is not None]
    evaluator = Evaluator(ledger, None, model_version=model)

    def tick(_: int, __: Known) -> None:
        report(evaluator.reused + evaluator.computed, len(requests))

    try:
        with computing(workers, run.scenario.estimate_conditions()) as evaluator.compute:
            found = evaluator.figures(requests, tick)
    except KeyboardInterrupt:
        done = evaluator.reused + evaluator.computed
        raise Interrupted(
            f"Stopped after {done} of {len(requests)} builds; all of them are in {ledger.path}. "
            f"The same command resumes from there."
        ) from None
    sound = [i for i, one in enumerate(found) if _all_sound(one, names)]
    values = {name: np.array([found[i].figures[name].value for i in sound]) for name in names}
    return Computed(tuple(rows[i] for i in sound), values)


def _all_sound(known: Known, names: Sequence[str]) -> bool:
    return all(name in known.figures and not known.figures[name].flag for name in names)


def _spread_rows(space: Space, seen: Sequence[Row], count: int) -> list[Row]:
    """Return rows that can be made, spread over the space, none of them in the run."""
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
