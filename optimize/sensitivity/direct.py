"""Sobol indices by computation: every build of an even sample of the space is computed."""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from layers.arrays import BoolArray, FloatArray, IntArray
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Figure
from layers.estimation import estimate
from optimize.compute.card import OnCard
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.first_call import compile_ahead
from optimize.compute.one import Elsewhere
from optimize.compute.pool import computing
from optimize.compute.sharing import PART, Done, in_parts
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Row, Space
from optimize.search.result import Interrupted
from optimize.sensitivity.parts import figure_shares, is_constant, layers_of, parts_of
from optimize.sensitivity.result import Direct, FigureShares, Shares
from optimize.sensitivity.sequence import computed_indices, sequence_design
from optimize.sensitivity.sobol import Design, Grid

# Fewest random builds to compute, and to be left of a figure where some lack it; builds of a part
# where there is no card.
FEWEST, FEWEST_LEFT, _PART_HERE = 128, 64, 64


@dataclass(frozen=True)
class Plan:
    """The builds to compute.

    Attributes
    ----------
    space : Space
        All builds.
    sample : Design
        Those that the indices are from.
    rows : tuple of Row
        The different ones among them.
    places : (n,) array of int
        Which of these each of the sample is, in the sample's order.
    """

    space: Space
    sample: Design
    rows: tuple[Row, ...]
    places: IntArray


def planned(scenario: Scenario, count: int) -> Plan:
    """Draw the builds; the same call draws the same.

    Parameters
    ----------
    scenario : Scenario
        The space, and the seed.
    count : int
        Random builds; each design variable, and each layer with several, adds as many redrawn.

    Raises
    ------
    InputError
        If they are too few, nothing varies, or hardly any build can be made.
    """
    space = Space(scenario)
    if not space.genes:
        raise InputError(f"{scenario.name!r} has no design variables: nothing varies.")
    if count < FEWEST:
        raise InputError(f"{count} builds are too few for indices; at least {FEWEST} are needed.")
    grid = Grid(space.sizes, partial(can_be_made, space))
    sample = sequence_design(grid, parts_of(space), count, scenario.seed)
    # By the middle of its cell, a row's idle genes become 0: builds of equal rows are equal.
    drawn = [space.row_of(x) for x in (sample.rows.reshape(-1, grid.sizes.size) + 0.5) / grid.sizes]
    order = {row: k for k, row in enumerate(dict.fromkeys(drawn))}
    return Plan(space, sample, tuple(order), np.array([order[row] for row in drawn]))


def seconds_a_build(plan: Plan, names: Sequence[str], conditions: Conditions | None) -> float:
    """Return how long this processor takes for figures of a build, by trying one.

    Parameters
    ----------
    plan : Plan
        Whose first build is tried.
    names : sequence of str
        The figures.
    conditions : Conditions or None
        As of `direct_shares`.
    """
    ball = plan.space.decode(plan.rows[0]).ball
    if ball is None or not names:
        return 0.0
    compile_ahead(names, (conditions or Conditions()).precision)
    estimate(ball, tuple(names), conditions)  # loads what is compiled
    began = time.perf_counter()
    estimate(ball, tuple(names), conditions)
    return time.perf_counter() - began


def direct_shares(
    plan: Plan,
    names: Sequence[str],
    ledger: Ledger,
    workers: int | Elsewhere,
    conditions: Conditions | None,
    report: Callable[[int, int], None],
) -> Shares:
    """Compute every build and from them the indices of each figure.

    Equal calls give equal indices to the last bit; what the ledger has is not computed again.

    Parameters
    ----------
    plan : Plan
        The builds.
    names : sequence of str
        Figures.
    ledger : Ledger
        Where they are found or written.
    workers : int, Cluster or OnCard
        What computes.
    conditions : Conditions or None
        The scenario's, with the precision wanted.
    report : callable
        Called with the builds done and in all.

    Raises
    ------
    Interrupted
        On Ctrl-C; what was computed is in the ledger, and the same call goes on from there.
    InputError
        If every figure is lacking for too many builds.
    """
    values, reused = _computed(plan, names, ledger, workers, conditions, report)
    whole = {name: _whole(y) for name, y in values.items()}
    enough = [name for name, ok in whole.items() if np.count_nonzero(ok) >= FEWEST_LEFT]
    if not enough:
        raise InputError(
            f"no figure could be computed for {FEWEST_LEFT} of {len(plan.sample.rows[0])} random "
            f"builds and all that is redrawn of them: {', '.join(names)}."
        )
    constant = [name for name in enough if is_constant(values[name][:, whole[name]])]
    varying = [name for name in enough if name not in constant]
    direct = Direct(
        device=workers.devices[0].name if isinstance(workers, OnCard) else "this processor",
        precision=(conditions or Conditions()).precision,
        sample=plan.sample,
        values=values,
        lost={name: int(np.count_nonzero(~ok)) for name, ok in whole.items()},
        distinct=len(plan.rows),
        reused=reused,
    )
    return Shares(
        scenario=plan.space.scenario,
        run="",
        model_version=model_version_under(conditions, workers),
        genes=plan.space.genes,
        layers=layers_of(plan.space),
        figures=tuple(_figure(plan, name, values[name], whole[name]) for name in varying),
        constant=tuple(constant),
        builds=len(plan.rows),
        added=0,
        makeable=plan.sample.share,
        direct=direct,
    )


def _computed(
    plan: Plan,
    names: Sequence[str],
    ledger: Ledger,
    workers: int | Elsewhere,
    conditions: Conditions | None,
    report: Callable[[int, int], None],
) -> tuple[dict[str, FloatArray], int]:
    """Return each figure at the sample's builds, (1 + parts, n); and how many the ledger had."""
    found = np.full((len(plan.rows), len(names)), np.nan)
    done = reused = 0
    try:
        for part in _parts(plan, names, ledger, workers, conditions):
            found[done : done + len(part.found)] = part.found
            done, reused = done + len(part.found), reused + part.reused
            report(done, len(plan.rows))
    except KeyboardInterrupt:
        raise Interrupted(
            f"Stopped after {done} of {len(plan.rows)} builds; what was computed is in "
            f"{ledger.path}. The same command goes on from there."
        ) from None
    shape = plan.sample.rows.shape[:2]
    of_sample = found[plan.places].T.reshape(-1, *shape)
    return dict(zip(names, of_sample, strict=True)), reused


def _parts(
    plan: Plan,
    names: Sequence[str],
    ledger: Ledger,
    workers: int | Elsewhere,
    conditions: Conditions | None,
) -> Iterator[Done]:
    """Compute the plan's builds a part at a time, in order."""
    work = partial(_values, plan.space.scenario, tuple(names))
    size = PART if isinstance(workers, OnCard) else _PART_HERE
    parts = [plan.rows[i : i + size] for i in range(0, len(plan.rows), size)]
    if isinstance(workers, OnCard):
        yield from in_parts(workers, conditions, ledger, work, parts)
        return
    version = model_version_under(conditions, workers)
    with computing(workers, conditions) as compute:
        for part in parts:
            evaluator = Evaluator(ledger, compute, version, conditions)
            yield Done(work(evaluator, part), [], evaluator.reused, evaluator.computed)


def _values(
    scenario: Scenario, names: tuple[str, ...], evaluator: Evaluator, rows: Sequence[Row]
) -> FloatArray:
    """Return figures of builds, NaN where one failed or is flagged, (n, names)."""
    space = Space(scenario)
    balls = [space.decode(row).ball for row in rows]
    known = iter(evaluator.figures([(ball, names) for ball in balls if ball is not None]))
    values = np.full((len(rows), len(names)), np.nan)
    for i, ball in enumerate(balls):
        if ball is not None:
            figures = next(known).figures
            values[i] = [_sound(figures.get(name)) for name in names]
    return values


def _sound(figure: Figure | None) -> float:
    return np.nan if figure is None or figure.flag else figure.value


def _whole(y: FloatArray) -> BoolArray:
    """Say which random builds have a figure, and all that is redrawn of them too."""
    return np.asarray(np.isfinite(y).all(axis=0))


def _figure(plan: Plan, name: str, y: FloatArray, whole: BoolArray) -> FigureShares:
    """Estimate the indices of a figure; a build that lacks it takes those redrawn of it along."""
    sample = Design(plan.sample.rows[:, whole], plan.sample.parts, plan.sample.share)
    found = computed_indices(sample, y[:, whole], plan.space.sizes, plan.space.scenario.seed)
    return figure_shares(name, plan.space, sample, found, y[0, whole])
