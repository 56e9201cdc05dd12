"""What stands on the bench: one ball whose numbers move, and the ranges that its sliders have."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from layers.arrays import FloatArray
from layers.ball import MOST_LAYERS, THINNEST_LAYER_MM, Ball, Layer
from layers.errors import InputError, explain
from layers.mass import inertia
from layers.materials import Material, numeric_fields
from optimize.report.ball import thicknesses_mm
from optimize.scenario.brief import Scenario
from optimize.scenario.variables import SMALLEST_CENTRE_MM, LayerFreedom

What = Literal["outer_diameter_mm", "thickness_mm", "youngs_modulus_mpa", "density_g_cm3"]

SET_HERE = "set on the live bench"
WHAT = "the request"
# Sliders without a scenario: shares of the start's thickness and modulus, g/cm3, and mm.
_THICKNESS, _MODULUS, _DENSITY, _ACROSS = (0.5, 1.7), (0.5, 2.0), 0.12, 0.4
_DIGITS = 6  # of a diameter, mm: as the search rounds it
_UNITS = {"thickness_mm": "mm", "youngs_modulus_mpa": "MPa", "density_g_cm3": "g/cm3"}


def _number(unit: str, help_text: str, low: float, high: float) -> Any:
    return Field(
        description=help_text, ge=low, le=high, strict=True, json_schema_extra={"unit": unit}
    )


_MODULUS_RANGE = numeric_fields()["youngs_modulus_mpa"]
_DENSITY_RANGE = numeric_fields()["density_g_cm3"]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class LayerSetting(_Table):
    """Where the sliders of one layer stand."""

    thickness_mm: float | None = Field(
        None,
        ge=THINNEST_LAYER_MM,
        le=25.0,
        strict=True,
        description="thickness; the innermost layer takes what the others leave",
        json_schema_extra={"unit": "mm"},
    )
    youngs_modulus_mpa: float = _number("MPa", "quasi-static Young's modulus", *_MODULUS_RANGE)
    density_g_cm3: float = _number("g/cm3", "density", *_DENSITY_RANGE)


class HeldMass(_Table):
    """A mass that the density of one layer is set to reach."""

    layer: int = Field(
        ge=1,
        le=MOST_LAYERS,
        strict=True,
        description="which layer is filled, from the centre",
        json_schema_extra={"unit": "1"},
    )
    mass_g: float = _number("g", "mass of the ball", 10.0, 100.0)


class Setting(_Table):
    """Where all sliders stand: one build."""

    name: str = Field("unnamed ball", min_length=1, max_length=120, description="the build's name")
    outer_diameter_mm: float = _number("mm", "outer diameter of the ball", 30.0, 60.0)
    layer: tuple[LayerSetting, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    hold_mass: HeldMass | None = Field(None, description="filler holds the mass")


@dataclass(frozen=True)
class Knob:
    """One slider.

    Attributes
    ----------
    layer : int
        Of which layer, from 1 at the centre; 0 for the ball.
    what : str
        Which number, its unit in the name.
    start, low, high : float
        Where it stands first, and the ends of the slider.
    least, most : float
        Ends of what may be typed in.
    even_ratio : bool
        Whether equal steps of the slider are equal ratios.
    """

    layer: int
    what: What
    start: float
    low: float
    high: float
    least: float
    most: float
    even_ratio: bool

    @property
    def unit(self) -> str:
        """Unit of the number."""
        return _UNITS.get(self.what, "mm")

    def place(self, value: float) -> float:
        """Return where a value stands on the slider, 0 to 1 within its ends."""
        if self.even_ratio:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def value(self, place: float) -> float:
        """Return the value at a place; the inverse of `place`."""
        if self.even_ratio:
            return float(self.low * (self.high / self.low) ** place)
        return self.low + place * (self.high - self.low)


@dataclass(frozen=True)
class Desk:
    """The ball that the bench was started with, and its sliders."""

    ball: Ball
    knobs: tuple[Knob, ...]

    @classmethod
    def of(cls, ball: Ball, scenario: Scenario | None = None) -> "Desk":
        """Set up the sliders of a ball.

        Parameters
        ----------
        ball : Ball
            Where they start.
        scenario : Scenario, optional
            Where it has a range, the slider has the same, widened to hold the start.

        Raises
        ------
        InputError
            If the ball's layers are none of the scenario's builds.
        """
        freedoms = _matched(ball, scenario) if scenario else (None,) * len(ball.layer)
        fill = scenario.fill if scenario else None
        across = ball.diameter_mm
        knobs = [_knob(0, "outer_diameter_mm", across, (across - _ACROSS, across + _ACROSS))]
        sizes = [round(thick, _DIGITS) for thick in thicknesses_mm(ball)]
        rows = zip(ball.layer, sizes, freedoms, strict=True)
        for number, (layer, thick, freedom) in enumerate(rows, start=1):
            modulus = layer.material.youngs_modulus_mpa.value
            density = layer.material.density_g_cm3.value
            thick_span = freedom.thickness_mm if freedom else None
            modulus_span = freedom.youngs_modulus_mpa if freedom else None
            density_span = freedom.density_g_cm3 if freedom else None
            if fill and scenario and freedom is scenario.layer[fill.layer - 1]:
                density_span = fill.density_g_cm3
            if number > 1:
                about = (_THICKNESS[0] * thick, _THICKNESS[1] * thick)
                knobs.append(_knob(number, "thickness_mm", thick, _open(thick_span) or about))
            about = (_MODULUS[0] * modulus, _MODULUS[1] * modulus)
            knobs.append(_knob(number, "youngs_modulus_mpa", modulus, _open(modulus_span) or about))
            about = (density - _DENSITY, density + _DENSITY)
            knobs.append(_knob(number, "density_g_cm3", density, _open(density_span) or about))
        return cls(ball, tuple(knobs))

    def start(self) -> Setting:
        """Return the setting of the ball that the bench was started with."""
        return self.setting([knob.start for knob in self.knobs], self.ball.name)

    def setting(self, values: Sequence[float], name: str) -> Setting:
        """Return the setting in which the sliders, in their order, have these values."""
        across = 0.0
        layers: list[dict[str, float]] = [{} for _ in self.ball.layer]
        for knob, value in zip(self.knobs, values, strict=True):
            if knob.layer:
                layers[knob.layer - 1][knob.what] = value
            else:
                across = value
        rows = tuple(LayerSetting.model_validate(row) for row in layers)
        return Setting(name=name, outer_diameter_mm=across, layer=rows)

    def values(self, ball: Ball) -> list[float]:
        """Return what the sliders, in their order, have in a ball of this bench."""
        thick = thicknesses_mm(ball)
        found = []
        for knob in self.knobs:
            card = ball.layer[knob.layer - 1].material
            found.append(
                {
                    "outer_diameter_mm": ball.diameter_mm,
                    "thickness_mm": thick[knob.layer - 1],
                    "youngs_modulus_mpa": card.youngs_modulus_mpa.value,
                    "density_g_cm3": card.density_g_cm3.value,
                }[knob.what]
            )
        return found

    def places(self, ball: Ball) -> FloatArray:
        """Return where each slider stands, (d,), 0 to 1 within its ends: what an emulator takes."""
        return np.array([k.place(v) for k, v in zip(self.knobs, self.values(ball), strict=True)])

    def read(self, table: Any) -> tuple[Setting, Ball]:
        """Read a setting from plain data, and make its ball.

        Raises
        ------
        InputError
            If it is no setting of this ball, or makes no ball; the sentence names field and value.
        """
        try:
            setting = Setting.model_validate(table)
        except ValidationError as error:
            known = (*Setting.model_fields, *LayerSetting.model_fields)
            raise explain(error, WHAT, known) from error
        count = len(self.ball.layer)
        if len(setting.layer) != count:
            raise InputError(
                f"{WHAT}: layer has {len(setting.layer)} entries, but this ball has {count} layers."
            )
        for number, layer in enumerate(setting.layer, start=1):
            if number == 1 and layer.thickness_mm is not None:
                raise InputError(
                    f"{WHAT}: layer 1, thickness_mm is {layer.thickness_mm:g}, but must not be "
                    f"given: the innermost layer takes what the others leave."
                )
            if number > 1 and layer.thickness_mm is None:
                raise InputError(
                    f"{WHAT}: layer {number}, thickness_mm is missing; it is required."
                )
        if setting.hold_mass:
            setting = self._filled(setting, setting.hold_mass)
        return setting, self.build(setting)

    def build(self, setting: Setting) -> Ball:
        """Make the ball of a setting whose layers are as many as this bench's.

        Raises
        ------
        InputError
            If the outer layers leave nothing for the innermost.
        """
        diameters = [setting.outer_diameter_mm]
        for layer in reversed(setting.layer[1:]):
            assert layer.thickness_mm is not None  # by `read`, `setting`
            diameters.insert(0, round(diameters[0] - 2.0 * layer.thickness_mm, _DIGITS))
        if diameters[0] < SMALLEST_CENTRE_MM:
            raise InputError(
                f"{WHAT}: the layers around layer 1 leave {diameters[0]:g} mm for it, but must "
                f"leave at least {SMALLEST_CENTRE_MM:g} mm."
            )
        layers = tuple(
            Layer(
                role=before.role,
                outer_diameter_mm=across,
                material=_card(before.material, wanted),
            )
            for before, wanted, across in zip(
                self.ball.layer, setting.layer, diameters, strict=True
            )
        )
        return self.ball.model_copy(update={"name": setting.name, "layer": layers})

    def _filled(self, setting: Setting, held: HeldMass) -> Setting:
        """Set one layer's density so that the ball has the mass: the mass is linear in it."""
        if held.layer > len(setting.layer):
            raise InputError(
                f"{WHAT}: hold_mass, layer is {held.layer}, but must be at most "
                f"{len(setting.layer)}."
            )
        at = [self._mass(setting, held.layer, density) for density in (1.0, 2.0)]
        density = 1.0 + (held.mass_g - at[0]) / (at[1] - at[0])
        low, high = _DENSITY_RANGE
        if not low <= density <= high:
            raise InputError(
                f"no filler in layer {held.layer} brings this build to {held.mass_g:g} g: it would "
                f"need {density:.3g} g/cm3, but must be from {low:g} to {high:g}."
            )
        return _with_density(setting, held.layer, density)

    def _mass(self, setting: Setting, layer: int, density: float) -> float:
        return 1e3 * inertia.mass(self.build(_with_density(setting, layer, density)).body())


def _with_density(setting: Setting, layer: int, density: float) -> Setting:
    rows = list(setting.layer)
    rows[layer - 1] = rows[layer - 1].model_copy(update={"density_g_cm3": density})
    return setting.model_copy(update={"layer": tuple(rows)})


def _card(card: Material, wanted: LayerSetting) -> Material:
    """Return the card with the numbers that were moved replaced, and their source said."""
    moved = {
        field: getattr(wanted, field)
        for field in ("youngs_modulus_mpa", "density_g_cm3")
        if getattr(wanted, field) != getattr(card, field).value
    }
    return card.with_values(SET_HERE, **moved) if moved else card


def _matched(ball: Ball, scenario: Scenario) -> tuple[LayerFreedom, ...]:
    """Find each layer of the ball among the scenario's, of which some may be left out."""
    if len(ball.layer) == len(scenario.layer):
        return scenario.layer
    left = list(ball.layer)
    found: list[LayerFreedom] = []
    for freedom in scenario.layer:
        if left and freedom.role == left[0].role:
            left.pop(0)
            found.append(freedom)
        elif not freedom.optional:
            break
    if left or len(found) != len(ball.layer):
        roles = ", ".join(layer.role for layer in ball.layer)
        raise InputError(
            f"ball {ball.name!r} has the layers {roles}, which no build of scenario "
            f"{scenario.name!r} has."
        )
    return tuple(found)


def _open(span: tuple[float, float] | None) -> tuple[float, float] | None:
    """Pass on a range that leaves room to move."""
    return span if span and span[0] < span[1] else None


def _knob(layer: int, what: What, start: float, span: tuple[float, float]) -> Knob:
    least, most = {
        "outer_diameter_mm": (30.0, 60.0),
        "thickness_mm": (THINNEST_LAYER_MM, 25.0),
        "youngs_modulus_mpa": _MODULUS_RANGE,
        "density_g_cm3": _DENSITY_RANGE,
    }[what]
    low, high = max(least, min(span[0], start)), min(most, max(span[1], start))
    return Knob(layer, what, start, low, high, least, most, what == "youngs_modulus_mpa")
