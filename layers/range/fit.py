"""Trajectories fitted to tracks: weighted least squares on the equations of motion.

Eleven parameters a launch: position and velocity at its first reading; drag, lift and side-force
coefficient at its middle, the mean time of its readings; and the growth of drag and lift in a
second. In the middle a slope and the coefficient itself hardly disturb each other. Slopes have a
prior of `SLOPE_SD`, several times what published laws give on a track. Gauss-Newton steps for all
launches at once; derivatives are differences of the motion, which is close to linear in all.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.range.motion import march
from layers.range.tracks import Setup, Tracks

FEWEST_READINGS = 4
DRAG, LIFT, SIDE = 6, 7, 8
SLOPE_SD = 0.1  # 1/s

_STEPS = np.array([*[1e-4] * 3, *[1e-3] * 6, *[1e-2] * 2])
_COUNT = len(_STEPS)
# No parameter goes farther than this, whatever the readings: m, m/s, coefficients, 1/s.
_FARTHEST = np.array([*[1e3] * 3, *[200.0] * 3, *[2.0] * 3, *[5.0] * 2])
_MOST_ITERATIONS = 12
_CONVERGED = 1e-9  # of a coefficient


@dataclass(frozen=True)
class Fit:
    """n fitted launches.

    Attributes
    ----------
    parameters : (n, 11) array
        Position, velocity, drag, lift, side force, growth of drag and lift in a second.
    covariance : (n, 11, 11) array
        For readings of the standard deviations `sd`.
    free : (n, 11) bool array
        What was fitted; the rest is held at 0, as the track has no readings of it.
    residual : (n, m, 3) array
        Reading less model, m; NaN where there is no reading.
    sd : (n, m, 3) array
        Standard deviation of a reading as assumed, its time's error included, m.
    leverage : (n, m, 3) array
        Share of a reading's own error that its fitted value follows; 0 where it was not used.
    middle : (n,) array
        Seconds from the first reading to where the coefficients hold.
    path : (n, m, 3) array
        Fitted positions, m.
    speed : (n, m) array
        Airspeed at the readings, m/s.
    converged : (n,) bool array
    """

    parameters: FloatArray
    covariance: FloatArray
    free: BoolArray
    residual: FloatArray
    sd: FloatArray
    leverage: FloatArray
    middle: FloatArray
    path: FloatArray
    speed: FloatArray
    converged: BoolArray

    def speed_at_middle(self, tracks: Tracks) -> FloatArray:
        """Return the airspeed at the middle of each track, m/s, (n,)."""
        each = zip(self.middle, since_first(tracks.time), self.speed, strict=True)
        return np.array([np.interp(middle, times, speed) for middle, times, speed in each])

    def sd_of(self, parameter: int) -> FloatArray:
        """Return the standard error of one parameter, (n,), for readings as assumed."""
        return np.asarray(np.sqrt(self.covariance[:, parameter, parameter]))


def measured_axes(used: BoolArray) -> BoolArray:
    """Return which axes have readings enough to be fitted, (n, 3), given those used, (n, m, 3)."""
    return np.asarray(used.sum(axis=1) >= FEWEST_READINGS)


def fit_tracks(
    tracks: Tracks,
    setup: Setup,
    used: BoolArray,
    scatter: FloatArray | None = None,
    lift: FloatArray | None = None,
) -> Fit:
    """Fit every launch.

    Parameters
    ----------
    tracks : Tracks
        n launches; each has at least `FEWEST_READINGS` of x in use.
    setup : Setup
        Errors of the readings, gravity, drift.
    used : (n, m, 3) bool array
        Which readings count.
    scatter : (3,) array, optional
        Factor on the readings' standard deviations by axis; 1 otherwise.
    lift : (n,) array, optional
        Lift coefficient of tracks without heights; otherwise their lift bears their weight. They
        start level.
    """
    factor = np.ones(3) if scatter is None else scatter
    axes = measured_axes(used)
    free = np.concatenate([axes, axes, axes, axes[:, :2]], axis=1)
    times = since_first(tracks.time)
    along = used[:, :, 0]
    middle = (times * along).sum(axis=1) / along.sum(axis=1)
    gravity = np.where(axes[:, 1] | (lift is not None), setup.gravity, 0.0)
    model = _Model(tracks, setup, times.T, middle, free, gravity)
    p = _start(tracks, used, times, axes)
    p[:, LIFT] = np.where(axes[:, 1], 0.15, 0.0 if lift is None else lift)
    converged = np.zeros(len(p), dtype=bool)
    for _ in range(_MOST_ITERATIONS):
        states, slopes = model.linearised(p)
        sd = factor * np.hypot(setup.position_sd, states[:, :, 3:] * setup.time_sd)
        weighted = slopes * np.where(used & axes[:, None, :], sd**-2, 0.0)[..., None]
        residual = np.where(used, tracks.position - states[:, :, :3], 0.0)
        change, inverse = _step(p, weighted, slopes, residual, free)
        converged |= np.abs(change[:, DRAG : SIDE + 1]).max(axis=1) < _CONVERGED
        # A launch that runs away stays where it was: it will not converge.
        p = np.clip(p + np.where(np.isfinite(change), change, 0.0), -_FARTHEST, _FARTHEST)
        if converged.all():
            break
    wind = states[:, :, 3:] - np.asarray(setup.drift)
    return Fit(
        p,
        inverse * free[:, :, None],
        free,
        np.where(used, residual, np.nan),
        sd,
        np.einsum("nmap,npq,nmaq->nma", weighted, inverse, slopes),
        middle,
        states[:, :, :3],
        np.sqrt(np.sum(wind**2, axis=2)),
        converged & (np.abs(p) < _FARTHEST).all(axis=1),
    )


def _step(
    p: FloatArray, weighted: FloatArray, slopes: FloatArray, residual: FloatArray, free: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return a Gauss-Newton step of each launch, and the inverse of its normal matrix."""
    prior = np.zeros(_COUNT)
    prior[9:] = SLOPE_SD**-2
    normal = np.einsum("nmap,nmaq->npq", weighted, slopes)
    normal += np.where(free, prior, 1.0)[:, :, None] * np.eye(_COUNT)
    inverse = np.linalg.inv(normal)
    right = np.einsum("nmap,nma->np", weighted, residual) - prior * p * free
    return np.einsum("npq,nq->np", inverse, right), inverse


def since_first(time: FloatArray) -> FloatArray:
    """Return seconds since the first reading, (n, m); the last one goes on where there is none."""
    since = np.nan_to_num(time - time[:, :1], nan=0.0)
    return np.asarray(np.maximum.accumulate(since, axis=1))


def _start(tracks: Tracks, used: BoolArray, times: FloatArray, axes: BoolArray) -> FloatArray:
    """Return first parameters: a straight line through each axis and usual coefficients."""
    p = np.zeros((len(times), _COUNT))
    for axis in range(3):
        w = used[:, :, axis] & axes[:, axis, None]
        count = np.maximum(w.sum(axis=1), 1)
        x = np.where(w, tracks.position[:, :, axis], 0.0)
        mean_t, mean_x = (times * w).sum(axis=1) / count, x.sum(axis=1) / count
        away = (times - mean_t[:, None]) * w
        slope = (away * x).sum(axis=1) / np.maximum((away**2).sum(axis=1), 1e-12)
        p[:, 3 + axis], p[:, axis] = slope, mean_x - slope * mean_t
    p[:, DRAG] = 0.25
    return p


@dataclass(frozen=True)
class _Model:
    """The motion of each launch, and its derivatives."""

    tracks: Tracks
    setup: Setup
    times: FloatArray  # (m, n)
    middle: FloatArray
    free: BoolArray
    gravity: FloatArray

    def linearised(self, p: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return states (n, m, 6), and derivatives of positions (n, m, 3, 11)."""
        n, copies = len(p), _COUNT + 1
        many = np.repeat(p[None], copies, axis=0)
        for i in range(_COUNT):
            many[i + 1, :, i] += np.where(self.free[:, i], _STEPS[i], 0.0)
        flat = many.reshape(-1, _COUNT).T
        middle = np.tile(self.middle, copies)

        def coefficients(now: FloatArray, _: FloatArray) -> FloatArray:
            here = flat[DRAG : SIDE + 1].copy()
            here[:2] += flat[9:] * (now - middle)
            return here

        states = march(
            flat[:6],
            np.tile(self.times, copies),
            coefficients,
            np.tile(self.tracks.force_per_speed, copies),
            np.tile(self.gravity, copies),
            np.asarray(self.setup.drift),
        )
        states = states.reshape(len(self.times), 6, copies, n).transpose(2, 3, 0, 1)
        moved = (states[1:, ..., :3] - states[0, ..., :3]) / _STEPS[:, None, None, None]
        return states[0], np.moveaxis(moved, 0, -1)
