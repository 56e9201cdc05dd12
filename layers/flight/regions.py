"""Regions of the plane of Reynolds number and spin ratio, and a flight's share in each.

A region is a bump that is 1 at its middle and 0 at its neighbours' middles; outside the outermost
middles it stays 1. The bumps add up to 1 everywhere, so the shares of a flight add up to the whole:
of its time, of its way, and of what a change of CD or CL does to its figures.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.flight.influence import Influence

# Middles: from the top of a wedge shot to the start of a fast drive.
REYNOLDS = (0.4e5, 0.6e5, 0.8e5, 1.0e5, 1.25e5, 1.5e5, 1.75e5, 2.0e5)
SPIN_RATIO = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.60)


@dataclass(frozen=True)
class Shares:
    """What a flight of figures `layers.flight.influence.FIGURES` owes to each of r regions.

    Attributes
    ----------
    time, distance : (r,) arrays
        s and m of the flight in each.
    drag, lift : (6, r) arrays
        Change of each figure per unit of CD and of CL, as a bump over the region alone.
    """

    time: FloatArray
    distance: FloatArray
    drag: FloatArray
    lift: FloatArray


def middles() -> FloatArray:
    """Return the regions' middles, Re and S, (r, 2); S runs fastest."""
    return np.array([(re, s) for re in REYNOLDS for s in SPIN_RATIO])


def bumps(reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
    """Return how much each of n conditions belongs to each region, (n, r); rows add up to 1.

    Examples
    --------
    >>> near = bumps(np.array([1e5]), np.array([0.175]))
    >>> float(near.sum().round(12)), near[near > 0.0].round(12).tolist()
    (1.0, [0.5, 0.5])
    """
    along = _hats(REYNOLDS, np.asarray(reynolds, float))
    across = _hats(SPIN_RATIO, np.asarray(spin_ratio, float))
    return (along[:, :, None] * across[:, None, :]).reshape(len(along), -1)


def _hats(knots: tuple[float, ...], at: FloatArray) -> FloatArray:
    return np.array([np.interp(at, knots, row) for row in np.eye(len(knots))]).T


def shares(flown: Influence) -> Shares:
    """Divide a flight among the regions.

    Parameters
    ----------
    flown : Influence
        The flight, step by step.
    """
    belongs = bumps(flown.reynolds, flown.spin_ratio)
    return Shares(
        time=flown.duration @ belongs,
        distance=flown.distance @ belongs,
        drag=flown.drag @ belongs,
        lift=flown.lift @ belongs,
    )
