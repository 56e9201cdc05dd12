"""Published drag and lift of a spinning dimpled ball over Reynolds number and spin ratio.

Each law is one function of (Re, S) with Re = V D / nu and S = omega R / V; forces are
C (rho V^2 / 2) (pi R^2). Outside a law's range the coefficients are those of the nearest edge and
`Coefficients.inside` is false there, so that a flight can go on and say so. No law knows the
user's dimples: compare builds under one law, never across laws.
"""

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.errors import InputError

# d omega / dt = -k omega V / R, with k of Smits and Smith 1994 or of Tavares et al. 1999 (both in
# Science and Golf, volumes II and III, as restated elsewhere).
SPIN_DECAY_SMITS_SMITH = 2.0e-5
SPIN_DECAY_TAVARES = 2.5e-5


@dataclass(frozen=True)
class Coefficients:
    """Drag and lift coefficients and where they are inside the law's range; arrays of one shape."""

    drag: FloatArray
    lift: FloatArray
    inside: BoolArray


Law = Callable[[FloatArray, FloatArray], Coefficients]


def _held(values: FloatArray, low: float, high: float) -> tuple[FloatArray, BoolArray]:
    """Hold values at the edges of a range and say which were inside."""
    return np.clip(values, low, high), (values >= low) & (values <= high)


def us_6186002(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
    """Regression over seven conditions in an indoor range, a ball of about 1990s dimples.

    CD = 0.2028 + 2.8466 S^2 + 0.0165 r - 0.2159 S, CL = 0.0860 + 0.6463 S - 0.0122 / r^2 +
    1.4789 S^2, r = Re / 1e5.

    Parameters
    ----------
    reynolds, spin_ratio : arrays of one shape
        Valid for 0.81e5 to 2.0e5 and 0.044 to 0.22, the measured conditions.

    Returns
    -------
    Coefficients

    Notes
    -----
    Known bias: within 0.005 of its own seven conditions; a fast drive starts above its Reynolds
    range and a short iron ends above its spin range.

    References
    ----------
    US 6,186,002, regression and conditions as restated elsewhere.

    Examples
    --------
    >>> c = us_6186002(np.array([1.61e5]), np.array([0.090]))  # measured: 0.234, 0.151
    >>> c.drag.round(3), c.lift.round(3), c.inside
    (array([0.233]), array([0.151]), array([ True]))
    """
    re, in_re = _held(np.asarray(reynolds, float), 0.81e5, 2.0e5)
    s, in_s = _held(np.asarray(spin_ratio, float), 0.044, 0.22)
    r = re / 1e5
    drag = 0.2028 + 2.8466 * s**2 + 0.0165 * r - 0.2159 * s
    lift = 0.0860 + 0.6463 * s - 0.0122 / r**2 + 1.4789 * s**2
    return Coefficients(drag, lift, in_re & in_s)


_BEARMAN_HARVEY = np.array(
    [
        [0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.275],
        [0.265, 0.264, 0.267, 0.283, 0.299, 0.3125, 0.319],
        [0.081, 0.111, 0.144, 0.177, 0.211, 0.2465, 0.262],
    ]
)


def bearman_harvey_1976(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
    """Wind-tunnel readings of a spinning ball, interpolated linearly in S.

    Parameters
    ----------
    reynolds, spin_ratio : arrays of one shape
        Valid for 1.26e5 to 2.38e5 and 0.02 to 0.275; no dependence on Re inside.

    Returns
    -------
    Coefficients

    Notes
    -----
    Known bias: dimples of the 1970s; drag is above that of every later law here at driver spin,
    so carries come out short. Read from curves, about 0.005 in either coefficient.

    References
    ----------
    Bearman and Harvey 1976, Aeronautical Quarterly 27, 112, table as restated elsewhere.

    Examples
    --------
    >>> c = bearman_harvey_1976(np.array([2e5, 1e5]), np.array([0.10, 0.10]))
    >>> c.drag, c.lift, c.inside
    (array([0.267, 0.267]), array([0.144, 0.144]), array([ True, False]))
    """
    _, in_re = _held(np.asarray(reynolds, float), 1.26e5, 2.38e5)
    s, in_s = _held(np.asarray(spin_ratio, float), 0.02, 0.275)
    knots, drag, lift = _BEARMAN_HARVEY
    return Coefficients(np.interp(s, knots, drag), np.interp(s, knots, lift), in_re & in_s)


def smits_smith_1994(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
    """Wind-tunnel fit at driver conditions.

    CD = 0.24 + 0.18 S + 0.06 sin(pi (Re - 90000) / 200000), CL = 0.54 S^0.4.

    Parameters
    ----------
    reynolds, spin_ratio : arrays of one shape
        Valid for 7e4 to 2.1e5 and 0.08 to 0.2.

    Returns
    -------
    Coefficients

    Notes
    -----
    Known bias: drag peaks at Re 1.9e5 and falls on both sides, which other laws do not show; a
    drive at 76 m/s starts just above the Reynolds range and just below the spin range.

    References
    ----------
    Smits and Smith 1994, Science and Golf II, 340, as restated elsewhere.

    Examples
    --------
    >>> c = smits_smith_1994(np.array([0.9e5]), np.array([0.1]))
    >>> c.drag.round(4), c.lift.round(4), c.inside
    (array([0.258]), array([0.215]), array([ True]))
    """
    re, in_re = _held(np.asarray(reynolds, float), 7e4, 2.1e5)
    s, in_s = _held(np.asarray(spin_ratio, float), 0.08, 0.2)
    drag = 0.24 + 0.18 * s + 0.06 * np.sin(np.pi * (re - 90000.0) / 200000.0)
    return Coefficients(drag, 0.54 * s**0.4, in_re & in_s)


def ferguson_2022(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
    """Fit to 1,040 real shots: the default, since it alone covers whole drives and mid irons.

    CD = 0.1304 + 0.9287 S - 0.8259 S^2, CL = 0.0504 + 1.2031 S - 1.1490 S^2.

    Parameters
    ----------
    reynolds, spin_ratio : arrays of one shape
        Valid for S of 0.02 to 0.75; its Reynolds range is not stated and not checked.

    Returns
    -------
    Coefficients

    Notes
    -----
    Known bias: no dependence on Re, which the other laws put at up to 25 % of the drag; the drag
    at small S is well below any wind-tunnel reading, as a fit to whole flights may be. A high wedge
    shot leaves its range of S on the way down.

    References
    ----------
    Ferguson, McNally, McPhee 2022, doi 10.5703/1288284317493, as restated elsewhere.

    Examples
    --------
    >>> c = ferguson_2022(np.array([2e5, 2e5]), np.array([0.1, 0.8]))
    >>> c.drag.round(4), c.lift.round(4), c.inside
    (array([0.215 , 0.3624]), array([0.1592, 0.3064]), array([ True, False]))
    """
    s, in_s = _held(np.asarray(spin_ratio, float), 0.02, 0.75)
    drag = 0.1304 + 0.9287 * s - 0.8259 * s**2
    lift = 0.0504 + 1.2031 * s - 1.1490 * s**2
    return Coefficients(drag, lift, in_s & np.isfinite(reynolds))


LAWS: dict[str, Law] = {
    "ferguson 2022": ferguson_2022,
    "smits smith 1994": smits_smith_1994,
    "bearman harvey 1976": bearman_harvey_1976,
    "us 6186002": us_6186002,
}


def find_law(name: str) -> Law:
    """Return the published law of this name.

    Raises
    ------
    InputError
        If there is none; the known names are told.
    """
    if name in LAWS:
        return LAWS[name]
    near = get_close_matches(name, LAWS, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(LAWS)}."
    raise InputError(f"aerodynamic law {name!r} is not known; {hint}")
