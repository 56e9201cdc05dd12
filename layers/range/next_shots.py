"""Which launches of the range to shoot next: those that shrink carry's error most.

A flight's carry depends on drag and lift along it (`layers.flight.influence`); with the surface's
covariance between those conditions and a candidate's, the variance of carry that a row there would
leave is known before it is shot. Rows are chosen one by one, each after what the ones before leave.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.flight.air import Air, humid_air
from layers.flight.influence import Influence
from layers.numerics.threads import one_thread
from layers.range.surface import Surface

MOST_SHOTS = 30
_SPEEDS = np.arange(20.0, 81.0, 5.0)  # m/s, what an indoor launcher does
_SPINS = np.arange(0.0, 9001.0, 750.0) * np.pi / 30.0
_HIGHEST_SPIN_RATIO = 1.0


@dataclass(frozen=True)
class Shot:
    """A launch to shoot.

    Attributes
    ----------
    speed, spin : float
        m/s and rad/s at the middle of the track.
    reynolds, spin_ratio : float
    outside : float
        How far outside the rows; see `Domain.outside`.
    carry_sd : (f,) array
        Standard error of each flight's carry after this and the shots before, m.
    """

    speed: float
    spin: float
    reynolds: float
    spin_ratio: float
    outside: float
    carry_sd: FloatArray


@dataclass(frozen=True)
class Plan:
    """The next shots.

    Attributes
    ----------
    carry, carry_sd : (f,) array
        Of each flight, and its standard error before, m.
    outside_share : (f,) array
        Share of the change in carry that drag and lift outside the rows make.
    row_sd : tuple of float
        Standard deviation that a new row is expected to have, drag and lift.
    shots : tuple of Shot
    """

    carry: FloatArray
    carry_sd: FloatArray
    outside_share: FloatArray
    row_sd: tuple[float, float]
    shots: tuple[Shot, ...]


def plan_shots(
    surface: Surface,
    flights: Sequence[Influence],
    count: int = 6,
    air: Air | None = None,
    diameter: float = 0.04267,
) -> Plan:
    """Choose the next launches.

    Parameters
    ----------
    surface : Surface
        Fitted to the rows so far.
    flights : sequence of Influence
        Flights under it whose carry is wanted, each as important as the others.
    count : int
        How many launches to choose, 1 to 30.
    air : Air, optional
        Of the range; 20 C, 1013.25 hPa, 50 % otherwise.
    diameter : float
        Of the ball, m.

    Raises
    ------
    InputError
        On a number of shots out of range.
    """
    if not 1 <= count <= MOST_SHOTS:
        raise InputError(f"{count} shots were asked for, but it must be from 1 to {MOST_SHOTS}.")
    speed, spin, re, s = _candidates(air or humid_air(), diameter)
    noise = [float(np.sqrt(np.median(p.noise))) for p in (surface.drag, surface.lift)]
    where_re = np.concatenate([*(f.reynolds for f in flights), re])
    where_s = np.concatenate([*(f.spin_ratio for f in flights), s])
    with one_thread():
        sides = [
            _Side(covariance, gradients, len(speed), sd)
            for covariance, gradients, sd in zip(
                surface.covariance(where_re, where_s, where_re, where_s),
                (
                    _gradients([f.drag[0] for f in flights]),
                    _gradients([f.lift[0] for f in flights]),
                ),
                noise,
                strict=True,
            )
        ]
        before = np.sqrt(sides[0].variance() + sides[1].variance())
        outside = surface.outside(re, s)
        shots = []
        for _ in range(count):
            best = int(np.argmax(sides[0].gains() + sides[1].gains()))
            for side in sides:
                side.shoot(best)
            left = np.sqrt(sides[0].variance() + sides[1].variance())
            shots.append(
                Shot(
                    float(speed[best]),
                    float(spin[best]),
                    float(re[best]),
                    float(s[best]),
                    float(outside[best]),
                    left,
                )
            )
    return Plan(
        np.array([f.values[0] for f in flights]),
        before,
        np.array([_outside_share(surface, f) for f in flights]),
        (noise[0], noise[1]),
        tuple(shots),
    )


def _candidates(air: Air, diameter: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return speed, spin, Reynolds number and spin ratio of what a launcher does."""
    speed, spin = (grid.ravel() for grid in np.meshgrid(_SPEEDS, _SPINS, indexing="ij"))
    possible = spin * diameter / 2.0 / speed <= _HIGHEST_SPIN_RATIO
    speed, spin = speed[possible], spin[possible]
    return (
        speed,
        spin,
        air.density * diameter / air.viscosity * speed,
        spin * diameter / 2.0 / speed,
    )


class _Side:
    """One coefficient's covariance over all steps and candidates, as rows are added."""

    def __init__(
        self, covariance: FloatArray, gradients: FloatArray, candidates: int, noise: float
    ) -> None:
        self.covariance = covariance
        self.steps = len(covariance) - candidates
        self.gradients = gradients
        self.noise = noise

    def variance(self) -> FloatArray:
        """Return the variance of each flight's carry, (f,)."""
        among = self.covariance[: self.steps, : self.steps]
        every = np.einsum("fi,ij,fj->f", self.gradients, among, self.gradients)
        return np.asarray(np.maximum(every, 0.0))

    def gains(self) -> FloatArray:
        """Return what a row at each candidate takes off the sum of variances, (c,)."""
        shared = self.gradients @ self.covariance[: self.steps, self.steps :]
        own = np.diag(self.covariance)[self.steps :]
        return np.asarray(np.sum(shared**2, axis=0) / (own + self.noise**2))

    def shoot(self, candidate: int) -> None:
        """Add a row at a candidate."""
        column = self.covariance[:, self.steps + candidate]
        own = column[self.steps + candidate] + self.noise**2
        self.covariance = self.covariance - np.outer(column, column) / own


def _gradients(rows: Sequence[FloatArray]) -> FloatArray:
    """Lay flights' gradients over the steps of all flights, (f, steps)."""
    ends = np.cumsum([len(row) for row in rows])
    whole = np.zeros((len(rows), int(ends[-1])))
    for line, row, end in zip(whole, rows, ends, strict=True):
        line[end - len(row) : end] = row
    return whole


def _outside_share(surface: Surface, flight: Influence) -> float:
    weight = np.abs(flight.drag[0]) + np.abs(flight.lift[0])
    outside = surface.outside(flight.reynolds, flight.spin_ratio) > 0.0
    return float(np.sum(weight[outside]) / np.sum(weight))
