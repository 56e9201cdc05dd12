"""Hardness at a body's surface less at its centre, as cut cores are read."""

import math

from layers.hardness import HARDNESS_SCATTER, find_scale, reading_of

_SHORE_C = find_scale("C")


def hardness_difference(centre_mpa: float, surface_mpa: float) -> tuple[float, float, str]:
    """Return surface less centre in Shore C, by the relation of `layers.hardness`.

    Parameters
    ----------
    centre_mpa, surface_mpa : float
        Young's modulus, MPa.

    Returns
    -------
    difference, error : float
        Points; the error is the relation's scatter at both ends, taken as independent.
    caution : str
        Empty, or that a reading is outside the range of the relation.

    Examples
    --------
    >>> round(hardness_difference(11.286, 78.18)[0], 1), round(hardness_difference(20, 20)[0], 1)
    (39.0, 0.0)
    """
    readings = [reading_of(_SHORE_C, modulus) for modulus in (centre_mpa, surface_mpa)]
    scatter = [HARDNESS_SCATTER / (1.0 / s + 1.0 / (100.0 - s)) for s in readings]
    outside = [s for s in readings if not _SHORE_C.low <= s <= _SHORE_C.high]
    caution = ""
    if outside:
        caution = (
            f"Shore C {outside[0]:.0f} is outside {_SHORE_C.low:g} to {_SHORE_C.high:g}, where its "
            "relation to the modulus holds"
        )
    return readings[1] - readings[0], math.hypot(*scatter), caution
