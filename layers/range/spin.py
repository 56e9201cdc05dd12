"""The spin of a launch at the middle of its track, and its decay, from readings or from a mark.

d omega/dt = -k omega V / R makes ln omega fall by k/R over each metre flown. A mark's angle is
known but for whole turns: the spin that fits all angles is searched for; of two, none is taken.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH
from layers.range.fit import Fit, since_first
from layers.range.tracks import Setup, Tracks

_FEWEST_FOR_DECAY = 3  # readings of spin; of a mark, one more
_HIGHEST = 15000.0 * np.pi / 30.0
_ALIKE = 12.0  # chi-square by which the best spin must beat every other
_TURN = 2.0 * np.pi


@dataclass(frozen=True)
class Spins:
    """Spin of n launches, (n,) arrays; NaN where the track does not say.

    Attributes
    ----------
    spin, spin_sd : array
        At the middle, rad/s.
    decay, decay_sd : array
        k; NaN where there are too few readings.
    ambiguous : array
        Another spin that the mark fits as well, rad/s; NaN where there is none.
    """

    spin: FloatArray
    spin_sd: FloatArray
    decay: FloatArray
    decay_sd: FloatArray
    ambiguous: FloatArray


def spins_of(tracks: Tracks, setup: Setup, fit: Fit) -> Spins:
    """Return the spin of every launch.

    Parameters
    ----------
    tracks : Tracks
        With readings of spin or of a mark.
    setup : Setup
        Their errors.
    fit : Fit
        Of the same launches.
    """
    times = since_first(tracks.time)
    steps = np.diff(times, axis=1) * 0.5 * (fit.speed[:, 1:] + fit.speed[:, :-1])
    flown = np.concatenate([np.zeros((len(times), 1)), np.cumsum(steps, axis=1)], axis=1)
    found = np.full((len(times), 5), np.nan)
    for i in range(len(times)):
        place = np.interp(fit.middle[i], times[i], flown[i])
        ways = (flown[i] - place) / (0.5 * tracks.diameter[i])
        read, marked = np.isfinite(tracks.spin[i]), np.isfinite(tracks.mark[i])
        if read.any():
            found[i, :4] = _from_readings(tracks.spin[i][read], ways[read], setup.spin_sd)
        if marked.sum() >= _FEWEST_FOR_DECAY:
            near = (found[i, 0], 6.0 * found[i, 1]) if read.any() else None
            after = times[i] - fit.middle[i]
            found[i] = _from_marks(tracks.mark[i], after, ways, marked, setup.mark_sd, near)
    return Spins(*found.T)


def _from_readings(
    spin: FloatArray, ways: FloatArray, sd: float
) -> tuple[float, float, float, float]:
    """Fit ln omega = ln omega_m - k ways; k is Smits and Smith's where there are too few."""
    weight = (spin / sd) ** 2
    if len(spin) < _FEWEST_FOR_DECAY or np.ptp(ways) <= 0.0:
        logarithm = np.log(np.maximum(spin, 1e-6)) + SPIN_DECAY_SMITS_SMITH * ways
        mean = float(np.exp(np.average(logarithm, weights=np.maximum(weight, 1e-12))))
        return mean, sd / np.sqrt(len(spin)), np.nan, np.nan
    if spin.min() <= 3.0 * sd:  # too little spin for its logarithm
        return float(spin.mean()), sd / np.sqrt(len(spin)), np.nan, np.nan
    design = np.column_stack([np.ones_like(ways), -ways])
    cov = np.linalg.inv(design.T @ (weight[:, None] * design))
    log_spin, decay = cov @ (design.T @ (weight * np.log(spin)))
    middle = float(np.exp(log_spin))
    return middle, middle * float(np.sqrt(cov[0, 0])), float(decay), float(np.sqrt(cov[1, 1]))


def _from_marks(
    mark: FloatArray,
    after: FloatArray,
    ways: FloatArray,
    marked: BoolArray,
    sd: float,
    near: tuple[float, float] | None,
) -> tuple[float, float, float, float, float]:
    """Find the spin that all angles of a mark fit."""
    # Time that turns as the ball does at its middle; and what k more takes off the angle.
    slowed = _integral(np.exp(-SPIN_DECAY_SMITS_SMITH * ways), after)[marked]
    lost = -_integral(ways, after)[marked]
    angle = mark[marked]
    step = 0.25 / np.ptp(after)
    low, high = (max(0.0, near[0] - near[1]), near[0] + near[1]) if near else (0.0, _HIGHEST)
    trials = np.arange(low, high + step, step)
    turned = angle - trials[:, None] * slowed
    mean = np.angle(np.exp(1j * turned).sum(axis=1))
    chi = np.sum((_wrapped(turned - mean[:, None]) / sd) ** 2, axis=1)
    best = int(np.argmin(chi))
    first, first_chi, *_ = _refined(trials[best], angle, slowed, lost, sd, False)
    far = np.abs(trials - first) > 4.0 / np.ptp(after)
    ambiguous = np.nan
    if far.any():
        other = int(np.flatnonzero(far)[np.argmin(chi[far])])
        second, second_chi, *_ = _refined(trials[other], angle, slowed, lost, sd, False)
        # Where trials end near the first, the next best may come back to it: that is no other.
        if second_chi - first_chi < _ALIKE and abs(second - first) > 1.0 / np.ptp(after):
            ambiguous = second
    if np.isfinite(ambiguous):
        return np.nan, np.nan, np.nan, np.nan, ambiguous
    with_decay = len(angle) > _FEWEST_FOR_DECAY
    spin, _, spin_sd, decay, decay_sd = _refined(first, angle, slowed, lost, sd, with_decay)
    return spin, spin_sd, decay, decay_sd, ambiguous


def _refined(
    spin: float, angle: FloatArray, slowed: FloatArray, lost: FloatArray, sd: float, decays: bool
) -> tuple[float, float, float, float, float]:
    """Fit angle = phase + spin slowed + spin (k - k0) lost; return spin, chi^2, sds, k."""
    for _ in range(3):
        turned = angle - spin * slowed
        phase = float(np.angle(np.exp(1j * turned).sum()))
        columns = [np.ones_like(slowed), slowed, *([spin * lost] if decays else [])]
        design = np.column_stack(columns)
        right = _wrapped(turned - phase)
        cov = np.linalg.inv(design.T @ design) * sd**2
        change = cov @ (design.T @ right) / sd**2
        spin += float(change[1])
    left = right - design @ change
    chi = float(np.sum((left / sd) ** 2))
    decay = SPIN_DECAY_SMITS_SMITH + float(change[2]) if decays else np.nan
    decay_sd = float(np.sqrt(cov[2, 2])) if decays else np.nan
    return spin, chi, float(np.sqrt(cov[1, 1])), decay, decay_sd


def _integral(values: FloatArray, after: FloatArray) -> FloatArray:
    """Integrate over time from the middle, by trapezoids."""
    parts = 0.5 * (values[1:] + values[:-1]) * np.diff(after)
    whole = np.concatenate([[0.0], np.cumsum(parts)])
    return np.asarray(whole - np.interp(0.0, after, whole))


def _wrapped(angle: FloatArray) -> FloatArray:
    return np.asarray((angle + np.pi) % _TURN - np.pi)
