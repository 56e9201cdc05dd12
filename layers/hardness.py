"""Durometer hardness and Young's modulus: Shore A, C and D and JIS-C, forth, back and across.

A durometer presses an indenter by a spring; the reading S says how deep it went under what force.
The depth is 2.5 mm at 0 and nil at 100 points, the spring's force is F = F0 + k S. In linear
elasticity, for a deep incompressible piece, the modulus follows from both:

- truncated cone (A, C, JIS-C), as a flat punch of mean radius a: ``E = 3 F / (8 a depth)``;
- pointed cone (D), half-angle b: ``E = 3 pi F / (8 tan(b) depth^2)``.

So every relation is ``E = (p + q S) / (100 - S)^n``. Readings are those at once: after some seconds
a viscoelastic material reads lower.
"""

import math
from dataclasses import dataclass

from layers.errors import InputError, find_named

# Scatter of any hardness-to-modulus relation as a share of the modulus: one reading of one relation
# against a mechanical test. Qi, Joyce and Boyce 2003 differ from their own finite-element point by
# 49 %.
HARDNESS_SCATTER = 0.40
# What two good gauges of one indenter and nearly one spring differ by, points; from memory.
_GAUGE_SCATTER = 1.0

# Gent's punch, MPa a newton at a depth of one point: 1.37505 mm is 8 a / 3 with a = 0.5156 mm, the
# mean radius of the truncated cone of types A and C; 2.54 mm is the depth at 0 points.
_PUNCH = 100.0 / (1.37505 * 2.54)


@dataclass(frozen=True)
class Scale:
    """A durometer scale, its relation to the modulus and where that holds.

    Attributes
    ----------
    name, label, key : str
        The letter, how a reading is written, and its key in files.
    low, high : float
        Readings for which the relation holds.
    p, q : float
        Of the relation: MPa, and MPa a point, times points to the power n.
    n : int
        1 for the truncated cone, 2 for the pointed one.
    source : str
        Of the relation, in brief.
    """

    name: str
    label: str
    key: str
    low: float
    high: float
    p: float
    q: float
    n: int
    source: str


SCALES = (
    # 56 + 7.62336 S is the force in gf; Gent takes 0.00981 N a gf.
    Scale(
        "A", "Shore A", "shore_a", 40, 95, 0.54936 * _PUNCH, 0.0747851616 * _PUNCH, 1, "Gent 1958"
    ),
    Scale(
        "C", "Shore C", "shore_c", 30, 95, 0.0, 0.4445 * _PUNCH, 1, "Gent 1958, spring of type C"
    ),
    Scale(
        "JIS-C",
        "JIS-C",
        "jis_c",
        30,
        95,
        0.981 * _PUNCH,
        0.4315 * _PUNCH,
        1,
        "Gent 1958, spring of JIS-C",
    ),
    Scale("D", "Shore D", "shore_d", 30, 80, 0.0, 3127.52, 2, "Qi, Joyce, Boyce 2003, eq. 11"),
)


def find_scale(name: str) -> Scale:
    """Return the scale of this name; ``shore_d``, ``Shore D`` and ``JISC`` are understood too.

    Raises
    ------
    InputError
        If there is none.
    """
    plain = name.upper().replace("_", "-").removeprefix("SHORE").strip(" -")
    return find_named(SCALES, "JIS-C" if plain in ("JISC", "JIS C") else plain, "scale", "list")


def modulus_from_hardness(scale: str, value: float) -> float:
    """Young's modulus from a durometer reading.

    Parameters
    ----------
    scale : str
        ``A``, ``C``, ``JIS-C`` or ``D``.
    value : float
        Reading at once, in the scale's range: 40 to 95 A, 30 to 95 C and JIS-C, 30 to 80 D.

    Returns
    -------
    float
        Quasi-static Young's modulus, MPa, with a scatter of +-40 % (`HARDNESS_SCATTER`).

    Raises
    ------
    InputError
        If the scale is unknown or the reading outside its range.

    References
    ----------
    A: Gent 1958, Trans. Inst. Rubber Ind. 34, 46, as restated elsewhere,
    ``E = 0.0981 (56 + 7.62336 S) / (0.137505 (254 - 2.54 S))``.
    C, JIS-C: the same punch under the stronger spring. Geometry and spring of ASTM D2240 type C and
    of JIS K 6301 type C from memory; both springs give the same force at 75 points.
    D: Qi, Joyce, Boyce 2003, Rubber Chem. Technol. 76, 419, eq. 11, as restated elsewhere,
    ``E = (781.88 - 156.376 u) / u^2`` with ``u = (100 - S) / 20``; it is the pointed cone of
    Sneddon 1965, Int. J. Eng. Sci. 3, 47, of 30 degrees. The paper's own finite-element point at
    62 D is 90 MPa, 49 % below the formula.

    Examples
    --------
    >>> round(modulus_from_hardness("A", 70), 2), round(modulus_from_hardness("C", 75), 1)
    (5.52, 38.2)
    >>> round(modulus_from_hardness("D", 60), 1)
    117.3
    """
    known = find_scale(scale)
    if not known.low <= value <= known.high:
        raise InputError(
            f"hardness {known.label} is {value:g}, but must be from {known.low:g} to "
            f"{known.high:g}, where its relation to the modulus holds."
        )
    return _modulus_mpa(known, value)


def _modulus_mpa(scale: Scale, value: float) -> float:
    return float((scale.p + scale.q * value) / (100.0 - value) ** scale.n)


def hardness_from_modulus(scale: str, modulus_mpa: float) -> tuple[float, float]:
    """Durometer reading of a Young's modulus.

    Parameters
    ----------
    scale : str
        ``A``, ``C``, ``JIS-C`` or ``D``.
    modulus_mpa : float
        Quasi-static Young's modulus, MPa.

    Returns
    -------
    reading, scatter : float
        Points of the scale; the scatter is that of the relation.

    Raises
    ------
    InputError
        If the scale is unknown, or the reading would be outside its range.

    Examples
    --------
    >>> [round(x, 1) for x in hardness_from_modulus("D", 117.3)]
    [60.0, 6.0]
    """
    return _reading(find_scale(scale), modulus_mpa, HARDNESS_SCATTER)


def converted_hardness(value: float, scale: str, to: str) -> tuple[float, float]:
    """Convert a reading to another scale, by way of the modulus.

    Parameters
    ----------
    value : float
        Reading.
    scale, to : str
        Its scale; the one wanted.

    Returns
    -------
    reading, scatter : float
        Points of the wanted scale; both relations scatter.

    Raises
    ------
    InputError
        If a scale is unknown, or a reading outside its range.

    Examples
    --------
    >>> [round(x) for x in converted_hardness(95, "A", "D")]
    [44, 10]
    """
    target = find_scale(to)
    modulus = modulus_from_hardness(scale, value)
    reading, scatter = _reading(target, modulus, math.hypot(HARDNESS_SCATTER, HARDNESS_SCATTER))
    alike = {find_scale(scale).name, target.name} <= {"C", "JIS-C"}
    return reading, _GAUGE_SCATTER if alike else scatter


def _reading(scale: Scale, modulus_mpa: float, scatter: float) -> tuple[float, float]:
    """Invert the relation; `scatter` is that of the modulus, as a share."""
    lowest, highest = (_modulus_mpa(scale, s) for s in (scale.low, scale.high))
    # The ends themselves may miss by a rounding.
    if not lowest * (1.0 - 1e-9) <= modulus_mpa <= highest * (1.0 + 1e-9):
        raise InputError(
            f"a modulus of {modulus_mpa:.3g} MPa is outside {scale.label} {scale.low:g} to "
            f"{scale.high:g} ({lowest:.2g} to {highest:.2g} MPa), where the relation holds."
        )
    value = reading_of(scale, modulus_mpa)
    # d ln E / dS
    slope = scale.q / (scale.p + scale.q * value) + scale.n / (100.0 - value)
    return value, scatter / slope


def reading_of(scale: Scale, modulus_mpa: float) -> float:
    """Return the reading of a modulus, MPa; beyond the range of the scale it is extrapolated."""
    if scale.n == 1:
        return (100.0 * modulus_mpa - scale.p) / (scale.q + modulus_mpa)
    # E (100 - S)^2 = q S; of the two roots the one below 100.
    half = 100.0 + scale.q / (2.0 * modulus_mpa)
    return half - math.sqrt(half**2 - 1e4)


def modulus_words(modulus_mpa: float) -> str:
    """Write a modulus that came from a hardness to the two digits that it deserves.

    Examples
    --------
    >>> modulus_words(117.3), modulus_words(5.52)
    ('120', '5.5')
    """
    decimals = 1 - math.floor(math.log10(modulus_mpa))
    return f"{round(modulus_mpa, decimals):.{max(0, decimals)}f}"
