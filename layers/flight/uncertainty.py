"""Errors of a flight from those of its coefficients and of its launch, to first order.

An error of CD or CL at one condition is an error at its neighbours too, so the errors of all steps
of a flight are carried together: with g the change of a figure per unit of CD over each step
(`layers.flight.influence`) and K the covariance of CD between the steps' conditions, the variance
is g' K g. Two flights through one surface share its errors, and two surfaces of one range day share
the day's: a difference is known better than either flight.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol, runtime_checkable

import numpy as np

from layers.arrays import FloatArray
from layers.flight.aerodynamics import Coefficients, Law
from layers.flight.influence import FIGURES, Influence

NINETY_FIVE = 1.96  # standard deviations in the half width of 95 %


@runtime_checkable
class Errors(Protocol):
    """A surface of drag and lift that knows what is not known of it; a law besides."""

    @property
    def common_error(self) -> float:
        """Relative standard deviation that all rows of a range day have in common."""

    def __call__(self, reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
        """Return the mean."""

    def covariance(
        self, re_a: FloatArray, s_a: FloatArray, re_b: FloatArray, s_b: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the covariance of CD, and of CL, between conditions, (a, b), without the day's.

        Parameters
        ----------
        re_a, s_a, re_b, s_b : (a,) and (b,) arrays
            Reynolds numbers and spin ratios.
        """

    def draws(self, n: int, seed: int) -> Sequence[Law]:
        """Laws that the measurements leave possible."""


@dataclass(frozen=True)
class LaunchErrors:
    """Standard deviations of a launch: m/s, rad, rad/s, rad; independent of each other."""

    ball_speed: float = 0.0
    launch_angle: float = 0.0
    spin: float = 0.0
    spin_axis_tilt: float = 0.0

    def array(self) -> FloatArray:
        """Return them in the order of `layers.flight.influence.LAUNCH`."""
        return np.array([self.ball_speed, self.launch_angle, self.spin, self.spin_axis_tilt])


@dataclass(frozen=True)
class Spread:
    """Standard deviations of the figures of `FIGURES`, SI, by what causes them; (6,) arrays.

    Attributes
    ----------
    values : array
        The figures, or their differences.
    surface, day, launch : array
        From the coefficients between and at the rows, from what all rows of the day have in
        common, and from the launch.
    """

    values: FloatArray
    surface: FloatArray
    day: FloatArray
    launch: FloatArray = field(default_factory=lambda: np.zeros(len(FIGURES)))

    @property
    def deviation(self) -> FloatArray:
        """All causes together."""
        return np.sqrt(self.surface**2 + self.day**2 + self.launch**2)

    @property
    def half_width(self) -> FloatArray:
        """Half width of 95 %."""
        return NINETY_FIVE * self.deviation


def flight_spread(
    flown: Influence, errors: Errors | None, launch: LaunchErrors | None = None
) -> Spread:
    """Return the errors of one flight.

    Parameters
    ----------
    flown : Influence
        The flight, through the surface's mean.
    errors : Errors, optional
        Of its drag and lift; none are taken as exact.
    launch : LaunchErrors, optional
        None is taken as exact.
    """
    none = np.zeros(len(FIGURES))
    of_launch = np.sqrt(flown.launch**2 @ launch.array() ** 2) if launch else none
    if errors is None:
        return Spread(flown.values, none, none, of_launch)
    surface = np.sqrt(_own(((1.0, flown),), errors))
    return Spread(flown.values, surface, errors.common_error * np.abs(_scale(flown)), of_launch)


def difference_spread(
    first: Influence,
    second: Influence,
    errors: tuple[Errors | None, Errors | None],
    launch: tuple[LaunchErrors | None, LaunchErrors | None] = (None, None),
    *,
    one_day: bool = True,
) -> Spread:
    """Return the errors of one flight's figures less another's.

    Parameters
    ----------
    first, second : Influence
        The flights.
    errors : (Errors, Errors)
        Of their surfaces; one object twice is one surface, whose errors both flights share.
    launch : (LaunchErrors, LaunchErrors)
        Of their launches, independent of each other.
    one_day : bool
        Whether two surfaces were measured on one range day, so that they share `common_error`.
    """
    found = sum_spread(((1.0, first, errors[0]), (-1.0, second, errors[1])), one_day=one_day)
    of_launch = sum(
        (
            one.launch**2 @ error.array() ** 2
            for one, error in zip((first, second), launch, strict=True)
            if error
        ),
        start=np.zeros(len(FIGURES)),
    )
    return replace(found, launch=np.sqrt(of_launch))


def sum_spread(
    flights: Sequence[tuple[float, Influence, Errors | None]], *, one_day: bool = True
) -> Spread:
    """Return the errors of a sum of flights whose launches are exact.

    Parameters
    ----------
    flights : sequence of (float, Influence, Errors or None)
        Weight or sign, flight and errors of its surface; one object several times is one surface,
        whose errors its flights share.
    one_day : bool
        Whether the surfaces were measured on one range day, so that they share `common_error`.
    """
    own = np.zeros(len(FIGURES))
    days: list[FloatArray] = [own]
    for surface in {id(errors): errors for _, _, errors in flights if errors is not None}.values():
        through = [(sign, flown) for sign, flown, errors in flights if errors is surface]
        own = own + _own(through, surface)
        days.append(surface.common_error * np.sum([s * _scale(f) for s, f in through], axis=0))
    day = np.abs(np.sum(days, axis=0)) if one_day else np.sqrt(np.sum(np.square(days), axis=0))
    return Spread(np.sum([s * flown.values for s, flown, _ in flights], axis=0), np.sqrt(own), day)


def _scale(flown: Influence) -> FloatArray:
    """Return the change of each figure per relative change of both coefficients everywhere."""
    return flown.drag @ flown.drag_coefficient + flown.lift @ flown.lift_coefficient


def _own(flights: Sequence[tuple[float, Influence]], errors: Errors) -> FloatArray:
    """Return the variance of a sum of flights through one surface, (6,)."""
    reynolds = np.concatenate([f.reynolds for _, f in flights])
    spin_ratio = np.concatenate([f.spin_ratio for _, f in flights])
    by_drag = np.concatenate([sign * f.drag for sign, f in flights], axis=1)
    by_lift = np.concatenate([sign * f.lift for sign, f in flights], axis=1)
    of_drag, of_lift = errors.covariance(reynolds, spin_ratio, reynolds, spin_ratio)
    variance = np.einsum("fi,ij,fj->f", by_drag, of_drag, by_drag)
    variance += np.einsum("fi,ij,fj->f", by_lift, of_lift, by_lift)
    return np.asarray(np.maximum(variance, 0.0))
