"""The families of surfaces that are compared, for drag and for lift."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.flight.aerodynamics import ferguson_2022
from layers.range.process import Form

_REFERENCE_RE, _REFERENCE_S = 1.5e5, 0.15

# Standard deviations of the trend's terms beforehand. The four published laws differ by 0.02 to
# 0.06 at driver conditions, their slopes by some 0.05 over ln Re and 0.3 over S; the terms of the
# regression are several times those of US 6,186,002, so that the rows decide.
_TREND = np.array([0.04, 0.06, 0.25])
_REGRESSION = np.array([2.0, 0.1])


def forms(coefficient: str, reynolds: FloatArray, spin_ratio: FloatArray) -> tuple[Form, ...]:
    """Return the forms to compare for rows at these conditions.

    Both have a process and a trend 1, ln Re, S beside the published law. The second has the terms
    of US 6,186,002 besides: S^2, and Re for drag or 1/Re^2 for lift. A square runs away outside the
    rows, so these terms keep the value of the edge of the rows' ranges there.

    Parameters
    ----------
    coefficient : {"drag", "lift"}
        Which.
    reynolds, spin_ratio : (n,) arrays
        The rows.
    """
    low = np.array([reynolds.min(), spin_ratio.min()])
    high = np.array([reynolds.max(), spin_ratio.max()])
    regression = _Regression(coefficient, low, high)
    published = _drag if coefficient == "drag" else _lift
    return (
        Form("process", _trend, _TREND, published),
        Form("regression and process", regression, np.append(_TREND, _REGRESSION), published),
    )


@dataclass(frozen=True)
class _Regression:
    """Terms of a published regression; an object, so that surfaces can go to other processes."""

    coefficient: str
    low: FloatArray
    high: FloatArray

    def __call__(self, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
        """Return the terms, (n, 5)."""
        r = np.clip(reynolds, self.low[0], self.high[0]) / 1e5
        held = np.clip(spin_ratio, self.low[1], self.high[1]) - _REFERENCE_S
        by_re = r - 1.5 if self.coefficient == "drag" else r**-2 - 1.5**-2
        return np.column_stack([_trend(reynolds, spin_ratio), held**2, by_re])


def _trend(reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
    return np.column_stack(
        [
            np.ones_like(reynolds),
            np.log(reynolds / _REFERENCE_RE),
            spin_ratio - _REFERENCE_S,
        ]
    )


def _drag(reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
    return ferguson_2022(reynolds, spin_ratio).drag


def _lift(reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
    return ferguson_2022(reynolds, spin_ratio).lift
