"""Tracks of a range: positions and times of launches, side by side in padded arrays."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from layers.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Tracks:
    """n launches of up to m readings, in order of time; NaN where there is none.

    Axes as in flights: x down the range, y up, z to the right.

    Attributes
    ----------
    launch, ball, orientation : tuple of str
        Of each launch; ball and orientation may be empty.
    line : (n, m) int array
        Row of each reading in the file; 0 where there is none.
    time : (n, m) array
        s.
    position : (n, m, 3) array
        m.
    spin, mark : (n, m) array
        Rate of spin, rad/s, and angle of a mark about the spin axis, rad.
    mass, diameter, density, viscosity : (n,) array
        Of ball and air, SI.
    notes : tuple of str
        What was assumed where the file says nothing, a sentence each.
    """

    launch: tuple[str, ...]
    ball: tuple[str, ...]
    orientation: tuple[str, ...]
    line: IntArray
    time: FloatArray
    position: FloatArray
    spin: FloatArray
    mark: FloatArray
    mass: FloatArray
    diameter: FloatArray
    density: FloatArray
    viscosity: FloatArray
    notes: tuple[str, ...] = ()

    def take(self, which: IntArray) -> "Tracks":
        """Return some of the launches, by their places."""
        kept: dict[str, Any] = {}
        for name, values in self.__dict__.items():
            if isinstance(values, np.ndarray):
                kept[name] = values[which]
            elif name != "notes":
                kept[name] = tuple(values[i] for i in which)
        return replace(self, **kept)

    @property
    def force_per_speed(self) -> FloatArray:
        """Half the air's density times frontal area over mass, 1/m, (n,)."""
        return np.asarray(self.density * np.pi * self.diameter**2 / 8.0 / self.mass)

    @property
    def reynolds_per_speed(self) -> FloatArray:
        """Reynolds number over speed, s/m, (n,)."""
        return np.asarray(self.density * self.diameter / self.viscosity)


@dataclass(frozen=True)
class Setup:
    """What holds for all launches of a range.

    Attributes
    ----------
    position_sd, time_sd : float
        Standard deviation of a position, m, and of a time, s. Where there are many readings their
        scatter decides; these are what it is compared with.
    spin_sd, mark_sd : float
        Of a reading of spin, rad/s, and of a mark's angle, rad.
    climb_sd : float
        Angle of flight above the horizontal that is not measured where there are no heights, rad:
        lift then adds its sine to the drag.
    gravity : float
        At the place, m/s2: 9.780 at the equator, 9.832 at the poles.
    drift : tuple of float
        Velocity of the range's air, m/s: along, up, to the right.
    """

    position_sd: float = 0.5e-3
    time_sd: float = 2e-6
    spin_sd: float = 20.0 * np.pi / 30.0
    mark_sd: float = np.deg2rad(2.0)
    climb_sd: float = np.deg2rad(1.0)
    gravity: float = 9.80665
    drift: tuple[float, float, float] = (0.0, 0.0, 0.0)
