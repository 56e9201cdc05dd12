"""What figures depend on besides the ball: swings, law, air, wind; for costs, the process."""

import hashlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from layers.arrays import Precision
from layers.flight.aerodynamics import Law, ferguson_2022
from layers.flight.aerotable import MeasuredLaw
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
    production : Production, optional
        What cost and press time follow from.
    precision : {"single", "double"}
        In which the elements of an impact on a club are computed; nodes and contact are always
        double. Single moves a launch by less than 1e-5 and takes two thirds of the time.
    """

    swings: SwingTable = field(default_factory=default_swings)
    law: Law = ferguson_2022
    air: "Air | None" = None
    wind: tuple[float, float, float] = (0.0, 0.0, 0.0)
    production: Production | None = None
    precision: Precision = "single"

    def in_double(self) -> "Conditions":
        """Return the same in double precision: small differences of figures ask for it."""
        return replace(self, precision="double")

    def fingerprint(self) -> str:
        """Digest of all that can change a figure that a ledger keeps; costs are not kept."""
        digest = hashlib.sha256(self.swings.model_dump_json().encode())
        if isinstance(self.law, MeasuredLaw):
            for array in (self.law.grid, self.law.low, self.law.high, self.law.hull):
                digest.update(np.ascontiguousarray(array).tobytes())
        else:
            digest.update(self.law.__qualname__.encode())
        digest.update(repr((self.air, self.wind, self.precision)).encode())
        return digest.hexdigest()[:16]
