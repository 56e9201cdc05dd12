"""Air: ranges of the weather to their ends, and where each of its four numbers goes."""

import pytest

from layers.errors import InputError
from layers.flight.air import (
    SEA_LEVEL_PRESSURE_HPA,
    humid_air,
    moist_air_density,
    station_pressure,
    sutherland_viscosity,
)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("temperature_c", -20, 50),
        ("sea_level_pressure_hpa", 900, 1080),
        ("relative_humidity_percent", 0, 100),
        ("altitude_m", -430, 4000),
    ],
)
def test_weather_is_held_to_its_ranges(name, low, high):
    for value in (low, high):
        assert humid_air(**{name: value}).density > 0.5
    for value in (low - 0.5, high + 0.5):
        words = f"{name} is {value:g}, but must be from {low} to {high}."
        with pytest.raises(InputError) as found:
            humid_air(**{name: value})
        assert str(found.value) == words


def test_analytic_air_is_its_parts():
    air = humid_air(31.0, 990.0, 80.0, 700.0)
    pressure = station_pressure(99_000.0, 700.0)
    assert air.density == pytest.approx(moist_air_density(31.0, pressure, 0.8), rel=1e-12)
    assert air.viscosity == pytest.approx(sutherland_viscosity(304.15), rel=1e-12)


def test_published_standard_pressure_is_the_usual_air():
    """1013.25 hPa (ISO 2533:1975), 20 C and 50 % where nothing is said."""
    assert SEA_LEVEL_PRESSURE_HPA == 1013.25
    assert humid_air() == humid_air(20.0, 1013.25, 50.0, 0.0)
