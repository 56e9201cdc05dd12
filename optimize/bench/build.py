"""From slider values to a ball: checked, its filler solved for the mass that is held."""

import math
from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.files.explain import explain
from layers.graded.profile import Profile
from layers.mass import inertia
from layers.materials import Material
from optimize.bench.choices import Choices, materials_of
from optimize.bench.settings import (
    DENSITY_RANGE_G_CM3,
    DIGITS,
    HeldMass,
    LayerSetting,
    Materials,
    Setting,
)
from optimize.scenario.variables import SMALLEST_CENTRE_MM

SET_HERE = "set on the live bench"
WHAT = "the request"
MOST_COMPARED = 4  # builds with a reference: as many as can be pinned


def read_build(table: Any, choices: Choices) -> tuple[Setting, Ball]:
    """Read a setting from plain data, and make its ball.

    Parameters
    ----------
    table : object
        Plain data, as JSON gives them.
    choices : Choices
        The ball whose sliders these are, and the cards of its layers.

    Returns
    -------
    Setting, Ball
        With the density of the filled layer solved for where a mass is held.

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
    _check_count("layer", setting.layer, choices)
    for number, layer in enumerate(setting.layer, start=1):
        if number == 1 and layer.thickness_mm is not None:
            raise InputError(
                f"{WHAT}: layer 1, thickness_mm is {layer.thickness_mm:g}, but must not be "
                f"given: the innermost layer takes what the others leave."
            )
        if number > 1 and layer.thickness_mm is None:
            raise InputError(f"{WHAT}: layer {number}, thickness_mm is missing; add it.")
    pattern = setting.dimple_pattern
    if pattern is not None and pattern not in choices.patterns:
        listed = ", ".join(choices.patterns) or "left out: the conditions list none"
        raise InputError(f"{WHAT}: dimple_pattern is {pattern!r}, but must be one of: {listed}.")
    start = choices.ball_of([layer.material for layer in setting.layer])
    if setting.hold_mass:
        setting = _filled(start, setting, setting.hold_mass)
    return setting, build_of(setting, start)


def read_builds(table: dict[str, Any], choices: Choices) -> tuple[Ball, list[Ball]]:
    """Read the builds to be compared from plain data.

    Parameters
    ----------
    table : dict
        A setting under ``reference``, a list of them under ``others``.
    choices : Choices
        The ball whose sliders these are, and the cards of its layers.

    Returns
    -------
    Ball, list of Ball
        The reference, and the others.

    Raises
    ------
    InputError
        If there are none or too many, or one is no setting of this ball.
    """
    others = table.get("others")
    if set(table) != {"reference", "others"} or not isinstance(others, list):
        raise InputError(f"{WHAT} must have reference, a setting, and others, a list of settings.")
    if not 1 <= len(others) <= MOST_COMPARED:
        raise InputError(
            f"{WHAT}: others has {len(others)} settings, but must have 1 to {MOST_COMPARED}."
        )
    _, reference = read_build(table["reference"], choices)
    return reference, [read_build(other, choices)[1] for other in others]


def read_materials(table: Any, choices: Choices) -> tuple[str, ...]:
    """Read a choice of materials from plain data.

    Parameters
    ----------
    table : object
        Plain data, as JSON gives them.
    choices : Choices
        The ball whose materials these are, and the cards of its layers.

    Returns
    -------
    tuple of str
        Name of each layer's card.

    Raises
    ------
    InputError
        If it names no card for each layer of this ball.
    """
    try:
        wanted = Materials.model_validate(table)
    except ValidationError as error:
        raise explain(error, WHAT, tuple(Materials.model_fields)) from error
    _check_count("material", wanted.material, choices)
    return materials_of(choices.ball_of(wanted.material))


def _check_count(what: str, given: Sequence[Any], choices: Choices) -> None:
    count = len(choices.ball.layer)
    if len(given) != count:
        raise InputError(
            f"{WHAT}: {what} has {len(given)} entries, but this ball has {count} layers."
        )


def build_of(setting: Setting, start: Ball) -> Ball:
    """Make the ball of a setting.

    Parameters
    ----------
    setting : Setting
        Of as many layers as `start`.
    start : Ball
        The ball whose sliders these are.

    Raises
    ------
    InputError
        If the outer layers leave less than the smallest innermost layer.
    """
    diameters = [setting.outer_diameter_mm]
    for layer in reversed(setting.layer[1:]):
        assert layer.thickness_mm is not None  # by `read`, `setting`
        diameters.insert(0, round(diameters[0] - 2.0 * layer.thickness_mm, DIGITS))
    if diameters[0] < SMALLEST_CENTRE_MM:
        raise InputError(
            f"{WHAT}: the layers around layer 1 leave {diameters[0]:g} mm for it, but must "
            f"leave at least {SMALLEST_CENTRE_MM:g} mm."
        )
    layers = tuple(
        Layer(
            role=before.role,
            outer_diameter_mm=diameter,
            material=_card(before.material, values),
            profile=_profile(before.profile, values.surface_over_centre),
        )
        for before, values, diameter in zip(start.layer, setting.layer, diameters, strict=True)
    )
    pattern = start.dimple_pattern if setting.dimple_pattern is None else setting.dimple_pattern
    return start.model_copy(
        update={"name": setting.name, "layer": layers, "dimple_pattern": pattern}
    )


def _filled(start: Ball, setting: Setting, held: HeldMass) -> Setting:
    """Set one layer's density so that the ball has the mass: the mass is linear in it."""
    if held.layer > len(setting.layer):
        raise InputError(
            f"{WHAT}: hold_mass, layer is {held.layer}, but must be at most {len(setting.layer)}."
        )
    at = [_mass(start, setting, held.layer, density) for density in (1.0, 2.0)]
    density = 1.0 + (held.mass_g - at[0]) / (at[1] - at[0])
    low, high = DENSITY_RANGE_G_CM3
    if not low <= density <= high:
        raise InputError(
            f"no filler in layer {held.layer} brings this build to {held.mass_g:g} g: it would "
            f"need {density:.3g} g/cm3, but must be from {low:g} to {high:g}."
        )
    return _with_density(setting, held.layer, density)


def _mass(start: Ball, setting: Setting, layer: int, density: float) -> float:
    return 1e3 * inertia.mass(build_of(_with_density(setting, layer, density), start).body())


def _with_density(setting: Setting, layer: int, density: float) -> Setting:
    rows = list(setting.layer)
    rows[layer - 1] = rows[layer - 1].model_copy(update={"density_g_cm3": density})
    return setting.model_copy(update={"layer": tuple(rows)})


def _profile(profile: Profile | None, contrast: float | None) -> Profile | None:
    """Return the profile with another contrast; None for an even layer."""
    if profile is None or contrast is None or contrast == profile.contrast:
        return profile
    if profile.relative_knots:
        return profile.steepened(math.log(contrast / profile.contrast))
    return profile.model_copy(update={"surface_over_centre": contrast})


def _card(card: Material, values: LayerSetting) -> Material:
    """Return the card with the changed numbers replaced and their source named."""
    moved = {
        field: getattr(values, field)
        for field in ("youngs_modulus_mpa", "density_g_cm3")
        if getattr(values, field) != getattr(card, field).value
    }
    return card.with_values(SET_HERE, **moved) if moved else card
