"""The ball that the bench starts with, and the ranges of its sliders."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.graded.profile import STEEPEST
from optimize.bench.settings import (
    DENSITY_RANGE_G_CM3,
    DIAMETER_RANGE_MM,
    DIGITS,
    MODULUS_RANGE_MPA,
    THICKNESS_RANGE_MM,
    LayerSetting,
    Setting,
)
from optimize.report.ball import thicknesses_mm
from optimize.scenario.brief import Scenario
from optimize.scenario.variables import LayerVariables

Variable = Literal[
    "outer_diameter_mm",
    "thickness_mm",
    "youngs_modulus_mpa",
    "surface_over_centre",
    "density_g_cm3",
]
Range = tuple[float, float]

# Ranges without a scenario: factors on the start's thickness and modulus, steps of the others.
_THICKNESS, _MODULUS, _DENSITY_G_CM3, _SIZE_MM = (0.5, 1.7), (0.5, 2.0), 0.12, 0.4
# Increments without a scenario; the modulus moves by ratios, to so many digits.
_INCREMENT = {"outer_diameter_mm": 0.01, "thickness_mm": 0.01, "density_g_cm3": 0.001}
_RATIOS, _MODULUS_DIGITS = 200, 3
_UNITS = {
    "thickness_mm": "mm",
    "youngs_modulus_mpa": "MPa",
    "surface_over_centre": "1",
    "density_g_cm3": "g/cm3",
}
_RANGES: dict[Variable, Range] = {
    "outer_diameter_mm": DIAMETER_RANGE_MM,
    "thickness_mm": THICKNESS_RANGE_MM,
    "youngs_modulus_mpa": MODULUS_RANGE_MPA,
    "surface_over_centre": (1.0 / STEEPEST, STEEPEST),
    "density_g_cm3": DENSITY_RANGE_G_CM3,
}


@dataclass(frozen=True)
class Span:
    """The range of one number in a scenario, from its lowest value in increments."""

    low: float
    high: float
    increment: float
    whole: bool = True  # whether only whole increments can be made

    @property
    def movable(self) -> bool:
        """Whether it holds a second value."""
        return self.high - self.low > self.increment * (1.0 - 1e-9)


@dataclass(frozen=True)
class Slider:
    """One slider.

    Attributes
    ----------
    layer : int
        Of which layer, from 1 at the centre; 0 for the ball.
    what : str
        Which number, its unit in the name.
    start, low, high : float
        Its first value, and the ends of the slider.
    min, max : float
        Ends of what may be typed in.
    logarithmic : bool
        Whether equal lengths of the slider are equal ratios to the emulator.
    increment : float
        Between its positions; 0 where they are equal ratios apart.
    origin : float
        A value that the increments start from.
    whole : bool
        Whether only whole increments can be made: those of a scenario.
    """

    layer: int
    what: Variable
    start: float
    low: float
    high: float
    min: float
    max: float
    logarithmic: bool
    increment: float
    origin: float = 0.0
    whole: bool = False

    @property
    def unit(self) -> str:
        """Unit of the number."""
        return _UNITS.get(self.what, "mm")

    def positions(self) -> list[float]:
        """Return the values that it stops at, rising, no two alike."""
        if self.increment:
            first = math.ceil((self.low - self.origin) / self.increment - 1e-9)
            last = math.floor((self.high - self.origin) / self.increment + 1e-9)
            return [round(self.origin + k * self.increment, DIGITS) for k in range(first, last + 1)]
        ratios = [self.value(k / _RATIOS) for k in range(_RATIOS + 1)]
        rounded = {float(f"{value:.{_MODULUS_DIGITS}g}") for value in ratios}
        return sorted(value for value in rounded if self.min <= value <= self.max)

    def fraction(self, value: float) -> float:
        """Return the position of a value on the slider, 0 to 1 within its ends."""
        if self.logarithmic:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def value(self, fraction: float) -> float:
        """Return the value at a position; the inverse of `fraction`."""
        if self.logarithmic:
            return float(self.low * (self.high / self.low) ** fraction)
        return self.low + fraction * (self.high - self.low)


@dataclass(frozen=True)
class Panel:
    """The ball that the bench was started with, and its sliders."""

    ball: Ball
    sliders: tuple[Slider, ...]

    def start(self) -> Setting:
        """Return the setting of the ball that the bench was started with."""
        return self.setting([slider.start for slider in self.sliders], self.ball.name)

    def setting(self, values: Sequence[float], name: str) -> Setting:
        """Return the setting in which the sliders, in their order, have these values."""
        diameter = 0.0
        layers: list[dict[str, float]] = [{} for _ in self.ball.layer]
        for slider, value in zip(self.sliders, values, strict=True):
            if slider.layer:
                layers[slider.layer - 1][slider.what] = value
            else:
                diameter = value
        rows = tuple(LayerSetting.model_validate(row) for row in layers)
        return Setting(name=name, outer_diameter_mm=diameter, layer=rows)

    def values(self, ball: Ball) -> list[float]:
        """Return the values of the sliders, in their order, for a ball of this bench."""
        thicknesses = thicknesses_mm(ball)
        found = []
        for slider in self.sliders:
            part = ball.layer[slider.layer - 1]
            card = part.material
            found.append(
                {
                    "outer_diameter_mm": ball.diameter_mm,
                    "thickness_mm": thicknesses[slider.layer - 1],
                    "youngs_modulus_mpa": card.youngs_modulus_mpa.value,
                    "surface_over_centre": part.profile.contrast if part.profile else 1.0,
                    "density_g_cm3": card.density_g_cm3.value,
                }[slider.what]
            )
        return found

    def point(self, ball: Ball) -> FloatArray:
        """Return the position of every slider, (d,), 0 to 1: the emulator's coordinates."""
        values = self.values(ball)
        return np.array([s.fraction(v) for s, v in zip(self.sliders, values, strict=True)])


def panel_of(ball: Ball, scenario: Scenario | None = None) -> Panel:
    """Set up the sliders of a ball.

    Parameters
    ----------
    ball : Ball
        Its numbers are the sliders' first values.
    scenario : Scenario, optional
        Its ranges are the sliders' ranges, widened to include the first value.

    Raises
    ------
    InputError
        If no build of the scenario has the ball's layers.
    """
    given = _scenario_spans(ball, scenario) if scenario else ({},) * len(ball.layer)
    size = ball.diameter_mm
    sliders = [_slider(0, "outer_diameter_mm", size, (size - _SIZE_MM, size + _SIZE_MM))]
    rows = zip(ball.layer, thicknesses_mm(ball), given, strict=True)
    for number, (layer, thickness, spans) in enumerate(rows, start=1):
        thickness = round(thickness, DIGITS)
        modulus = layer.material.youngs_modulus_mpa.value
        density = layer.material.density_g_cm3.value
        usual: dict[Variable, tuple[float, Range]] = {
            "thickness_mm": (thickness, _scaled(thickness, _THICKNESS)),
            "youngs_modulus_mpa": (modulus, _scaled(modulus, _MODULUS)),
            **_contrast_of(layer),
            "density_g_cm3": (density, (density - _DENSITY_G_CM3, density + _DENSITY_G_CM3)),
        }
        for what, (start, span) in usual.items():
            if number > 1 or what != "thickness_mm":  # the innermost layer fills the rest
                sliders.append(_slider(number, what, start, spans.get(what) or span))
    return Panel(ball, tuple(sliders))


def _contrast_of(layer: Layer) -> dict[Variable, tuple[float, Range]]:
    """Return the contrast of a graded layer and its usual range; nothing for an even one."""
    if layer.profile is None:
        return {}
    contrast = layer.profile.contrast
    return {"surface_over_centre": (contrast, _scaled(contrast, _MODULUS))}


def _scenario_spans(ball: Ball, scenario: Scenario) -> tuple[dict[Variable, Span], ...]:
    """Return the spans that a scenario gives for each layer of the ball."""
    found = []
    for layer in matched(ball, scenario):
        rows: tuple[tuple[Variable, Range | None, float], ...] = (
            ("thickness_mm", layer.thickness_mm, layer.increment_mm),
            ("youngs_modulus_mpa", layer.youngs_modulus_mpa, layer.youngs_modulus_increment_mpa),
            (
                "surface_over_centre",
                layer.surface_over_centre,
                layer.surface_over_centre_increment,
            ),
            ("density_g_cm3", layer.density_g_cm3, layer.density_increment_g_cm3),
        )
        spans = {what: Span(*span, increment) for what, span, increment in rows if span}
        if scenario.fill and layer is scenario.layer[scenario.fill.layer - 1]:
            reach = scenario.fill.density_g_cm3
            spans["density_g_cm3"] = Span(*reach, _INCREMENT["density_g_cm3"], whole=False)
        # A span of one value leaves nothing to move.
        found.append({what: span for what, span in spans.items() if span.movable})
    return tuple(found)


def matched(ball: Ball, scenario: Scenario) -> tuple[LayerVariables, ...]:
    """Match each layer of the ball to one of the scenario, whose optional ones may be missing.

    Raises
    ------
    InputError
        If no build of the scenario has the ball's layers.
    """
    if len(ball.layer) == len(scenario.layer):
        return scenario.layer
    left = list(ball.layer)
    found: list[LayerVariables] = []
    for layer in scenario.layer:
        if left and layer.role == left[0].role:
            left.pop(0)
            found.append(layer)
        elif not layer.optional:
            break
    if left or len(found) != len(ball.layer):
        roles = ", ".join(layer.role for layer in ball.layer)
        raise InputError(
            f"ball {ball.name!r} has the layers {roles}, which no build of scenario "
            f"{scenario.name!r} has."
        )
    return tuple(found)


def _scaled(value: float, factors: Range) -> Range:
    return factors[0] * value, factors[1] * value


def _slider(layer: int, what: Variable, start: float, span: Range | Span) -> Slider:
    least, most = _RANGES[what]
    logarithmic = what in ("youngs_modulus_mpa", "surface_over_centre")
    if isinstance(span, Span):
        low, high = min(span.low, start), max(span.high, start)
        steps = (span.increment, span.low, span.whole)
    else:
        low, high = max(least, min(span[0], start)), min(most, max(span[1], start))
        steps = (_INCREMENT.get(what, 0.0), 0.0, False)
    return Slider(layer, what, start, low, high, least, most, logarithmic, *steps)
