"""Numbers noted in another unit than the one expected: read where said, inferred where not."""

import math
import re
from typing import Any

from layers.errors import Fault, InputError, faulty

# Other units in which a number may have been noted: factor to the expected unit.
OTHER_UNITS = {
    "mm": {"in": 25.4, "thou": 0.0254, "cm": 10.0, "1/1000 in": 0.0254, "um": 1e-3, "m": 1e3},
    "g": {"oz": 28.349523, "kg": 1000.0, "lb": 453.59237, "mg": 1e-3},
    "g cm2": {"kg m2": 1e7, "g mm2": 0.01, "oz in2": 182.899785},
    "m/s": {"ft/s": 0.3048, "mph": 0.44704, "km/h": 1.0 / 3.6},
    "us": {"ms": 1e3, "s": 1e6},
    "Hz": {"kHz": 1e3},
    "N": {"kN": 1e3, "kgf": 9.80665, "lbf": 4.4482216},
    "rpm": {"rad/s": 30.0 / math.pi, "1/s": 60.0},
    "m": {"yd": 0.9144, "ft": 0.3048, "in": 0.0254, "mm": 1e-3, "cm": 0.01, "km": 1e3},
    "deg": {"rad": 180.0 / math.pi},
    "1": {"%": 0.01},
    "g/cm3": {"kg/m3": 1e-3, "oz/in3": 1.729994},
    "MPa": {"psi": 6.894757e-3, "ksi": 6.894757, "GPa": 1e3, "Pa": 1e-6, "kgf/cm2": 0.0980665},
    "kN/mm": {"N/mm": 1e-3, "lbf/in": 0.1751268e-3},
    "g mm": {"oz in": 28.349523 * 25.4},
    "s/m": {"s/ft": 1.0 / 0.3048},
    "s": {"ms": 1e-3, "us": 1e-6, "min": 60.0},
    "min": {"s": 1.0 / 60.0, "h": 60.0},
    "deg C": {"deg F": 5.0 / 9.0},
}
# Readings of other units that mean 0 in the expected one.
_ZERO = {"deg F": 32.0}
# What a unit measures, with an example for messages.
_MEASURES = {
    "mm": ("length", "42.67 mm or 1.680 in"),
    "m": ("length", "200 m or 219 yd"),
    "g": ("mass", "45.9 g or 1.62 oz"),
    "g cm2": ("moment of inertia", "82 g cm2 or 0.448 oz in2"),
    "m/s": ("speed", "50 m/s or 112 mph"),
    "us": ("time", "450 us"),
    "s": ("time", "6.2 s"),
    "min": ("time", "20 min"),
    "Hz": ("frequency", "3000 Hz"),
    "N": ("force", "1275 N or 287 lbf"),
    "rpm": ("rate of spin", "2600 rpm"),
    "deg": ("angle", "12 deg"),
    "1": ("ratio", "0.45"),
    "g/cm3": ("density", "1.15 g/cm3"),
    "MPa": ("modulus", "50 MPa or 7.25 ksi"),
    "kN/mm": ("stiffness", "0.4 kN/mm"),
    "deg C": ("temperature", "160 deg C or 320 deg F"),
}
_SAID = re.compile(r"\s*([-+]?(?:\d++\.?+\d*+|\.\d++)(?:[eE][-+]?\d++)?+)\s*([^\d\s.,+-].*?)\s*")
_SIGNS = str.maketrans({"²": "2", "³": "3", "µ": "u", "μ": "u", "*": " ", "·": " ", "″": '"'})
_SPELT = {'"': "in", "inch": "in", "inches": "in", "yards": "yd", "mil": "thou", "mils": "thou"}
_SPELT |= {"°": "deg", "°C": "deg C", "°F": "deg F", "C": "deg C", "F": "deg F", "yard": "yd"}


def read_quantity(text: str, unit: str, name: str) -> float | None:
    """Read a number that says its unit, such as '0.050 in', into the expected unit.

    Parameters
    ----------
    text : str
        What the file has.
    unit : str
        The expected unit.
    name : str
        Of the key or column, for the message.

    Returns
    -------
    float or None
        None if the text is no number with a unit.

    Raises
    ------
    InputError
        If its unit measures something else or is not known.

    Examples
    --------
    >>> read_quantity("0.050 in", "mm", "thickness_mm"), read_quantity("soft", "mm", "x_mm")
    (1.27, None)
    """
    said = _SAID.fullmatch(text)
    if not said or unit not in _MEASURES:
        return None
    given, value = _spelt(said[2]), float(said[1])
    if given == unit:
        return value
    if given in OTHER_UNITS[unit]:
        # Twelve digits: a factor's rounding is no part of what was written.
        return float(f"{(value - _ZERO.get(given, 0.0)) * OTHER_UNITS[unit][given]:.12g}")
    what, example = _MEASURES[unit]
    for known, others in OTHER_UNITS.items():
        if known in _MEASURES and (given == known or given in others):
            other = _MEASURES[known][0]
            if other != what:
                raise InputError(
                    f"{name}: {text!r} is {_article(other)} {other}; give {_article(what)} {what} "
                    f"such as {example}."
                )
    hardness = given.split()[0].casefold() in ("shore", "jis", "jis-c")
    own = "; a hardness has its own keys, shore_a, shore_c, jis_c and shore_d" if hardness else ""
    raise InputError(
        f"{name}: {text!r} has a unit that is not known here; give {_article(what)} "
        f"{what} such as {example}{own}."
    )


def _spelt(unit: str) -> str:
    spelt = " ".join(unit.translate(_SIGNS).split())
    return _SPELT.get(spelt, spelt)


def factor_to(unit: str, given: str) -> float | None:
    """Return what a reading in a given unit is multiplied by; None where the unit is not known.

    Parameters
    ----------
    unit : str
        The expected unit; 1 may be left out.
    given : str
        As noted.

    Examples
    --------
    >>> factor_to("mm", "in"), factor_to("g cm2", "oz in²"), factor_to("1", ""), factor_to("g", "m")
    (25.4, 182.899785, 1.0, None)
    """
    spelt = _spelt(given)
    if spelt == unit or (unit == "1" and not spelt):
        return 1.0
    return OTHER_UNITS[unit].get(spelt)


def _article(noun: str) -> str:
    return "an" if noun[0] in "aeio" else "a"


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
        if low <= (value - _ZERO.get(other, 0.0)) * factor <= high:
            return f" (noted in {other}?)"
    return ""


# What a key's name ends in, and the unit it means.
_ENDINGS = {
    "_g_cm3": "g/cm3",
    "_g_cm2": "g cm2",
    "_g_mm": "g mm",
    "_kn_mm": "kN/mm",
    "_m_s": "m/s",
    "_mpa": "MPa",
    "_rpm": "rpm",
    "_minutes": "min",
    "_celsius": "deg C",
    "_mm": "mm",
    "_deg": "deg",
    "_us": "us",
    "_g": "g",
    "_n": "N",
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


# What the name of a column ends in where its numbers are in the trade's units: metric ending, unit.
TRADE_ENDINGS = {
    "_lbf_in": ("_kn_mm", "lbf/in"),
    "_oz_in2": ("_g_cm2", "oz in2"),
    "_oz_in": ("_g_mm", "oz in"),
    "_ksi": ("_mpa", "ksi"),
    "_lbf": ("_n", "lbf"),
    "_ft_s": ("_m_s", "ft/s"),
    "_mph": ("_m_s", "mph"),
    "_in": ("_mm", "in"),
    "_oz": ("_g", "oz"),
    "_yd": ("_m", "yd"),
}


def metric_key(key: str) -> tuple[str, str]:
    """Return the metric name of a column in a trade's unit, and that unit.

    Parameters
    ----------
    key : str
        Name of the column; another's comes back, with no unit.

    Examples
    --------
    >>> metric_key("cover_thickness_in"), metric_key("mass_g")
    (('cover_thickness_mm', 'in'), ('mass_g', ''))
    """
    for end, (metric, unit) in TRADE_ENDINGS.items():
        if key.endswith(end):
            return key.removesuffix(end) + metric, unit
    return key, ""


# Keys whose unit is that of the figure which their table names.
_OF_FIGURE = ("target", "band", "at_least", "at_most", "margin")


def with_units(table: dict[str, Any], what: str = "the file") -> dict[str, Any]:
    """Return a parsed table with its numbers that say a unit as numbers in the keys' units.

    Parameters
    ----------
    table : dict
        As parsed; texts under keys that end in no unit stay.
    what : str
        Its name, for messages.

    Raises
    ------
    InputError
        If units measure something else than their keys; each is a fault with its place.

    Examples
    --------
    >>> with_units({"layer": [{"outer_diameter_mm": "1.5 in", "material": "3 g"}]})
    {'layer': [{'outer_diameter_mm': 38.1, 'material': '3 g'}]}
    """
    faults: list[Fault] = []
    read = _read(table, "", "", (), faults)
    if faults:
        raise faulty(faults, what)
    return dict(read)


def _read(
    table: Any, unit: str, name: str, place: tuple[int | str, ...], faults: list[Fault]
) -> Any:
    """Read a table, list or value, its unit and name being those of the key above."""
    if isinstance(table, dict):
        figure = str(table.get("figure", "")).partition("@")[0]
        of_figure = unit_of_key(figure)
        return {
            key: _read(
                value,
                of_figure
                if key in _OF_FIGURE
                else unit_of_key(key) or (unit if key == "value" else ""),
                f"{key} of {figure}" if key in _OF_FIGURE else name if key == "value" else key,
                (*place, key),
                faults,
            )
            for key, value in table.items()
        }
    if isinstance(table, list):
        return [_read(v, unit, name, (*place, i), faults) for i, v in enumerate(table)]
    if isinstance(table, str) and unit:
        try:
            number = read_quantity(table, unit, name)
        except InputError as error:
            faults.append(Fault(place, str(error).rstrip(".")))
            return table
        return table if number is None else number
    return table
