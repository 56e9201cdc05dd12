"""A row of the space -> coordinates in which its figures are smooth.

A search steps through choices; the emulator needs to know which choices are similar. Each layer is
described by what its physics depends on: its thickness, the logarithms of its modulus (stiffness
acts by ratios) and of its profile's contrast and shape, its density, and for a choice of materials
the few directions in which their cards differ. An absent layer has zero thickness, so that builds
with different numbers of layers share one space and a thin layer is close to an absent one.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from layers.arrays import FloatArray
from layers.flight.regions import middles
from layers.materials import Material
from optimize.scenario.space import Gene, Row, Space

# Cards are compared at the time scale of a strike: half a period of about 0.45 ms.
_ANGULAR_FREQUENCY = math.pi / 0.45e-3

# Directions in which cards differ by less than this share of their spread are dropped.
_SMALLEST_SHARE = 1e-3


@dataclass(frozen=True)
class Encoding:
    """The coordinates of a space's builds.

    Attributes
    ----------
    space : Space
        The builds.
    """

    space: Space

    @cached_property
    def _tables(self) -> tuple[FloatArray, ...]:
        """For each gene the coordinates of each of its values, (values, k)."""
        return tuple(self._table(gene) for gene in self.space.genes)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Name of each coordinate, (d,)."""
        return tuple(
            f"{self.space.scenario.layer[gene.layer].role}: {gene.what}"
            + (f" {k + 1}" if table.shape[1] > 1 else "")
            for gene, table in zip(self.space.genes, self._tables, strict=True)
            for k in range(table.shape[1])
        )

    def __call__(self, rows: Sequence[Row]) -> FloatArray:
        """Return the coordinates of builds, each from about 0 to 1.

        Parameters
        ----------
        rows : sequence of tuple of int
            Rows of the space.

        Returns
        -------
        (n, d) array
        """
        chosen = np.array(rows, dtype=np.int64).reshape(len(rows), len(self.space.genes))
        present = self._present(chosen)
        columns = []
        for i, (gene, table) in enumerate(zip(self.space.genes, self._tables, strict=True)):
            values = table[chosen[:, i]]
            if gene.what == "dimple_pattern":  # dimples are there whatever layers are
                columns.append(values)
                continue
            absent = self._absent(gene, table)
            columns.append(np.where(present[:, gene.layer, None], values, absent))
        return np.hstack([np.zeros((len(rows), 0)), *columns])

    def _present(self, chosen: np.typing.NDArray[np.int64]) -> np.typing.NDArray[np.bool_]:
        """Say which layers each build has, (n, layers)."""
        present = np.ones((len(chosen), len(self.space.scenario.layer)), dtype=bool)
        for i, gene in enumerate(self.space.genes):
            if gene.what == "present":
                present[:, gene.layer] = np.array(gene.values)[chosen[:, i]]
        return present

    def _absent(self, gene: Gene, table: FloatArray) -> FloatArray:
        """Return the coordinates of a gene whose layer is absent: no thickness, all else mean."""
        if gene.what == "thickness_mm":
            return np.array([_scaled(0.0, gene.values)])
        if gene.what == "present":
            return np.asarray(table[0])
        return np.asarray(table.mean(axis=0))

    def _table(self, gene: Gene) -> FloatArray:
        if gene.what == "present":
            varies = [g.what for g in self.space.genes if g.layer == gene.layer]
            # A thickness that varies encodes it: an absent layer has none.
            return np.zeros((2, 0)) if "thickness_mm" in varies else np.array([[0.0], [1.0]])
        if gene.what == "material":
            return self._materials(gene)
        if gene.what == "dimple_pattern":
            return self._patterns(gene)
        by_ratio = gene.what in ("youngs_modulus_mpa", "surface_over_centre", "shape")
        values = np.log(gene.values) if by_ratio else np.array(gene.values)
        return np.asarray(_scaled(values, values))[:, None]

    def _patterns(self, gene: Gene) -> FloatArray:
        """Return the principal directions in which patterns' drag and lift differ, (patterns, k).

        They are compared where golf balls fly; a difference of 0.1 counts as far.
        """
        laws = self.space.scenario.pattern_laws()
        reynolds, spin_ratio = middles().T
        found = [laws[name](reynolds, spin_ratio) for name in gene.values]
        return _directions(10.0 * np.array([np.concatenate([c.drag, c.lift]) for c in found]))

    def _materials(self, gene: Gene) -> FloatArray:
        """Return the principal directions in which a layer's cards differ, (cards, k).

        Numbers that the scenario sets itself are omitted; each other one is scaled by its spread.
        """
        variables = self.space.scenario.layer[gene.layer]
        cards = {card.name: card for card in self.space.scenario.material}
        fill = self.space.scenario.fill
        filled = fill is not None and fill.layer - 1 == gene.layer
        outermost = gene.layer == len(self.space.scenario.layer) - 1
        chosen = [cards[name] for name in gene.values]
        if variables.youngs_modulus_mpa is not None:  # what follows the modulus is no card's own
            at = variables.youngs_modulus_mpa[0]
            chosen = [card.with_values("encoded", youngs_modulus_mpa=at) for card in chosen]
        table = np.array([_properties(card) for card in chosen])
        from_card = [
            variables.youngs_modulus_mpa is None,
            True,
            True,
            True,
            variables.density_g_cm3 is None and not filled,
            outermost,
        ]
        table = table[:, from_card]
        spread = table.max(axis=0) - table.min(axis=0)
        table = table[:, spread > 1e-12] / spread[spread > 1e-12]
        return _directions(table)


def _directions(table: FloatArray) -> FloatArray:
    """Return rows in the few directions in which they differ, (n, k)."""
    table = table - table.mean(axis=0)
    if table.shape[1] == 0:
        return np.zeros((len(table), 0))
    _, weights, directions = np.linalg.svd(table, full_matrices=False)
    kept = weights > _SMALLEST_SHARE * weights[0]
    return np.asarray(table @ _signed(directions[kept]).T)


def _scaled(values: FloatArray | float, over: Sequence[float] | FloatArray) -> FloatArray | float:
    low, high = float(np.min(over)), float(np.max(over))
    return (values - low) / (high - low)


def _signed(directions: FloatArray) -> FloatArray:
    """Give each direction the sign that makes its largest part positive: an SVD leaves it open."""
    largest = np.argmax(np.abs(directions), axis=1)
    return np.asarray(
        directions * np.sign(directions[np.arange(len(directions)), largest])[:, None]
    )


def _properties(card: Material) -> list[float]:
    """Return what figures can depend on, stiffnesses as logarithms.

    Young's modulus; how much stiffer within a strike (storage modulus at its frequency over the
    quasi-static); loss tangent there; Poisson's ratio; density; friction.
    """
    wt = [_ANGULAR_FREQUENCY * pair.time_us * 1e-6 for pair in card.relaxation]
    strengths = [pair.strength for pair in card.relaxation]
    storage = 1.0 + sum(g * x * x / (1.0 + x * x) for g, x in zip(strengths, wt, strict=True))
    loss = sum(g * x / (1.0 + x * x) for g, x in zip(strengths, wt, strict=True))
    return [
        math.log(card.youngs_modulus_mpa.value),
        math.log(card.dynamic_modulus_ratio.value * storage),
        loss / storage,
        card.poisson_ratio.value,
        card.density_g_cm3.value,
        card.friction.value,
    ]
