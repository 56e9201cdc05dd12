"""Which freedom of a scenario pays for which figure: Sobol indices by an emulator of its run.

The builds that a run computed crowd where its goals are met; the indices are over the whole space.
How far the emulator can be trusted out there is part of the answer: each computed build is
predicted from the others and counts by the part of the space that lies nearest to it.
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

# The emulator rests on no more builds than this, which cover the run's evenly.
_MOST = 1000

# The emulator's checked error, as a share of a figure's variance, above which shares are doubted.
# Over random designs of 60 to 300 points (tests/benchmarks/sobol.py), the 95 % intervals of
# Ishigami's function and of the g-function held the truth in 94 to 100 % of the cases below 0.02,
# in 83 and 95 % up to 0.05, and in 83 and 99 % above, where they are wide.
DOUBTED = 0.05


@dataclass(frozen=True)
class Fresh:
    """How the emulator of the run alone did on builds drawn evenly from the space.

    Attributes
    ----------
    builds : int
        How many.
    error : float
        Its mean square error there, as a share of the variance of these builds.
    covered : float
        Share of them within their 95 % intervals.
    """

    builds: int
    error: float
    covered: float


@dataclass(frozen=True)
class FigureShares:
    """Where the spread of one figure comes from.

    Attributes
    ----------
    figure : str
        Its name.
    low, middle, high : float
        2.5, 50 and 97.5 % of the space's builds lie below, in the figure's unit.
    first, total : tuple of Index
        For each freedom: the share that it makes alone, and with all others.
    layers : tuple of Index
        For each layer that has freedoms: total of all of them together.
    error : float
        Mean square error of the emulator over the space, each build predicted from the others, as
        a share of the figure's variance.
    fresh : Fresh or None
        Its check on builds that it had not seen, where such were computed.
    """

    figure: str
    low: float
    middle: float
    high: float
    first: tuple[Index, ...]
    total: tuple[Index, ...]
    layers: tuple[Index, ...]
    error: float
    fresh: Fresh | None

    @property
    def doubted(self) -> bool:
        """Whether the emulator errs too much for the shares to be relied on."""
        return max(self.error, self.fresh.error if self.fresh else 0.0) > DOUBTED


@dataclass(frozen=True)
class Shares:
    """The answer for all figures of a run.

    Attributes
    ----------
    run : Run
        Whose builds the emulator was fitted to.
    genes : tuple of Gene
        The freedoms, centre outward.
    layers : tuple of int
        Layers that have freedoms, from 0 at the centre.
    figures : tuple of FigureShares
        Goals first, then limits, then others that are known of every build.
    constant : tuple of str
        Figures that do not vary.
    builds, fresh : int
        Builds that the emulator rests on, and how many of them were drawn evenly for it.
    makeable : float
        Share of all combinations that can be made.
    """

    run: Run
    genes: tuple[Gene, ...]
    layers: tuple[int, ...]
    figures: tuple[FigureShares, ...]
    constant: tuple[str, ...]
    builds: int
    fresh: int
    makeable: float


def shares(run: Run, known: Computed, more: Computed | None = None, sample: int = SAMPLE) -> Shares:
    """Say which freedom the spread of each figure comes from, over all builds that can be made.

    Equal input gives equal shares to the last bit.

    Parameters
    ----------
    run : Run
        A finished search.
    known : Computed
        Its builds.
    more : Computed, optional
        Further ones, drawn evenly from the space.
    sample : int
        Builds in the random sample that the emulator is asked about.

    Raises
    ------
    InputError
        If nothing is free, or fewer than 5 builds were computed.
    """
    space = Space(run.scenario)
    if not space.genes:
        raise InputError(f"{run.scenario.name!r} leaves nothing free: there is nothing to share.")
    every = known.joined(more) if more else known
    if len(every.rows) < FEWEST:
        raise InputError(f"run {run.id} has {len(every.rows)} builds; it takes at least {FEWEST}.")
    constant = tuple(name for name, y in every.values.items() if _is_constant(y))
    names = [name for name in every.values if name not in constant]
    encode = Encoding(space)
    fresh = _checked(encode, known, more, names) if more else {}
    x, values = _evenly(encode, every, names)
    emulator = fit(x, values)
    of = design(Grid(space.sizes, partial(can_be_made, space)), _parts(space), sample, seed=1)
    at = encode(of.rows.reshape(-1, len(space.genes)))  # type: ignore[arg-type]
    near, left_out = _nearest_share(x, at[:sample]), emulator.left_out()
    figures = []
    for name, y in values.items():
        drawn = emulator.draws(name, at, PAIRS, seed=1).reshape(-1, *of.rows.shape[:2])
        square_error = float(near @ (left_out[name] - y) ** 2)
        figures.append(_figure(name, of, space, drawn, square_error, fresh.get(name)))
    return Shares(
        run=run,
        genes=space.genes,
        layers=_layers(space),
        figures=tuple(figures),
        constant=constant,
        builds=len(x),
        fresh=len(more.rows) if more else 0,
        makeable=of.share,
    )


def _is_constant(y: FloatArray) -> bool:
    return bool(np.ptp(y) <= 1e-9 * max(1.0, float(np.abs(y).max())))


def _layers(space: Space) -> tuple[int, ...]:
    return tuple(dict.fromkeys(gene.layer for gene in space.genes))


def _of_layer(space: Space, layer: int) -> tuple[int, ...]:
    return tuple(i for i, gene in enumerate(space.genes) if gene.layer == layer)


def _parts(space: Space) -> list[tuple[int, ...]]:
    """Return each freedom by itself, then those of each layer that has several."""
    layers = [_of_layer(space, layer) for layer in _layers(space)]
    return [*((i,) for i in range(len(space.genes))), *(part for part in layers if len(part) > 1)]


def _figure(
    name: str,
    of: Design,
    space: Space,
    values: FloatArray,
    square_error: float,
    fresh: Fresh | None,
) -> FigureShares:
    error = square_error / float(values[:, 0].var(axis=1).mean())
    found = indices(of, values, space.sizes, error)
    low, middle, high = np.quantile(values[:, 0], (0.025, 0.5, 0.975))
    total = dict(zip(of.parts, found.total, strict=True))
    return FigureShares(
        figure=name,
        low=float(low),
        middle=float(middle),
        high=float(high),
        first=found.first,
        total=found.total[: len(space.genes)],
        layers=tuple(total[_of_layer(space, layer)] for layer in _layers(space)),
        error=error,
        fresh=fresh,
    )


def _nearest_share(x: FloatArray, sample: FloatArray) -> FloatArray:
    """Return the share of the sample that lies nearest to each build, (n,)."""
    nearest = np.argmin(cdist(sample, x, "sqeuclidean"), axis=1)
    return np.bincount(nearest, minlength=len(x)) / len(sample)


def _checked(
    encode: Encoding, known: Computed, more: Computed, names: Sequence[str]
) -> dict[str, Fresh]:
    """Predict the further builds from the run's own."""
    if len(known.rows) < FEWEST or len(more.rows) < FEWEST:
        return {}
    checks = {}
    believed = fit(*_evenly(encode, known, names)).predict(encode(more.rows))
    for name, prediction in believed.items():
        true = more.values[name]
        error = float(np.mean((prediction.value - true) ** 2) / np.var(true))
        inside = np.abs(prediction.below(true) - 0.5) <= 0.475
        checks[name] = Fresh(len(true), error, float(np.mean(inside)))
    return checks


def _evenly(
    encode: Encoding, of: Computed, names: Sequence[str]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return coordinates and figures of the builds, or of the most that are used.

    They then cover all builds: each is the farthest from those before it.
    """
    x = encode(of.rows)
    chosen, apart = [0], np.full(len(x), np.inf)
    while len(chosen) < min(_MOST, len(x)):
        apart = np.minimum(apart, np.sum((x - x[chosen[-1]]) ** 2, axis=1))
        apart[chosen[-1]] = -1.0
        chosen.append(int(np.argmax(apart)))
    kept = sorted(chosen)
    return x[kept], {name: of.values[name][kept] for name in names}
