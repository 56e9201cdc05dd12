"""Tolerance: the effect of a process's scatter on every figure of a build.

Mass, inertia, diameters, thicknesses and balance of every drawn piece are closed forms. Figures of
finite elements are drawn from a quadratic in every diameter, density and modulus, fitted to four
pieces along each, and in every loss, dynamic modulus ratio and friction that they depend on, fitted
to two; its error is measured on fresh pieces, computed in full.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import SolverError
from layers.estimates import Estimate, Figure
from layers.estimation import estimate
from layers.figures import BALL_FIGURES, canonical, parse_figure
from optimize.lab.scatter import Scatter
from optimize.tolerance.exact import (
    BALANCE,
    THICKNESS,
    balance_of,
    closed_form,
    is_balance,
    is_exact,
    pieces_of,
    thickness_of,
)
from optimize.tolerance.pieces import (
    Draws,
    Source,
    check_walls,
    draw,
    eccentricity_of,
    kinds_for,
    piece,
    sources_of,
)
from optimize.tolerance.surrogate import Surrogate, fit

Mapper = Callable[..., Iterable[Any]]


# Fresh pieces, computed in full.
CHECKS = 20

# All steps that a source may be fitted at.
_STEPS = (-2.0, -1.0, 1.0, 2.0)


@dataclass(frozen=True)
class Study:
    """A build, its scatter, and the surrogate of its figures.

    Attributes
    ----------
    ball, scatter : Ball, Scatter
        The build and the process.
    sources : tuple of Source
        What scatters, besides concentricity.
    concentricity : (n - 1,) array
        Standard deviation of each body's eccentricity along each axis, m.
    nominal : dict of str to Figure
        The build's own figures.
    surrogate : Surrogate
        Of all computed figures; of closed forms only for the shares of variance.
    check_error : dict of str to float
        Root mean square of surrogate less finite elements over fresh pieces, in the figure's unit.
    failed : dict of str to str
        Figures that could not be computed for some piece, and why.
    """

    ball: Ball
    scatter: Scatter
    sources: tuple[Source, ...]
    concentricity: FloatArray
    nominal: Mapping[str, Figure]
    surrogate: Surrogate
    check_error: Mapping[str, float]
    failed: Mapping[str, str]


def study(
    ball: Ball,
    figures: Sequence[str] = BALL_FIGURES,
    scatter: Scatter | None = None,
    seed: int = 0,
    mapper: Mapper = map,
) -> Study:
    """Compute pieces of a build and fit the surrogate of its figures.

    Parameters
    ----------
    ball : Ball
        The build.
    figures : sequence of str
        Names of figures, also of stages and swings; balance is always included.
    scatter : Scatter, optional
        By default common practice.
    seed : int
        Of the fresh pieces that check the surrogate.
    mapper : callable
        ``map`` or an executor's ``map``; results do not depend on it.

    Raises
    ------
    InputError
        If a figure is unknown or the scatter is too wide for a layer.
    """
    scatter = scatter or Scatter()
    names = tuple(canonical(n for n in figures if not is_balance(n)))
    sources = sources_of(ball, scatter, kinds_for(names))
    concentricity = eccentricity_of(ball, scatter)
    check_walls(ball, sources, concentricity)
    step = np.array([s.step for s in sources])
    rows = np.diag(step)
    along = [k * rows[i] for k in _STEPS for i, s in enumerate(sources) if k in s.fitted]
    design = np.vstack([np.zeros(len(sources)), *along])
    fresh = draw(sources, concentricity, CHECKS, np.random.default_rng([seed, 1])).move
    found = compute(ball, sources, np.vstack([design, fresh]), names, mapper)
    failed = {name: why for e in found for name, why in e.failed.items()}
    kept = tuple(name for name in names if name not in failed)
    values = np.array([[e.figures[name].value for name in kept] for e in found])
    surrogate = fit(kept, step, design, values[: len(design)])
    wrong = surrogate(fresh) - values[len(design) :]
    error = {
        name: 0.0 if is_exact(name) else float(np.sqrt(np.mean(wrong[:, i] ** 2)))
        for i, name in enumerate(kept)
    }
    nominal = {name: found[0].figures[name] for name in kept}
    return Study(ball, scatter, sources, concentricity, nominal, surrogate, error, failed)


def with_levels(found: Study, figures: Mapping[str, Figure]) -> Study:
    """Return a study whose figures have other levels: a calibration's values and errors.

    Parameters
    ----------
    found : Study
        Of the build with calibrated cards.
    figures : mapping of str to Figure
        Its figures corrected by the calibration; the surrogate is scaled to their values.
    """
    names = found.surrogate.names
    factor = np.array([figures[n].value / found.nominal[n].value or 1.0 for n in names])
    surrogate = replace(
        found.surrogate,
        constant=found.surrogate.constant * factor,
        linear=found.surrogate.linear * factor,
        square=found.surrogate.square * factor,
    )
    by = dict(zip(names, factor, strict=True))
    error = {name: float(e * by[name]) for name, e in found.check_error.items()}
    nominal = {name: figures[name] for name in names}
    return replace(found, nominal=nominal, surrogate=surrogate, check_error=error)


def compute(
    ball: Ball,
    sources: Sequence[Source],
    moves: FloatArray,
    names: Sequence[str],
    mapper: Mapper = map,
) -> list[Estimate]:
    """Estimate pieces in full, in order.

    Parameters
    ----------
    ball : Ball
        The build.
    sources : sequence of Source
        What scatters.
    moves : (s, sources) array
        Deviation of each piece, in each source's measure.
    names : sequence of str
        Figures.
    mapper : callable
        ``map`` or an executor's ``map``.
    """
    balls = [piece(ball, sources, move) for move in moves]
    # Slopes are differences of figures.
    exact = partial(estimate, conditions=Conditions().in_double())
    return list(mapper(exact, balls, [tuple(names)] * len(balls)))


def deviation_of(values: FloatArray) -> float:
    """Return the standard deviation; 0 where values differ by rounding only."""
    least = 1e-12 * float(np.abs(values).max())
    deviation = float(values.std(ddof=1))
    return deviation if deviation > least else 0.0


def values_of(found: Study, draws: Draws, names: Sequence[str]) -> dict[str, FloatArray]:
    """Figures of drawn pieces, (s,) each, in their units.

    Parameters
    ----------
    found : Study
        The build and its surrogate.
    draws : Draws
        The pieces.
    names : sequence of str
        Figures.

    Raises
    ------
    SolverError
        If a figure could not be computed.
    InputError
        If a thickness is of a layer that does not exist.
    """
    for name in names:
        if name in found.failed:
            raise SolverError(f"{name} of {found.ball.name} failed: {found.failed[name]}")
    modelled = [name for name in names if not is_exact(name)]
    columns = found.surrogate.only(modelled)(draws.move).T if modelled else ()
    fitted = dict(zip(modelled, columns, strict=True))
    balance: dict[str, FloatArray] = {}
    if any(name in BALANCE for name in names):
        balance = balance_of(found.ball, found.sources, draws)
    values = {}
    for name in names:
        if name in BALANCE:
            values[name] = balance[name]
        elif THICKNESS.fullmatch(name):
            values[name] = thickness_of(found.ball, found.sources, draws, name)
        elif is_exact(name):
            parsed = parse_figure(name)
            count = parsed.stage or len(found.ball.layer)
            values[name] = closed_form(
                pieces_of(found.ball, found.sources, draws.move, count), parsed
            )
        else:
            values[name] = fitted[name]
    return values
