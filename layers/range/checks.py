"""What a session says of itself: gravity, drift of the air, and a trend from launch to launch."""

from dataclasses import dataclass

import numpy as np

from layers.range.reduction import Reduction
from layers.range.surface import Surface

# Launches of less spin ratio than this show where lift vanishes. Lift turns about with spin, so it
# is close to a S + b S^3, but not near the critical Reynolds number.
LITTLE_SPIN, _ABOVE_CRITICAL = 0.03, 1e5
_FEWEST = 4


@dataclass(frozen=True)
class Checked:
    """A quantity of a session, its standard error, and how many launches it rests on.

    Attributes
    ----------
    value, error : float
        NaN where the session does not say.
    launches : int
    """

    value: float
    error: float
    launches: int

    @property
    def sigmas(self) -> float:
        """The value in standard errors."""
        return self.value / self.error


UNKNOWN = Checked(np.nan, np.nan, 0)


@dataclass(frozen=True)
class Checks:
    """Checks of a session.

    Attributes
    ----------
    gravity : Checked
        What gravity would have to be more, m/s2, for lift to vanish where spin does, by launches of
        spin ratio below `LITTLE_SPIN` and Reynolds number above 1e5.
    drift : Checked
        Velocity of the air to the right that side forces have in common, m/s. Along the range a
        drift cannot be told from drag by launches of one direction.
    tilt : Checked
        Tilt of the spin axis that side forces have in common, rad, positive to the right.
    trend : tuple of Checked
        Change of drag and of lift over the session, beside the surface, relative.
    """

    gravity: Checked
    drift: Checked
    tilt: Checked
    trend: tuple[Checked, Checked]


def check_session(reduction: Reduction, surface: Surface | None) -> Checks:
    """Check a session.

    Parameters
    ----------
    reduction : Reduction
        The session.
    surface : Surface, optional
        Fitted to its rows; without one there is no trend.
    """
    drift, tilt = _sideways(reduction)
    trend = (UNKNOWN, UNKNOWN) if surface is None else _trends(reduction, surface)
    return Checks(_gravity(reduction), drift, tilt, trend)


def _gravity(reduction: Reduction) -> Checked:
    r = reduction
    little = np.isfinite(r.lift) & (r.spin_ratio < LITTLE_SPIN) & (r.reynolds > _ABOVE_CRITICAL)
    if little.sum() < _FEWEST + 2:
        return UNKNOWN
    rise = (r.tracks.force_per_speed * r.speed**2)[little]
    error = rise * r.lift_sd[little]
    # Upward force less what grows with spin: what is left is gravity that was taken too strong.
    s = r.spin_ratio[little]
    design = np.column_stack([-np.ones_like(rise), rise * s, rise * s**3]) / error[:, None]
    covariance = np.linalg.pinv(design.T @ design)
    target = rise * r.lift[little] / error
    found = covariance @ (design.T @ target)
    misfit = max(1.0, float(np.sum((target - design @ found) ** 2)) / (len(rise) - 3))
    return Checked(float(found[0]), float(np.sqrt(covariance[0, 0] * misfit)), len(rise))


def _sideways(reduction: Reduction) -> tuple[Checked, Checked]:
    """Split side forces into the air's drift, CD u / V, and a common tilt, CL t."""
    r = reduction
    known = np.isfinite(r.side) & np.isfinite(r.lift)
    if known.sum() < _FEWEST:
        return UNKNOWN, UNKNOWN
    design = np.column_stack([r.drag / r.speed, r.lift])[known] / r.side_sd[known, None]
    covariance = np.linalg.pinv(design.T @ design)
    found = covariance @ (design.T @ (r.side / r.side_sd)[known])
    error = np.sqrt(np.diag(covariance))
    count = int(known.sum())
    drift, tilt = (Checked(float(v), float(e), count) for v, e in zip(found, error, strict=True))
    return drift, tilt


def _trends(reduction: Reduction, surface: Surface) -> tuple[Checked, Checked]:
    r = reduction
    known = np.isfinite(r.lift) & np.isfinite(r.spin_ratio)
    if known.sum() < _FEWEST:
        return UNKNOWN, UNKNOWN
    order = np.flatnonzero(known) / (len(known) - 1) - 0.5
    expected = surface.coefficients(r.reynolds[known], r.spin_ratio[known])
    found = []
    for values, errors, mean, scatter in zip(
        (r.drag, r.lift),
        (r.drag_sd, r.lift_sd),
        expected,
        (surface.drag.scatter, surface.lift.scatter),
        strict=True,
    ):
        size = float(np.mean(np.abs(mean)))
        weight = 1.0 / (errors[known] ** 2 + scatter**2)
        centred = order - np.average(order, weights=weight)
        curvature = float(np.sum(weight * centred**2))
        slope = float(np.sum(weight * centred * (values[known] - mean))) / curvature
        found.append(Checked(slope / size, curvature**-0.5 / size, int(known.sum())))
    return found[0], found[1]
