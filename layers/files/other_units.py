"""Numbers noted in another unit than the one expected: which unit it may have been."""

import math

# Other units in which a number may have been noted: factor to the expected unit.
OTHER_UNITS = {
    "mm": {"in": 25.4, "cm": 10.0, "1/1000 in": 0.0254, "um": 1e-3},
    "g": {"oz": 28.349523, "kg": 1000.0, "lb": 453.59237, "mg": 1e-3},
    "g cm2": {"kg m2": 1e7, "g mm2": 0.01, "oz in2": 182.9},
    "m/s": {"ft/s": 0.3048, "mph": 0.44704, "km/h": 1.0 / 3.6},
    "us": {"ms": 1e3, "s": 1e6},
    "Hz": {"kHz": 1e3},
    "N": {"kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216},
    "rpm": {"rad/s": 30.0 / math.pi, "1/s": 60.0},
    "m": {"yd": 0.9144, "ft": 0.3048},
    "deg": {"rad": 180.0 / math.pi},
    "1": {"%": 0.01},
    "g/cm3": {"kg/m3": 1e-3, "oz/in3": 1.729994},
    "MPa": {"psi": 6.894757e-3, "ksi": 6.894757, "GPa": 1e3, "Pa": 1e-6, "kgf/cm2": 0.0980665},
    "kN/mm": {"N/mm": 1e-3},
    "s": {},
}


def unit_hint(value: float, unit: str, low: float, high: float) -> str:
    """Suggest the unit in which a value would be plausible; empty if there is none.

    Parameters
    ----------
    value : float
        As noted.
    unit : str
        The expected unit.
    low, high : float
        Plausible range, in that unit.
    """
    for other, factor in OTHER_UNITS.get(unit, {}).items():
        if low <= value * factor <= high:
            return f" (noted in {other}?)"
    return ""


# What a key's name ends in, and the unit it means.
_ENDINGS = {
    "_g_cm3": "g/cm3",
    "_g_cm2": "g cm2",
    "_kn_mm": "kN/mm",
    "_m_s": "m/s",
    "_mpa": "MPa",
    "_mm": "mm",
    "_deg": "deg",
    "_us": "us",
    "_g": "g",
    "_m": "m",
}


def unit_of_key(key: str) -> str:
    """Return the unit that a key's name ends in; empty where it names none.

    Examples
    --------
    >>> unit_of_key("outer_diameter_mm"), unit_of_key("poisson_ratio")
    ('mm', '')
    """
    return next((unit for end, unit in _ENDINGS.items() if key.endswith(end)), "")
