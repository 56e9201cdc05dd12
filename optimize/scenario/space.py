"""Thicknesses in increments, material choices, optional layers <-> a ball.

A build is a row of integers, one for each design variable (`Gene`): which step, which material,
present or absent.
Equal builds are equal rows, so they hash equally and are computed once. A search library that wants
continuous variables sees each gene as [0, 1] cut into equal cells.
"""

import hashlib
import itertools
import json
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from pydantic import ValidationError

from layers.arrays import FloatArray, IntArray
from layers.ball import THINNEST_LAYER_MM, Ball, Layer
from layers.errors import InputError
from layers.graded.profile import Profile
from layers.mass import inertia
from layers.materials import Datum, Material, numeric_fields
from optimize.scenario.brief import Scenario
from optimize.scenario.variables import LayerVariables

Row = tuple[int, ...]
What = Literal[
    "present",
    "thickness_mm",
    "material",
    "youngs_modulus_mpa",
    "surface_over_centre",
    "shape",
    "density_g_cm3",
    "dimple_pattern",
]

# A diameter is a sum of thicknesses, rounded to 1e-6 mm: the order of summing does not matter.
_DIGITS = 6

_SOURCE = "set by the search"  # of the numbers in a build's cards

# Cards made by a search that are kept for its next builds; each takes some 5 kB.
_MOST_MADE = 4096


@dataclass(frozen=True)
class Gene:
    """One design variable as a list of values.

    Attributes
    ----------
    layer : int
        Row of the scenario's layers, from 0 at the centre.
    what : str
        What varies.
    values : tuple
        The values it can take: mm, MPa or g/cm3; names of materials; False and True.
    ordered : bool
        Whether `values` have an order, so that neighbours are similar.
    """

    layer: int
    what: What
    values: tuple[Any, ...]
    ordered: bool


@dataclass(frozen=True)
class Candidate:
    """A decoded row.

    Attributes
    ----------
    row : tuple of int
        Which value each gene takes; genes of an absent layer, and the shape of an even one, are 0.
    ball : Ball or None
        The build; None where the numbers make no ball (nothing remains for the centre, or no
        filler has the density).
    centre_diameter_mm : float
        What the outer layers leave for the innermost.
    fill_density_g_cm3 : float or None
        Density that the filled layer needs; None without a fill, or without a centre.
    """

    row: Row
    ball: Ball | None
    centre_diameter_mm: float
    fill_density_g_cm3: float | None


@dataclass(frozen=True)
class Space:
    """All builds of a scenario."""

    scenario: Scenario

    @cached_property
    def genes(self) -> tuple[Gene, ...]:
        """The design variables with more than one value, centre outward."""
        rows = enumerate(self.scenario.layer)
        of_layers = [gene for i, layer in rows for gene in _genes(i, layer)]
        # The dimples are in the outermost layer.
        pattern = Gene(len(self.scenario.layer) - 1, "dimple_pattern", self._patterns, False)
        return tuple(gene for gene in (*of_layers, pattern) if len(gene.values) > 1)

    @property
    def _patterns(self) -> tuple[str, ...]:
        return self.scenario.patterns or ("",)

    def siblings(self, row: Row) -> tuple[Row, ...]:
        """Return the rows of the same layers under every other dimple pattern."""
        return tuple(
            (*row[:place], k, *row[place + 1 :])
            for place, gene in enumerate(self.genes)
            if gene.what == "dimple_pattern"
            for k in range(len(gene.values))
            if k != row[place]
        )

    @cached_property
    def sizes(self) -> IntArray:
        """Number of values of each gene, (d,)."""
        return np.array([len(gene.values) for gene in self.genes], dtype=np.int64)

    @cached_property
    def _cards(self) -> dict[str, Material]:
        return {card.name: card for card in self.scenario.material}

    @cached_property
    def _made(self) -> dict[Any, Material]:
        """Cards of moduli and densities that the search has set; builds share most of them."""
        return {}

    def row_of(self, x: FloatArray) -> Row:
        """Return the row whose cells a point of [0, 1]^d lies in, inactive genes at 0."""
        steps = np.minimum((np.asarray(x) * self.sizes).astype(np.int64), self.sizes - 1)
        return self._canonical(tuple(int(step) for step in steps))

    def point_of(self, row: Row) -> FloatArray:
        """Return the middle of the row's cells, (d,) in [0, 1]."""
        return np.asarray((np.array(row) + 0.5) / self.sizes, dtype=np.float64)

    def snap(self, x: FloatArray) -> FloatArray:
        """Move points of [0, 1]^d to the middle of the cells they lie in, (n, d)."""
        return np.array([self.point_of(self.row_of(point)) for point in x]).reshape(np.shape(x))

    def _canonical(self, row: Row) -> Row:
        chosen = list(zip(self.genes, row, strict=True))
        out = {gene.layer for gene, k in chosen if _is_absent(gene, k)}
        even = {
            gene.layer
            for gene, k in chosen
            if gene.what == "surface_over_centre" and gene.values[k] == 1.0
        }
        idle = out | {(layer, "shape") for layer in even}
        return tuple(
            0 if g.what != "dimple_pattern" and {g.layer, (g.layer, g.what)} & idle else k
            for g, k in chosen
        )

    def decode(self, row: Row) -> Candidate:
        """Turn a row into a build.

        Parameters
        ----------
        row : tuple of int
            One number a gene, from 0.

        Returns
        -------
        Candidate
            Its ball where there is one; limits are not applied.

        Raises
        ------
        InputError
            If the row does not fit the genes.
        """
        if len(row) != len(self.genes) or any(
            not 0 <= k < n for k, n in zip(row, self.sizes, strict=True)
        ):
            raise InputError(
                f"row {row} does not fit the {len(self.genes)} design variables of the scenario."
            )
        row = self._canonical(row)
        chosen: dict[tuple[int, str], Any] = {
            (g.layer, g.what): g.values[k] for g, k in zip(self.genes, row, strict=True)
        }
        present = [i for i in range(len(self.scenario.layer)) if chosen.get((i, "present"), True)]
        diameters = self._diameters(present, chosen)
        if diameters[0] < THINNEST_LAYER_MM:
            return Candidate(row, None, diameters[0], None)
        cards = [self._card(i, chosen) for i in present]
        density = None
        if self.scenario.fill is not None:
            number = present.index(self.scenario.fill.layer - 1)
            density = self._fill_density(diameters, cards, number)
            low, high = numeric_fields()["density_g_cm3"]
            if not low <= density <= high:  # no compound has such a density
                return Candidate(row, None, diameters[0], density)
            datum = Datum(value=density, source=_SOURCE)
            cards[number] = cards[number].model_copy(update={"density_g_cm3": datum})
        profiles = [
            self.scenario.layer[i].profile({what: v for (k, what), v in chosen.items() if k == i})
            for i in present
        ]
        outermost = len(self.scenario.layer) - 1
        pattern = chosen.get((outermost, "dimple_pattern"), self._patterns[0])
        ball = self._ball(present, diameters, cards, profiles, pattern)
        return Candidate(row, ball, diameters[0], density)

    def _diameters(self, present: list[int], chosen: dict[tuple[int, str], Any]) -> list[float]:
        """Return the outer diameters of the present layers, centre outward, mm."""
        outward = [self.scenario.ball.outer_diameter_mm]
        for i in present[:0:-1]:
            layer = self.scenario.layer[i]
            assert layer.thickness_mm is not None  # by validation: all but the centre have one
            thickness = chosen.get((i, "thickness_mm"), layer.thickness_mm[0])
            outward.append(round(outward[-1] - 2.0 * thickness, _DIGITS))
        return outward[::-1]

    def _card(self, i: int, chosen: dict[tuple[int, str], Any]) -> Material:
        layer = self.scenario.layer[i]
        name = chosen.get((i, "material"), layer.material[0])
        values: dict[str, float] = {}
        for what in ("youngs_modulus_mpa", "density_g_cm3"):
            span = getattr(layer, what)
            if span is not None:
                values[what] = chosen.get((i, what), span[0])
        if not values:
            return self._cards[name]
        key = (name, *values.items())
        if key not in self._made:
            if len(self._made) >= _MOST_MADE:
                self._made.clear()
            self._made[key] = self._cards[name].with_values(_SOURCE, **values)
        return self._made[key]

    def _fill_density(self, diameters: list[float], cards: list[Material], number: int) -> float:
        """Return the density of layer `number` that gives the ball its mass, g/cm3.

        Mass is linear in the densities: m = sum w_i rho_i, with w_i the mass of the ball when only
        layer i has a density, and that one 1 (the dimples lighten the cover's).
        """
        assert self.scenario.fill is not None
        weights = mass_per_density(diameters, self.scenario.ball.dimple_volume_percent / 100.0)
        others = sum(
            w * card.density_g_cm3.value
            for i, (w, card) in enumerate(zip(weights, cards, strict=True))
            if i != number
        )
        return (self.scenario.fill.mass_g - others) / weights[number]

    def _ball(
        self,
        present: list[int],
        diameters: list[float],
        cards: list[Material],
        profiles: list[Profile | None],
        pattern: str,
    ) -> Ball | None:
        try:
            roles = [self.scenario.layer[i].role for i in present]
            layers = tuple(
                Layer(role=role, outer_diameter_mm=diameter, material=card, profile=profile)
                for role, diameter, card, profile in zip(
                    roles, diameters, cards, profiles, strict=True
                )
            )
            return Ball(
                name=self.scenario.name,
                layer=layers,
                dimple_volume_percent=self.scenario.ball.dimple_volume_percent,
                dimple_pattern=pattern,
            )
        except ValidationError:  # the centre is too small to be a layer
            return None

    def encode(self, ball: Ball) -> Row:
        """Return the row of a ball of this space.

        Raises
        ------
        InputError
            If no values of the design variables give this ball.
        """
        wanted = content_of(ball)
        optional = [i for i, layer in enumerate(self.scenario.layer) if layer.optional]
        surplus = len(self.scenario.layer) - len(ball.layer)
        for out in itertools.combinations(optional, surplus) if surplus >= 0 else ():
            present = [i for i in range(len(self.scenario.layer)) if i not in out]
            row = self._nearest(ball, present)
            decoded = self.decode(row).ball if row is not None else None
            if decoded is not None and content_of(decoded) == wanted:
                return row  # type: ignore[return-value]
        raise InputError(f"{ball.name} is not among the builds of scenario {self.scenario.name!r}.")

    def _nearest(self, ball: Ball, present: list[int]) -> Row | None:
        """Return the row nearest to a ball whose layers are the scenario's `present` ones."""
        inner = [0.0] + [layer.outer_diameter_mm for layer in ball.layer]
        row = []
        for gene in self.genes:
            if gene.what == "present":
                row.append(int(gene.layer in present))
                continue
            if gene.what == "dimple_pattern":
                if ball.dimple_pattern not in gene.values:
                    return None
                row.append(gene.values.index(ball.dimple_pattern))
                continue
            if gene.layer not in present:
                row.append(0)
                continue
            place = present.index(gene.layer)
            card = ball.layer[place].material
            if gene.what == "material":
                if card.name not in gene.values:
                    return None
                row.append(gene.values.index(card.name))
                continue
            if gene.what == "thickness_mm":
                value = (inner[place + 1] - inner[place]) / 2.0
            elif gene.what in ("surface_over_centre", "shape"):
                value = getattr(ball.layer[place].profile or Profile(), gene.what)
            else:
                value = getattr(card, gene.what).value
            row.append(int(np.argmin(np.abs(np.array(gene.values) - value))))
        return self._canonical(tuple(row))


def _is_absent(gene: Gene, k: int) -> bool:
    return gene.what == "present" and not gene.values[k]


def _genes(i: int, layer: LayerVariables) -> tuple[Gene, ...]:
    steps: tuple[tuple[What, tuple[float, float] | None, float], ...] = (
        ("thickness_mm", layer.thickness_mm, layer.increment_mm),
        ("youngs_modulus_mpa", layer.youngs_modulus_mpa, layer.youngs_modulus_increment_mpa),
        ("surface_over_centre", layer.surface_over_centre, layer.surface_over_centre_increment),
        ("shape", layer.shape, layer.shape_increment),
        ("density_g_cm3", layer.density_g_cm3, layer.density_increment_g_cm3),
    )
    present = (Gene(i, "present", (False, True), False),) if layer.optional else ()
    stepped = tuple(Gene(i, what, _steps(span, by), True) for what, span, by in steps if span)
    return (*present, *stepped, Gene(i, "material", layer.material, False))


def _steps(span: tuple[float, float], increment: float) -> tuple[float, ...]:
    """Return lowest, lowest + increment, ... up to the highest."""
    low, high = span
    count = int((high - low) / increment + 1e-9) + 1
    return tuple(round(low + k * increment, _DIGITS) for k in range(count))


def mass_per_density(diameters: list[float], dimple_fraction: float) -> list[float]:
    """Return the mass of the ball, g, that 1 g/cm3 in each layer alone gives, (n,)."""
    radius = np.array(diameters) * 0.5e-3
    alone = 1e3 * np.eye(len(radius))  # kg/m3
    pieces = inertia.Pieces(np.broadcast_to(radius, alone.shape), alone, dimple_fraction)
    return [1e3 * mass for mass in inertia.mass(pieces).tolist()]


def content_of(ball: Ball) -> str:
    """Write the numbers of a ball that determine its figures, as JSON that keeps every bit.

    Names, roles and sources are omitted: they change no figure. A dimple pattern does, by its name,
    whose drag and lift are the conditions'.
    """
    layers = [[layer.outer_diameter_mm, *_numbers(layer.material)] for layer in ball.layer]
    record: dict[str, Any] = {
        "dimples": [ball.dimple_volume_percent, ball.dimple_depth_mm],
        "layers": layers,
    }
    profiles = [layer.profile.content() if layer.profile else None for layer in ball.layer]
    if any(profiles):  # left out where all layers are even: such builds keep their names
        record["profiles"] = profiles
    if ball.dimple_pattern:
        record["pattern"] = ball.dimple_pattern
    return json.dumps(record, separators=(",", ":"))


def _numbers(card: Material) -> list[Any]:
    return [
        card.youngs_modulus_mpa.value,
        card.poisson_ratio.value,
        card.density_g_cm3.value,
        card.dynamic_modulus_ratio.value,
        card.friction.value,
        card.friction_wet.value,
        card.friction_half_speed_m_s.value,
        [[pair.strength, pair.time_us] for pair in card.relaxation],
    ]


def key_of(content: str) -> str:
    """Return the build's name in the ledger: 32 hexadecimal digits of its content's SHA-256."""
    return hashlib.sha256(content.encode()).hexdigest()[:32]
