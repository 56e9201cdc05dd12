"""How long a track should be: what its readings' errors cost, and what its length costs.

A coefficient that is fitted over a track stands for the middle of it. A longer track measures the
curvature of the path better, but the coefficient changes more along it. Both errors are computed
for parts of the track round its middle: the first from the fit, the second by flying the launch
without noise under a law and reducing it again.
"""

from dataclasses import dataclass, replace

import numpy as np

from layers.arrays import BoolArray, FloatArray, IntArray
from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH, Law
from layers.range.fit import DRAG, FEWEST_READINGS, LIFT, SIDE, Fit, fit_tracks, since_first
from layers.range.motion import march
from layers.range.reduction import Reduction

_SHARES = (0.3, 0.4, 0.5, 0.6, 0.8, 1.0)


@dataclass(frozen=True)
class Window:
    """Part of the track, and the root mean square errors over the launches, relative.

    Attributes
    ----------
    share : float
        Of the readings.
    length : float
        Median length, m.
    readings : float
        Median number.
    measurement, truncation : (2,) arrays
        Of drag and of lift; NaN where there are no heights.
    """

    share: float
    length: float
    readings: float
    measurement: FloatArray
    truncation: FloatArray

    @property
    def total(self) -> FloatArray:
        """Both errors together, (2,)."""
        return np.asarray(np.hypot(self.measurement, self.truncation))


def windows(reduction: Reduction, law: Law) -> tuple[Window, ...]:
    """Return both errors for parts of the tracks.

    Parameters
    ----------
    reduction : Reduction
        The session.
    law : Law
        Drag and lift under which the launches are flown: the session's own surface, or a published
        law.
    """
    whole = np.flatnonzero(np.isfinite(reduction.spin_ratio))
    if not len(whole):
        return ()
    found, before = [], 0
    for share in _SHARES:
        used = _middle_part(reduction.used[whole], share)
        enough = used[:, :, 0].sum(axis=1) >= FEWEST_READINGS
        if enough.any() and used.sum() != before:  # else as few readings as the share before
            found.append(_window(reduction, law, whole[enough], used[enough], share))
        before = int(used.sum())
    return tuple(found)


def truncation(reduction: Reduction, law: Law) -> FloatArray:
    """Return what the length of each whole track adds to drag and lift under a law, (n, 2)."""
    errors = np.full((len(reduction.speed), 2), np.nan)
    which = np.flatnonzero(np.isfinite(reduction.spin_ratio))
    if len(which):
        errors[which] = _truncation(reduction, law, which, reduction.used[which])[0]
    return errors


def _middle_part(used: BoolArray, share: float) -> BoolArray:
    """Keep the middle share of each launch's readings."""
    order = np.cumsum(used[:, :, 0], axis=1)
    count = order[:, -1:]
    kept = np.maximum(np.rint(share * count), FEWEST_READINGS)
    first = np.floor((count - kept) / 2.0)
    return np.asarray(used & ((order > first) & (order <= first + kept))[:, :, None])


def _window(
    reduction: Reduction, law: Law, which: IntArray, used: BoolArray, share: float
) -> Window:
    bias, fit, true = _truncation(reduction, law, which, used)
    lifts = fit.free[:, LIFT]
    size = np.abs(true).mean(axis=0)
    factor = np.where(np.isfinite(reduction.scatter[:2]), reduction.scatter[:2], 1.0)
    measured = np.stack([fit.sd_of(DRAG), fit.sd_of(LIFT)], axis=1) * factor

    def relative(errors: FloatArray) -> FloatArray:
        drag, lift = errors[:, 0], errors[lifts, 1]
        return np.array([_rms(drag) / size[0], _rms(lift) / size[1] if lifts.any() else np.nan])

    along = np.where(used[:, :, 0], reduction.tracks.position[which][:, :, 0], np.nan)
    return Window(
        share,
        float(np.median(np.abs(np.nanmax(along, axis=1) - np.nanmin(along, axis=1)))),
        float(np.median(used[:, :, 0].sum(axis=1))),
        relative(measured),
        relative(bias),
    )


def _truncation(
    reduction: Reduction, law: Law, which: IntArray, used: BoolArray
) -> tuple[FloatArray, Fit, FloatArray]:
    """Fly launches under a law without noise and reduce them: error, fit and true coefficients."""
    tracks = reduction.tracks.take(which)
    spin, fit = reduction.spins.spin[which], reduction.fit
    radius = 0.5 * tracks.diameter
    decay = SPIN_DECAY_SMITS_SMITH * reduction.speed[which] / radius
    heights, side = fit.free[which, LIFT], fit.parameters[which, SIDE]

    def spin_at(after_first: FloatArray) -> FloatArray:
        return np.asarray(spin * np.exp(-decay * (after_first - fit.middle[which])))

    def coefficients(now: FloatArray, speed: FloatArray) -> FloatArray:
        c = law(tracks.reynolds_per_speed * speed, spin_at(now) * radius / speed)
        return np.array([c.drag, np.where(heights, c.lift, fit.parameters[which, LIFT]), side])

    states = march(
        fit.parameters[which, :6].T,
        since_first(tracks.time).T,
        coefficients,
        tracks.force_per_speed,
        np.full(len(which), reduction.setup.gravity),
        np.asarray(reduction.setup.drift),
    )
    position = np.where(np.isfinite(tracks.position), states[:, :3].transpose(2, 0, 1), np.nan)
    flown = replace(tracks, position=position)
    again = fit_tracks(flown, reduction.setup, used, lift=fit.parameters[which, LIFT])
    speed = again.speed_at_middle(tracks)
    c = law(tracks.reynolds_per_speed * speed, spin_at(again.middle) * radius / speed)
    true = np.stack([c.drag, c.lift], axis=1)
    return again.parameters[:, [DRAG, LIFT]] - true, again, true


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))
