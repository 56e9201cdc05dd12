"""What figures depend on besides the ball: swings, law, air, wind; for costs, the process."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from layers.arrays import FloatArray, Precision
from layers.flight.aerodynamics import Law, ferguson_2022
from layers.strike.swings import SwingTable, default_swings

if TYPE_CHECKING:
    from layers.ball import Ball
    from layers.flight.air import Air


class Expected(NamedTuple):
    """A mean and its standard deviation."""

    value: float
    deviation: float


class Production(Protocol):
    """What it takes to make a ball, as a lab knows it.

    `currency` is that of the cost. An `InputError` says what the process or a card lacks.
    """

    @property
    def currency(self) -> str:
        """Currency of the cost."""

    def cost(self, ball: "Ball", *, finished: bool) -> Expected:
        """Return the cost of a ball or, not `finished`, of a stage."""

    def press_minutes(self, ball: "Ball", *, finished: bool) -> Expected:
        """Return the minutes in presses."""


@dataclass(frozen=True)
class Weather:
    """Air and wind of a flight, as `Conditions` has them."""

    air: "Air | None"
    wind: tuple[float, float, float]


@dataclass(frozen=True)
class Conditions:
    """What figures depend on besides the ball.

    Attributes
    ----------
    swings : SwingTable
        Where swings are found by name.
    law : callable
        Drag and lift over Reynolds number and spin ratio, from `layers.flight.aerodynamics` or a
        measured table.
    air : Air, optional
        20 C, 1013.25 hPa, 50 % humidity otherwise.
    wind : (float, float, float)
        m/s along the target line, up, to the right.
    by_swing : mapping of str to Weather
        Air and wind of single swings, in place of those above.
    patterns : mapping of str to law
        Drag and lift of dimple patterns by name: a ball that names one of them flies by it.
    production : Production, optional
        What cost and press time follow from.
    precision : {"single", "double"}
        In which the elements of impacts are computed; nodes and contact are always double.
    """

    swings: SwingTable = field(default_factory=default_swings)
    law: Law = ferguson_2022
    air: "Air | None" = None
    wind: tuple[float, float, float] = (0.0, 0.0, 0.0)
    by_swing: Mapping[str, Weather] = field(default_factory=dict)
    patterns: Mapping[str, Law] = field(default_factory=dict)
    production: Production | None = None
    precision: Precision = "single"

    def in_double(self) -> "Conditions":
        """Return the same in double precision: small differences of figures ask for it."""
        return replace(self, precision="double")

    def weather(self, swing: str) -> Weather:
        """Return air and wind of a swing's flights."""
        return self.by_swing.get(swing, Weather(self.air, self.wind))

    def law_of(self, pattern: str) -> Law:
        """Return the drag and lift of a dimple pattern; of one without data the law of all."""
        return self.patterns.get(pattern, self.law)

    def fingerprint(self) -> str:
        """Digest of all that can change a figure that a ledger keeps; costs are not kept."""
        digest = hashlib.sha256(self.swings.model_dump_json().encode())
        _digest_law(digest, self.law)
        digest.update(repr((self.air, self.wind, self.precision)).encode())
        for name, law in self.patterns.items():
            digest.update(f"pattern {name}".encode())
            _digest_law(digest, law)
        if self.by_swing:
            digest.update(repr(sorted(self.by_swing.items())).encode())
        return digest.hexdigest()[:16]


def _digest_law(digest: "hashlib._Hash", law: Law) -> None:
    """Digest a published law by its name, a measured one by the numbers of its `content`."""
    numbers: tuple[FloatArray, ...] | None = getattr(law, "content", None)
    if numbers is None:
        digest.update(law.__qualname__.encode())
        return
    for array in numbers:
        digest.update(np.ascontiguousarray(array).tobytes())
