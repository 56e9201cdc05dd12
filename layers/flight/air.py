"""The air a ball flies through: density and viscosity from the weather."""

import math
from dataclasses import dataclass

from layers.errors import InputError

GAS_CONSTANT = 8.314472  # J/(mol K), the value CIPM-2007 was fitted with
MOLAR_MASS_AIR = 28.96546e-3  # kg/mol, dry air with 400 ppm of carbon dioxide
SEA_LEVEL_PRESSURE_HPA = 1013.25

_RANGES = {
    "temperature_c": (-20.0, 50.0),
    "sea_level_pressure_hpa": (900.0, 1080.0),
    "relative_humidity_percent": (0.0, 100.0),
    "altitude_m": (-430.0, 4000.0),
}


@dataclass(frozen=True)
class Air:
    """Density, kg/m3, and dynamic viscosity, Pa s; density 0 is a vacuum."""

    density: float
    viscosity: float


def humid_air(
    temperature_c: float = 20.0,
    sea_level_pressure_hpa: float = SEA_LEVEL_PRESSURE_HPA,
    relative_humidity_percent: float = 50.0,
    altitude_m: float = 0.0,
) -> Air:
    """Air of a given weather and altitude.

    Parameters
    ----------
    temperature_c : float
        At the place itself, Celsius, -20 to 50.
    sea_level_pressure_hpa : float
        As weather reports give it, reduced to sea level, 900 to 1080 hPa. For a pressure read at
        the place itself leave `altitude_m` at 0.
    relative_humidity_percent : float
        0 to 100.
    altitude_m : float
        Above sea level, -430 to 4000 m.

    Raises
    ------
    InputError
        On a value out of its range.

    Notes
    -----
    CIPM-2007 states 2.2e-5 relative for 600 to 1100 hPa and 15 to 27 C; beyond, the error grows but
    stays far below that of any drag coefficient.

    Examples
    --------
    >>> air = humid_air(20.0, 1013.25, 50.0)
    >>> round(air.density, 4), round(air.viscosity * 1e6, 2)
    (1.1993, 18.13)
    """
    given = (temperature_c, sea_level_pressure_hpa, relative_humidity_percent, altitude_m)
    for (name, (low, high)), value in zip(_RANGES.items(), given, strict=True):
        if not low <= value <= high:
            raise InputError(f"{name} is {value:g}, but must be from {low:g} to {high:g}.")
    pressure = station_pressure(100.0 * sea_level_pressure_hpa, altitude_m)
    density = moist_air_density(temperature_c, pressure, relative_humidity_percent / 100.0)
    return Air(density, sutherland_viscosity(temperature_c + 273.15))


def station_pressure(sea_level_pressure: float, altitude: float) -> float:
    """Pressure at an altitude, p0 (1 - 2.25577e-5 h)^5.25588, Pa.

    The barometric formula of the International Standard Atmosphere (ISO 2533:1975), troposphere.

    Examples
    --------
    >>> round(station_pressure(101325.0, 1000.0))
    89875
    """
    return float(sea_level_pressure * (1.0 - 2.25577e-5 * altitude) ** 5.25588)


def moist_air_density(temperature_c: float, pressure: float, humidity: float) -> float:
    """Density of moist air, p M / (Z R T) (1 - 0.3780 x_v), kg/m3.

    Parameters
    ----------
    temperature_c : float
        Celsius.
    pressure : float
        At the place, Pa.
    humidity : float
        Relative humidity, 0 to 1.

    References
    ----------
    CIPM-2007: Picard, Davis, Glaeser, Fujii 2008, Metrologia 45, 149; constants from memory,
    checked in the tests against the simplified formula of the same standard and against dry air.
    """
    kelvin = temperature_c + 273.15
    saturation = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * temperature_c**2
    vapour = humidity * enhancement * saturation / pressure
    ratio = pressure / kelvin
    compressibility = (
        1.0
        - ratio
        * (
            1.58123e-6
            - 2.9331e-8 * temperature_c
            + 1.1043e-10 * temperature_c**2
            + (5.707e-6 - 2.051e-8 * temperature_c) * vapour
            + (1.9898e-4 - 2.376e-6 * temperature_c) * vapour**2
        )
        + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)
    )
    dry = pressure * MOLAR_MASS_AIR / (compressibility * GAS_CONSTANT * kelvin)
    return dry * (1.0 - 0.3780 * vapour)


def sutherland_viscosity(kelvin: float) -> float:
    """Dynamic viscosity of air, 1.458e-6 T^1.5 / (T + 110.4), Pa s.

    Sutherland's law with the constants of the U.S. Standard Atmosphere 1976. Moisture, which lowers
    it by under 1 % in play, is left out: it moves only the Reynolds number.

    Examples
    --------
    >>> f"{sutherland_viscosity(288.15):.4e}"
    '1.7894e-05'
    """
    return 1.458e-6 * kelvin * math.sqrt(kelvin) / (kelvin + 110.4)
