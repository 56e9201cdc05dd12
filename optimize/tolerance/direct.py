"""Figures of drawn pieces computed piece by piece, where a graphics card makes that quick.

The error of the surrogate comes with it: over all pieces, not over a few fresh ones.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from layers.ball import Ball
from layers.errors import SolverError
from layers.estimates import Estimate
from layers.figures import QUANTITIES, parse_figure
from optimize.tolerance.exact import is_balance
from optimize.tolerance.pass_rates import draws_of
from optimize.tolerance.pieces import piece
from optimize.tolerance.study import Direct, Study

# As `optimize.compute` provides it.
Compute = Callable[[Sequence[tuple[Ball, tuple[str, ...]]]], Iterable[tuple[int, Estimate]]]


def of_swings(names: Sequence[str]) -> tuple[str, ...]:
    """Return the figures that rest on an impact on a club."""
    asked = [name for name in names if not is_balance(name)]
    return tuple(n for n in asked if QUANTITIES[parse_figure(n).quantity].of != "body")


def computed(found: Study, samples: int, seed: int, compute: Compute) -> Study:
    """Compute the figures of swings of every piece that will be drawn.

    Parameters
    ----------
    found : Study
        The build, its scatter and the surrogate.
    samples, seed : int
        Of the pieces, as `optimize.tolerance.pass_rates.tolerance` draws them.
    compute : callable
        Takes requests (ball, names); yields (index, estimate), in any order.

    Returns
    -------
    Study
        With these pieces' own figures in place of the surrogate's, and the surrogate's error
        against them.

    Raises
    ------
    SolverError
        If a figure of a piece could not be computed.
    """
    names = of_swings(found.surrogate.names)
    if not names:
        return found
    moves = draws_of(found, samples, seed).move
    requests = [(piece(found.ball, found.sources, move), names) for move in moves]
    values = np.empty((samples, len(names)))
    for i, estimate in compute(requests):
        if estimate.failed:
            name, why = next(iter(estimate.failed.items()))
            raise SolverError(f"{name} of a piece of {found.ball.name} failed: {why}")
        values[i] = [estimate.figures[name].value for name in names]
    wrong = found.surrogate.only(names)(moves) - values
    error = np.sqrt(np.mean(wrong**2, axis=0))
    direct = Direct(moves, dict(zip(names, values.T, strict=True)))
    measured = dict(zip(names, error.tolist(), strict=True))
    return replace(found, direct=direct, check_error={**found.check_error, **measured})
