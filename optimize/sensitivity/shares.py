"""Global sensitivities of a scenario: Sobol indices by an emulator fitted to a run's builds.

A run's builds cluster where its goals are met; the indices are over the whole space. So the
emulator's error over the space is part of the answer: each computed build is predicted from the
others, weighted by the part of the space nearest to it.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from scipy.spatial.distance import cdist

from layers.arrays import FloatArray
from layers.errors import InputError
from optimize.emulator.encoding import Encoding
from optimize.emulator.gaussian import FEWEST, fit
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Space
from optimize.search.result import Run
from optimize.sensitivity.more_builds import Computed
from optimize.sensitivity.parts import figure_shares, is_constant, layers_of, parts_of
from optimize.sensitivity.result import FigureShares, Shares, Validation
from optimize.sensitivity.sobol import Design, Grid, design, indices

# Random builds of the sample, and pairs of functions drawn from the emulator.
SAMPLE, PAIRS = 8192, 32

# The emulator is fitted to at most so many builds, spread evenly over the run's.
_MOST = 1000


def shares(run: Run, own: Computed, more: Computed | None = None, sample: int = SAMPLE) -> Shares:
    """Compute Sobol indices of each figure over all builds that can be made.

    Equal input gives equal indices to the last bit.

    Parameters
    ----------
    run : Run
        A finished search.
    own : Computed
        Its builds.
    more : Computed, optional
        Further builds, spread over the space.
    sample : int
        Builds in the random sample at which the emulator is evaluated.

    Raises
    ------
    InputError
        If there are no design variables, or fewer than 5 builds.
    """
    space = Space(run.scenario)
    if not space.genes:
        raise InputError(f"{run.scenario.name!r} has no design variables: nothing varies.")
    every = own.joined(more) if more else own
    if len(every.rows) < FEWEST:
        raise InputError(
            f"run {run.id} has {len(every.rows)} builds; at least {FEWEST} are needed."
        )
    constant = tuple(name for name, y in every.values.items() if is_constant(y))
    names = [name for name in every.values if name not in constant]
    encode = Encoding(space)
    validations = _validated(encode, own, more, names) if more else {}
    x, values = evenly(encode, every, names)
    emulator = fit(x, values)
    grid = Grid(space.sizes, partial(can_be_made, space))
    drawn = design(grid, parts_of(space), sample, seed=1)
    at = encode(drawn.rows.reshape(-1, len(space.genes)))  # type: ignore[arg-type]
    near, left_out = _nearest_share(x, at[:sample]), emulator.left_out()
    figures = []
    for name, y in values.items():
        y_drawn = emulator.draws(name, at, PAIRS, seed=1).reshape(-1, *drawn.rows.shape[:2])
        square_error = float(near @ (left_out[name] - y) ** 2)
        figures.append(_figure(name, drawn, space, y_drawn, square_error, validations.get(name)))
    return Shares(
        scenario=run.scenario,
        run=run.id,
        model_version=run.model_version,
        genes=space.genes,
        layers=layers_of(space),
        figures=tuple(figures),
        constant=constant,
        builds=len(x),
        added=len(more.rows) if more else 0,
        makeable=drawn.share,
    )


def _figure(
    name: str,
    sample: Design,
    space: Space,
    values: FloatArray,
    square_error: float,
    validation: Validation | None,
) -> FigureShares:
    error = square_error / float(values[:, 0].var(axis=1).mean())
    found = indices(sample, values, space.sizes, error)
    shared = figure_shares(name, space, sample, found, values[:, 0])
    return replace(shared, error=error, validation=validation)


def _nearest_share(x: FloatArray, sample: FloatArray) -> FloatArray:
    """Return the share of the sample that lies nearest to each build, (n,)."""
    nearest = np.argmin(cdist(sample, x, "sqeuclidean"), axis=1)
    return np.bincount(nearest, minlength=len(x)) / len(sample)


def _validated(
    encode: Encoding, own: Computed, more: Computed, names: Sequence[str]
) -> dict[str, Validation]:
    """Predict the further builds from the run's own."""
    if len(own.rows) < FEWEST or len(more.rows) < FEWEST:
        return {}
    validations = {}
    predictions = fit(*evenly(encode, own, names)).predict(encode(more.rows))
    for name, prediction in predictions.items():
        true = more.values[name]
        error = float(np.mean((prediction.value - true) ** 2) / np.var(true))
        inside = np.abs(prediction.below(true) - 0.5) <= 0.475
        validations[name] = Validation(len(true), error, float(np.mean(inside)))
    return validations


def evenly(
    encode: Encoding, builds: Computed, names: Sequence[str]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return coordinates and figures of the builds that an emulator is fitted to.

    At most 1,000, spread over all: each is the farthest from those before it.

    Parameters
    ----------
    encode : Encoding
        Of the space.
    builds : Computed
        All that there are.
    names : sequence of str
        Figures.
    """
    x = encode(builds.rows)
    chosen, distance = [0], np.full(len(x), np.inf)
    while len(chosen) < min(_MOST, len(x)):
        distance = np.minimum(distance, np.sum((x - x[chosen[-1]]) ** 2, axis=1))
        distance[chosen[-1]] = -1.0
        chosen.append(int(np.argmax(distance)))
    kept = sorted(chosen)
    return x[kept], {name: builds.values[name][kept] for name in names}
