"""Cost and press time of a ball from materials, operations and yields: closed forms."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Expected
from layers.errors import InputError
from layers.materials import Material
from optimize.lab.process import Operation, Process
from optimize.lab.tooling import tooling_of


@dataclass(frozen=True)
class Costing:
    """A lab's process as what a ball's cost and press time follow from.

    With the operations in order, c_i what operation i adds to a piece (minutes x rate / cavities,
    or a charge of material), y_i its yield and Y_i = y_i y_(i+1) ... the share of the pieces begun
    there that end as good balls,

        C = sum_i c_i / Y_i.

    The scatter is of first order: minutes and yields of the operations are independent, as are
    the prices of different materials.
    """

    process: Process

    @property
    def currency(self) -> str:
        """Currency of the cost."""
        return self.process.currency

    def cost(self, ball: Ball, *, finished: bool) -> Expected:
        """Return materials and operations of a ball that passes, with the standard deviation.

        Parameters
        ----------
        ball : Ball
            The ball, or a stage of it.
        finished : bool
            Whether the operations on the finished ball belong to it.

        Raises
        ------
        InputError
            If the process has no operations, or a card no price in its currency.
        """
        return _expected(self._steps(ball, finished), self.process.price_scatter_percent)

    def press_minutes(self, ball: Ball, *, finished: bool) -> Expected:
        """Return the minutes in presses for a ball that passes, with the standard deviation.

        Parameters
        ----------
        ball : Ball
            The ball, or a stage of it.
        finished : bool
            Whether the operations on the finished ball belong to it.

        Raises
        ------
        InputError
            If the process has no operations.
        """
        steps = [
            _Step(op.minutes / op.cavities * op.press, op)
            for op in self._operations(ball, finished)
        ]
        return _expected(steps, 0.0)

    def _operations(self, ball: Ball, finished: bool) -> list[Operation]:
        if not self.process.has_operations:
            raise InputError("the process has no operations: give them with minutes and yields")
        found = [op for layer in ball.layer for op in self.process.of(layer.role).operation]
        return found + list(self.process.operation if finished else ())

    def _steps(self, ball: Ball, finished: bool) -> "list[_Step]":
        self._operations(ball, finished)
        steps = []
        for number, layer in enumerate(ball.layer, start=1):
            own = self.process.of(layer.role)
            tooling = tooling_of(ball, number, own)
            charge = next(q.value for q in tooling if q.name == "charge_g")
            card = layer.material
            price = price_of(card, self.currency)
            steps.append(_Step(charge * 1e-3 * price, None, card.name))
            steps += [_Step(_rate(op), op) for op in own.operation]
        return steps + [_Step(_rate(op), op) for op in (self.process.operation if finished else ())]


@dataclass(frozen=True)
class _Step:
    """What is added to a piece, by an operation or as a material."""

    added: float
    operation: Operation | None
    material: str = ""

    @property
    def yields(self) -> float:
        return self.operation.yield_percent / 100.0 if self.operation else 1.0


def _rate(op: Operation) -> float:
    return op.minutes / 60.0 * op.rate_per_hour / op.cavities


def price_of(card: Material, currency: str) -> float:
    """Return a card's price of a kilogram.

    Raises
    ------
    InputError
        If the card has none, or in another currency.
    """
    price = card.price_per_kg.value
    if price == 0.0:
        raise InputError(f"material {card.name!r} has no price_per_kg: give it on its card")
    if card.currency != currency:
        raise InputError(
            f"material {card.name!r} has its price in {card.currency or 'no currency'}, the "
            f"process in {currency or 'none'}: give both the same currency"
        )
    return price


def _expected(steps: list[_Step], price_scatter_percent: float) -> Expected:
    """Return the sum over the steps, each over the yields from it on, and its deviation."""
    good = np.cumprod([step.yields for step in steps[::-1]])[::-1]
    shares: FloatArray = np.array([step.added for step in steps]) / good
    # d C / d ln c_i is the share of step i; d C / d ln y_j less the shares of all steps up to j.
    variance = 0.0
    for share, through, step in zip(shares, np.cumsum(shares), steps, strict=True):
        op = step.operation
        if op is not None:
            variance += (share * op.minutes_scatter_percent / 100.0) ** 2
            variance += (through * op.yield_scatter_percent / 100.0) ** 2
    for name in {step.material for step in steps} - {""}:
        of_one = sum(c for c, step in zip(shares, steps, strict=True) if step.material == name)
        variance += (of_one * price_scatter_percent / 100.0) ** 2
    return Expected(float(shares.sum()), float(np.sqrt(variance)))
