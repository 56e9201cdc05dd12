"""Symmetry screen: whether a ball flies alike in two orientations."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.numerics.threads import one_thread
from layers.range.process import Process
from layers.range.rows_file import RangeRows
from layers.range.surface import fit_surface

_SIGMAS = 1.96


@dataclass(frozen=True)
class Difference:
    """Mean difference of a coefficient, second orientation less first, and its standard error."""

    value: float
    error: float

    @property
    def differs(self) -> bool:
        """Whether the difference is beyond its error of 95 %."""
        return abs(self.value) > _SIGMAS * self.error


@dataclass(frozen=True)
class Symmetry:
    """Two orientations compared.

    Attributes
    ----------
    names : tuple of str
        The orientations.
    counts : tuple of int
        Their rows.
    drag, lift : Difference
    outside : float
        How far rows of the second lie outside the first's, at most; see `Domain.outside`.
    """

    names: tuple[str, str]
    counts: tuple[int, int]
    drag: Difference
    lift: Difference
    outside: float


def compare_orientations(rows: RangeRows, what: str = "the table") -> Symmetry:
    """Compare the rows of two orientations, wherever each was shot.

    A surface is fitted to the first; what the second's rows differ from it by, weighed with the
    covariance of surface and scatter (generalised least squares), is the difference.

    Parameters
    ----------
    rows : RangeRows
        Rows of one ball.
    what : str
        The table's name, for messages.

    Raises
    ------
    InputError
        If there are not just two orientations.
    """
    names = list(dict.fromkeys(name for name in rows.orientation if name))
    if len(names) != 2:
        raise InputError(
            f"{what} has {len(names)} orientations, but a symmetry screen compares two: fill in "
            "the column orientation, such as pole and seam."
        )
    first, second = (rows.of(orientation=name).rows for name in names)
    surface = fit_surface(first, what=what)
    with one_thread():
        drag, lift = (
            _difference(process, second.reynolds, second.spin_ratio, values, errors)
            for process, values, errors in (
                (surface.drag, second.drag, second.drag_error),
                (surface.lift, second.lift, second.lift_error),
            )
        )
    return Symmetry(
        (names[0], names[1]),
        (len(first.reynolds), len(second.reynolds)),
        drag,
        lift,
        float(surface.outside(second.reynolds, second.spin_ratio).max()),
    )


def _difference(
    process: Process, re: FloatArray, s: FloatArray, values: FloatArray, errors: FloatArray
) -> Difference:
    covariance = process.posterior(re, s, re, s) + np.diag(errors**2 + process.scatter**2)
    left = values - process.mean(re, s)
    both = np.linalg.solve(covariance, np.column_stack([np.ones_like(s), left]))
    weight = float(both[:, 0].sum())
    return Difference(float(both[:, 1].sum()) / weight, weight**-0.5)
