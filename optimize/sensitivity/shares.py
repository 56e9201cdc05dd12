"""Global sensitivities of a scenario: Sobol indices by an emulator fitted to a run's builds.

A run's builds cluster where its goals are met; the indices are over the whole space. So the
emulator's error over the space is part of the answer: each computed build is predicted from the
others, weighted by the part of the space nearest to it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.spatial.distance import cdist

from layers.arrays import FloatArray
from layers.errors import InputError
from optimize.emulator.encoding import Encoding
from optimize.emulator.gaussian import FEWEST, fit
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Gene, Space
from optimize.search.result import Run
from optimize.sensitivity.more_builds import Computed
from optimize.sensitivity.sobol import Design, Grid, Index, design, indices

# Random builds of the sample, and pairs of functions drawn from the emulator.
SAMPLE, PAIRS = 8192, 32

# The emulator is fitted to at most so many builds, spread evenly over the run's.
_MOST = 1000

# The emulator's error, as a share of a figure's variance, above which indices are unreliable. Over
# random designs of 60 to 300 points (tests/benchmarks/sobol.py), the 95 % intervals of
# Ishigami's function and of the g-function held the truth in 94 to 100 % of the cases below 0.02,
# in 83 and 95 % up to 0.05, and in 83 and 99 % above, where they are wide.
LARGEST_ERROR = 0.05


@dataclass(frozen=True)
class Validation:
    """Test of the emulator of the run alone on further builds, spread over the space.

    Attributes
    ----------
    builds : int
        Number of these builds.
    error : float
        Mean square error there, as a share of the variance of these builds.
    covered : float
        Share of them within their 95 % intervals.
    """

    builds: int
    error: float
    covered: float


@dataclass(frozen=True)
class FigureShares:
    """Sobol indices of one figure.

    Attributes
    ----------
    figure : str
        Its name.
    low, middle, high : float
        Quantiles 2.5, 50 and 97.5 % over the space, in the figure's unit.
    first, total : tuple of Index
        First-order and total index of each design variable.
    layers : tuple of Index
        Total index of all design variables of each layer that has any.
    error : float
        Leave-one-out mean square error of the emulator over the space, as a share of the figure's
        variance.
    validation : Validation or None
        Its test on further builds, where such were computed.
    """

    figure: str
    low: float
    middle: float
    high: float
    first: tuple[Index, ...]
    total: tuple[Index, ...]
    layers: tuple[Index, ...]
    error: float
    validation: Validation | None

    @property
    def unreliable(self) -> bool:
        """Whether the emulator's error is too large for the indices to be used."""
        return max(self.error, self.validation.error if self.validation else 0.0) > LARGEST_ERROR


@dataclass(frozen=True)
class Shares:
    """Sobol indices of all figures of a run.

    Attributes
    ----------
    run : Run
        The run whose builds the emulator is fitted to.
    genes : tuple of Gene
        The design variables, centre outward.
    layers : tuple of int
        Layers that have design variables, from 0 at the centre.
    figures : tuple of FigureShares
        Goals first, then limits, then others that are known of every build.
    constant : tuple of str
        Figures that do not vary.
    builds, added : int
        Builds that the emulator is fitted to, and how many of them were computed for it.
    makeable : float
        Share of all combinations that can be made.
    """

    run: Run
    genes: tuple[Gene, ...]
    layers: tuple[int, ...]
    figures: tuple[FigureShares, ...]
    constant: tuple[str, ...]
    builds: int
    added: int
    makeable: float


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
    constant = tuple(name for name, y in every.values.items() if _is_constant(y))
    names = [name for name in every.values if name not in constant]
    encode = Encoding(space)
    validations = _validated(encode, own, more, names) if more else {}
    x, values = _evenly(encode, every, names)
    emulator = fit(x, values)
    grid = Grid(space.sizes, partial(can_be_made, space))
    drawn = design(grid, _parts(space), sample, seed=1)
    at = encode(drawn.rows.reshape(-1, len(space.genes)))  # type: ignore[arg-type]
    near, left_out = _nearest_share(x, at[:sample]), emulator.left_out()
    figures = []
    for name, y in values.items():
        y_drawn = emulator.draws(name, at, PAIRS, seed=1).reshape(-1, *drawn.rows.shape[:2])
        square_error = float(near @ (left_out[name] - y) ** 2)
        figures.append(_figure(name, drawn, space, y_drawn, square_error, validations.get(name)))
    return Shares(
        run=run,
        genes=space.genes,
        layers=_layers(space),
        figures=tuple(figures),
        constant=constant,
        builds=len(x),
        added=len(more.rows) if more else 0,
        makeable=drawn.share,
    )


def _is_constant(y: FloatArray) -> bool:
    return bool(np.ptp(y) <= 1e-9 * max(1.0, float(np.abs(y).max())))


def _layers(space: Space) -> tuple[int, ...]:
    return tuple(dict.fromkeys(gene.layer for gene in space.genes))


def _of_layer(space: Space, layer: int) -> tuple[int, ...]:
    return tuple(i for i, gene in enumerate(space.genes) if gene.layer == layer)


def _parts(space: Space) -> list[tuple[int, ...]]:
    """Return each variable by itself, then those of each layer that has several."""
    layers = [_of_layer(space, layer) for layer in _layers(space)]
    return [*((i,) for i in range(len(space.genes))), *(part for part in layers if len(part) > 1)]


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
    low, middle, high = np.quantile(values[:, 0], (0.025, 0.5, 0.975))
    total = dict(zip(sample.parts, found.total, strict=True))
    return FigureShares(
        figure=name,
        low=float(low),
        middle=float(middle),
        high=float(high),
        first=found.first,
        total=found.total[: len(space.genes)],
        layers=tuple(total[_of_layer(space, layer)] for layer in _layers(space)),
        error=error,
        validation=validation,
    )


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
    predictions = fit(*_evenly(encode, own, names)).predict(encode(more.rows))
    for name, prediction in predictions.items():
        true = more.values[name]
        error = float(np.mean((prediction.value - true) ** 2) / np.var(true))
        inside = np.abs(prediction.below(true) - 0.5) <= 0.475
        validations[name] = Validation(len(true), error, float(np.mean(inside)))
    return validations


def _evenly(
    encode: Encoding, builds: Computed, names: Sequence[str]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return coordinates and figures of the builds, of at most `_MOST`.

    These are spread over all: each is the farthest from those before it.
    """
    x = encode(builds.rows)
    chosen, distance = [0], np.full(len(x), np.inf)
    while len(chosen) < min(_MOST, len(x)):
        distance = np.minimum(distance, np.sum((x - x[chosen[-1]]) ** 2, axis=1))
        distance[chosen[-1]] = -1.0
        chosen.append(int(np.argmax(distance)))
    kept = sorted(chosen)
    return x[kept], {name: builds.values[name][kept] for name in names}
