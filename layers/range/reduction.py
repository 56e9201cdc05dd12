"""Tracks -> Reynolds number, spin ratio, drag, lift, side force and spin decay, with errors."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from layers.arrays import BoolArray, FloatArray
from layers.errors import InputError
from layers.flight.aero_file import QUANTITIES
from layers.flight.aerodynamics import ferguson_2022
from layers.range.fit import DRAG, FEWEST_READINGS, LIFT, SIDE, Fit, fit_tracks, since_first
from layers.range.spin import Spins, spins_of
from layers.range.tracks import Setup, Tracks

# Chance that readings without an outlier have one named, over a whole session.
_FALSE_ALARM = 0.02
_MOST_ROUNDS = 6
_GROSS_M, _GROSS_BEND = 0.5, 6.0  # m, m/s2: a slip beyond these needs no fit to be seen
_FEWEST_SPARE = 30  # spare readings of an axis from which their scatter is taken
_KEPT = FEWEST_READINGS + 1  # readings that an axis keeps when outliers are left out
_AXES = ("x_m", "y_m", "z_m")


@dataclass(frozen=True)
class Outlier:
    """A reading that was left out of its launch's fit.

    Attributes
    ----------
    launch : str
    line : int
        Its row in the file.
    column : str
    deviation : float
        From the fit to the others, m.
    sigmas : float
        The same in standard deviations.
    """

    launch: str
    line: int
    column: str
    deviation: float
    sigmas: float


@dataclass(frozen=True)
class Reduction:
    """n reduced launches; arrays (n,), NaN where the track does not say.

    Attributes
    ----------
    tracks : Tracks
        The launches that could be reduced.
    setup : Setup
    fit : Fit
    spins : Spins
    used : (n, m, 3) bool array
        Readings in the fit.
    reynolds, spin_ratio, spin_ratio_sd, speed : arrays
        At the middle of the track, where the coefficients hold.
    drag, drag_sd, lift, lift_sd, side, side_sd : arrays
        Coefficients and their standard errors.
    scatter : (3,) array
        Scatter of the readings over what the setup says, along, up and to the right; NaN where
        there are too few to tell, the setup's then holds.
    outliers : tuple of Outlier
    refused : dict of str to str
        Why a launch was not reduced.
    """

    tracks: Tracks
    setup: Setup
    fit: Fit
    spins: Spins
    used: BoolArray
    reynolds: FloatArray
    spin_ratio: FloatArray
    spin_ratio_sd: FloatArray
    speed: FloatArray
    drag: FloatArray
    drag_sd: FloatArray
    lift: FloatArray
    lift_sd: FloatArray
    side: FloatArray
    side_sd: FloatArray
    scatter: FloatArray
    outliers: tuple[Outlier, ...]
    refused: dict[str, str]


def reduce_tracks(
    tracks: Tracks, setup: Setup | None = None, what: str = "the tracks", keep: bool = False
) -> Reduction:
    """Fit every launch of a session and read its coefficients.

    Parameters
    ----------
    tracks : Tracks
        The launches.
    setup : Setup, optional
        Errors of the readings, gravity, drift.
    what : str
        The file's name, for messages.
    keep : bool
        Whether outliers are named but kept.

    Raises
    ------
    InputError
        If no launch can be reduced.
    """
    setup = setup or Setup()
    refused: dict[str, str] = {}
    good = np.isfinite(tracks.position[:, :, 0]) & ~_gross(tracks)[:, :, 0]
    counts = good.sum(axis=1)
    for name, count in zip(tracks.launch, counts.tolist(), strict=True):
        if count < FEWEST_READINGS:
            refused[name] = (
                f"launch {name} has {count} usable reading{'s' * (count != 1)} along x, but drag "
                f"takes at least {FEWEST_READINGS}"
            )
    tracks = _without(tracks, refused, what)
    used, fit, outliers, scatter = _fitted(tracks, setup, keep)
    bad = _unbelievable(_read(tracks, setup, fit, used, outliers, scatter, refused))
    if bad:
        refused |= bad
        tracks = _without(tracks, refused, what)
        used, fit, outliers, scatter = _fitted(tracks, setup, keep)
    return _read(tracks, setup, fit, used, outliers, scatter, refused)


def _unbelievable(found: Reduction) -> dict[str, str]:
    """Say which launches have no fit, or numbers that no aerodynamic table takes."""
    values = (found.reynolds, found.spin_ratio, found.drag, found.lift)
    bad = {}
    for i, name in enumerate(found.tracks.launch):
        if not found.fit.converged[i]:
            bad[name] = f"launch {name}: no trajectory fits its readings"
            continue
        for (quantity, column), value in zip(QUANTITIES.items(), values, strict=True):
            if value[i] < column.low or value[i] > column.high:
                bad[name] = (
                    f"launch {name}: its readings make {quantity} {value[i]:.3g}, but it must be "
                    f"from {column.low:g} to {column.high:g}; check positions, times, spin, mass "
                    "and diameter"
                )
                break
    return bad


def _without(tracks: Tracks, refused: dict[str, str], what: str) -> Tracks:
    kept = np.array([i for i, name in enumerate(tracks.launch) if name not in refused], dtype=int)
    if not len(kept):
        why = "; ".join(list(refused.values())[:3])
        raise InputError(f"{what}: {why}; no launch could be reduced.")
    return tracks.take(kept)


def _fitted(
    tracks: Tracks, setup: Setup, keep: bool
) -> tuple[BoolArray, Fit, tuple[Outlier, ...], FloatArray]:
    """Fit, leave out outliers one a launch and round, and take the scatter from what is left."""
    measured = np.isfinite(tracks.position)
    gross = _gross(tracks)
    used, named = measured & ~gross, np.where(gross, np.inf, 0.0)
    limit = -float(ndtri(_FALSE_ALARM / 2.0 / measured.sum()))
    for _ in range(_MOST_ROUNDS):
        fit = fit_tracks(tracks, setup, used)
        z = np.abs(_studentised(fit, used))
        spare = np.isfinite(z).sum(axis=(0, 1)) - 3 * len(used)
        for a in np.flatnonzero(spare >= _FEWEST_SPARE):
            z[..., a] /= max(1.4826 * np.nanmedian(z[..., a]), 0.1)
        z = np.where(used & (used.sum(axis=1) >= _KEPT)[:, None, :], np.nan_to_num(z), 0.0)
        worst = z.reshape(len(z), -1).argmax(axis=1)
        rows = np.flatnonzero(z.reshape(len(z), -1).max(axis=1) > limit)
        if not len(rows):
            break
        places = np.unravel_index(worst[rows], z.shape[1:])
        used[(rows, *places)] = False
        named[(rows, *places)] = z[(rows, *places)]
    fit = fit_tracks(tracks, setup, used)
    outliers = _outliers(tracks, fit, named)
    if keep:
        used = measured
        fit = fit_tracks(tracks, setup, used)
    scatter = _scatter(fit, used)
    factor = np.where(np.isfinite(scatter), scatter, 1.0)
    lift = _published_lift(tracks, setup, fit)
    return used, fit_tracks(tracks, setup, used, factor, lift), outliers, scatter


def _published_lift(tracks: Tracks, setup: Setup, fit: Fit) -> FloatArray:
    """Return a published law's lift at each track's middle, unknown spin taken as none."""
    speed = fit.speed_at_middle(tracks)
    spin = np.nan_to_num(spins_of(tracks, setup, fit).spin)
    return ferguson_2022(
        tracks.reynolds_per_speed * speed, 0.5 * tracks.diameter * spin / speed
    ).lift


def _gross(tracks: Tracks) -> BoolArray:
    """Return readings that no flight has, (n, m, 3): they would lead a fit astray.

    They are off the line of median slope (Theil 1950, Sen 1968) by more than weight or drag bends
    any path.
    """
    times = since_first(tracks.time)
    found = np.zeros(tracks.position.shape, dtype=bool)
    for i, axis in np.ndindex(len(times), 3):
        x = tracks.position[i, :, axis]
        there = np.flatnonzero(np.isfinite(x))
        if len(there) < _KEPT:
            continue
        t, x = times[i, there], x[there]
        first, second = np.triu_indices(len(t), 1)
        slope = np.median((x[second] - x[first]) / (t[second] - t[first]))
        off = x - slope * t
        most = _GROSS_M + _GROSS_BEND * (t[-1] - t[0]) ** 2
        found[i, there[np.abs(off - np.median(off)) > most], axis] = True
    return found


def _studentised(fit: Fit, used: BoolArray) -> FloatArray:
    left = np.where(used, 1.0 - fit.leverage, np.nan)
    return np.asarray(fit.residual / fit.sd / np.sqrt(np.where(left > 1e-6, left, np.nan)))


def _scatter(fit: Fit, used: BoolArray) -> FloatArray:
    """Return root mean square residuals over what was assumed, by axis."""
    fitted = used & fit.free[:, None, :3]
    squares = np.where(fitted, np.nan_to_num(fit.residual / fit.sd) ** 2, 0.0).sum(axis=(0, 1))
    spare = np.where(fitted, 1.0 - fit.leverage, 0.0).sum(axis=(0, 1))
    enough = spare >= _FEWEST_SPARE
    return np.where(enough, np.sqrt(squares / np.where(enough, spare, 1.0)), np.nan)


def _outliers(tracks: Tracks, fit: Fit, named: FloatArray) -> tuple[Outlier, ...]:
    off = tracks.position - fit.path
    # A gross slip was named without a fit: the reading's own standard deviation measures it.
    sigmas = np.where(np.isinf(named), np.abs(off) / fit.sd, named)
    return tuple(
        Outlier(
            tracks.launch[i],
            int(tracks.line[i, j]),
            _AXES[a],
            float(off[i, j, a]),
            float(sigmas[i, j, a]),
        )
        for i, j, a in zip(*np.nonzero(named), strict=True)
    )


def _read(
    tracks: Tracks,
    setup: Setup,
    fit: Fit,
    used: BoolArray,
    outliers: tuple[Outlier, ...],
    scatter: FloatArray,
    refused: dict[str, str],
) -> Reduction:
    speed = fit.speed_at_middle(tracks)
    spins = spins_of(tracks, setup, fit)
    radius = 0.5 * tracks.diameter

    # Without heights the flight's angle is unknown: its sine times lift comes on top of drag.
    climb = np.where(fit.free[:, LIFT], 0.0, setup.climb_sd * fit.parameters[:, LIFT])
    drag, drag_sd = fit.parameters[:, DRAG], np.hypot(fit.sd_of(DRAG), climb)

    def of(parameter: int) -> tuple[FloatArray, FloatArray]:
        free = fit.free[:, parameter]
        return (
            np.where(free, fit.parameters[:, parameter], np.nan),
            np.where(free, fit.sd_of(parameter), np.nan),
        )

    return Reduction(
        tracks,
        setup,
        fit,
        spins,
        used,
        tracks.reynolds_per_speed * speed,
        spins.spin * radius / speed,
        spins.spin_sd * radius / speed,
        speed,
        drag,
        drag_sd,
        *of(LIFT),
        *of(SIDE),
        scatter,
        outliers,
        refused,
    )
