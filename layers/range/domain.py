"""Where a surface has rows: their convex hull, and how far outside it a point is."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray

# One unit of distance: as much as drag and lift change by some hundredths under published laws.
REYNOLDS_UNIT, SPIN_RATIO_UNIT = 1e5, 0.1
_UNITS = np.array([REYNOLDS_UNIT, SPIN_RATIO_UNIT])
_ON_EDGE, _ROUNDING = 1e-9, 1e-6


@dataclass(frozen=True)
class Domain:
    """Convex hull of conditions; one corner for a point, two for conditions on one line.

    Attributes
    ----------
    corners : (k, 2) array
        Reynolds number and spin ratio, counter-clockwise.
    """

    corners: FloatArray

    def nearest(
        self, reynolds: FloatArray, spin_ratio: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the nearest point of the hull: Reynolds number and spin ratio, each (n,)."""
        at = np.stack(np.broadcast_arrays(reynolds, spin_ratio), axis=-1) / _UNITS
        corners = self.corners / _UNITS
        found, least = at.copy(), np.full(at.shape[:-1], np.inf)
        within = np.full(at.shape[:-1], len(corners) > 2)
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            side, away = end - start, at - start
            within &= side[0] * away[..., 1] - side[1] * away[..., 0] >= 0.0
            share = np.clip(away @ side / max(float(side @ side), 1e-300), 0.0, 1.0)
            foot = start + share[..., None] * side
            distance = np.sum((at - foot) ** 2, axis=-1)
            closer = distance < least
            found[closer], least[closer] = foot[closer], distance[closer]
        found[within] = at[within]
        return found[..., 0] * REYNOLDS_UNIT, found[..., 1] * SPIN_RATIO_UNIT

    def inside(self, reynolds: FloatArray, spin_ratio: FloatArray) -> BoolArray:
        """Return whether points are in the hull, a rounding aside; quick, for flights."""
        if len(self.corners) < 3:
            return np.asarray(self.outside(reynolds, spin_ratio) <= _ROUNDING)
        x, y = reynolds / REYNOLDS_UNIT, spin_ratio / SPIN_RATIO_UNIT
        within = np.ones(np.broadcast(x, y).shape, dtype=bool)
        corners = self.corners / _UNITS
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            a, b = (end - start) / np.hypot(*(end - start))
            within &= a * y - b * x >= a * start[1] - b * start[0] - _ROUNDING
        return within

    def outside(self, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
        """Return how far outside the hull points are: 0 inside, 1 a unit away.

        Parameters
        ----------
        reynolds, spin_ratio : arrays of one shape
            A unit is 1e5 of Reynolds number or 0.1 of spin ratio.
        """
        near_re, near_s = self.nearest(reynolds, spin_ratio)
        distance: FloatArray = np.hypot(
            (reynolds - near_re) / REYNOLDS_UNIT, (spin_ratio - near_s) / SPIN_RATIO_UNIT
        )
        return np.where(distance < _ON_EDGE, 0.0, distance)


def hull_of(reynolds: FloatArray, spin_ratio: FloatArray) -> Domain:
    """Return the convex hull of conditions, of any number and on one line too.

    Andrew's monotone chain (1979, Inf. Process. Lett. 9, 216).
    """
    points = np.unique(np.column_stack([reynolds, spin_ratio]) / _UNITS, axis=0)
    if len(points) < 3:
        return Domain(points * _UNITS)
    chains = [_chain(points), _chain(points[::-1])]
    return Domain(np.array([*chains[0][:-1], *chains[1][:-1]]) * _UNITS)


def _chain(points: FloatArray) -> list[FloatArray]:
    """Return the lower hull of sorted points; the upper one where they come in reverse."""
    kept: list[FloatArray] = []
    for point in points:
        while len(kept) > 1 and _turn(kept[-2], kept[-1], point) <= 1e-12:
            kept.pop()
        kept.append(point)
    return kept


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
