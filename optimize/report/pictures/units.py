"""Axes in the chosen units: their ticks are round numbers in them."""

from typing import Any

import numpy as np
from matplotlib.axis import Axis
from matplotlib.ticker import Formatter, MaxNLocator

from optimize.report.units import chosen, conversion_of


def factor_of(unit: str, figure: str = "") -> float:
    """Return how many of the chosen unit a metric one has; the figure's name where one has it."""
    row = conversion_of(unit, figure) if chosen() == "trade" else None
    return row.factor if row else 1.0


def use_on(axis: Axis, unit: str, most_ticks: int | None = None, figure: str = "") -> None:
    """Tick an axis of metric numbers at round numbers of the chosen unit.

    Parameters
    ----------
    axis : matplotlib axis
        Whose data are in the metric unit.
    unit : str
        The metric unit.
    most_ticks : int, optional
        At most so many intervals.
    figure : str
        Name of the figure, where one has the unit.
    """
    factor = factor_of(unit, figure)
    if factor != 1.0:
        axis.set_major_locator(_Locator(factor, most_ticks))
        axis.set_major_formatter(_Formatter(factor))


class _Locator(MaxNLocator):
    """Round numbers of a unit of which the data's has so many."""

    def __init__(self, factor: float, most: int | None) -> None:
        super().__init__(nbins=most or "auto", steps=[1, 2, 2.5, 5, 10])
        self._factor = factor

    def tick_values(self, vmin: float, vmax: float) -> list[float]:
        ticks = super().tick_values(vmin * self._factor, vmax * self._factor)
        return [float(tick) / self._factor for tick in ticks]


class _Formatter(Formatter):
    """Numbers of a unit of which the data's has so many, with the decimals that the ticks need."""

    def __init__(self, factor: float) -> None:
        self._factor = factor
        self._decimals = 0

    def set_locs(self, locs: Any) -> None:
        super().set_locs(locs)
        shown = self._factor * np.asarray(locs, dtype=float)
        near = 1e-6 * float(np.abs(shown).max(initial=0.0))
        self._decimals = next(
            (d for d in range(9) if np.all(np.abs(np.round(shown, d) - shown) <= near)), 9
        )

    def __call__(self, x: float, pos: int | None = None) -> str:
        text = f"{x * self._factor:.{self._decimals}f}"
        return text.replace("-", "\N{MINUS SIGN}") if float(text) else text.removeprefix("-")
