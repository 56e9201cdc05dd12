"""Sets of design variables whose indices are wanted, and the indices of a figure by set."""

import numpy as np

from layers.arrays import FloatArray
from optimize.scenario.space import Space
from optimize.sensitivity.result import FigureShares
from optimize.sensitivity.sobol import Design, Indices


def layers_of(space: Space) -> tuple[int, ...]:
    """Return the layers that have design variables, from 0 at the centre."""
    return tuple(dict.fromkeys(gene.layer for gene in space.genes))


def _of_layer(space: Space, layer: int) -> tuple[int, ...]:
    return tuple(i for i, gene in enumerate(space.genes) if gene.layer == layer)


def parts_of(space: Space) -> list[tuple[int, ...]]:
    """Return each variable by itself, then those of each layer that has several."""
    layers = [_of_layer(space, layer) for layer in layers_of(space)]
    return [*((i,) for i in range(len(space.genes))), *(part for part in layers if len(part) > 1)]


def figure_shares(
    name: str, space: Space, sample: Design, found: Indices, base: FloatArray
) -> FigureShares:
    """Gather the indices of a figure by variable and by layer.

    Parameters
    ----------
    name : str
        The figure.
    space : Space
        Whose parts the sample has redrawn.
    sample : Design
        The builds.
    found : Indices
        From them.
    base : array
        Values of the figure over the space, in its unit.
    """
    low, middle, high = np.quantile(base, (0.025, 0.5, 0.975))
    total = dict(zip(sample.parts, found.total, strict=True))
    return FigureShares(
        figure=name,
        low=float(low),
        middle=float(middle),
        high=float(high),
        first=found.first,
        total=found.total[: len(space.genes)],
        layers=tuple(total[_of_layer(space, layer)] for layer in layers_of(space)),
    )


def is_constant(y: FloatArray) -> bool:
    """Say whether a figure does not vary."""
    return bool(np.ptp(y) <= 1e-9 * max(1.0, float(np.abs(y).max())))
