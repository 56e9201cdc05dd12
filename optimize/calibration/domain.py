"""Domain of a calibration: the figures, materials, sizes and conditions that were measured."""

from layers.ball import Ball
from layers.figures import parse_figure
from optimize.calibration.model import depends
from optimize.calibration.parameters import parameters_of
from optimize.calibration.result import Calibration, key_of

# Margin beyond the measured sizes, mm. A judgement: the finite elements model the size, the
# calibration only their error and the materials.
_BEYOND_DIAMETER, _BEYOND_THICKNESS = 1.0, 0.3


# The same for a test speed or load, relative.
_BEYOND_CONDITION = 0.1


def outside(calibration: Calibration, ball: Ball, name: str) -> str:
    """Say why a figure of a build is outside the domain; empty if it is inside.

    Parameters
    ----------
    calibration : Calibration
        Of `optimize.calibration.calibrate.calibrate`.
    ball : Ball
        The build as designed.
    name : str
        Name of the figure.
    """
    parsed = parse_figure(name)
    if parsed.quantity == "diameter_mm":
        return ""
    key = key_of(parsed)
    found = next((d for d in calibration.discrepancy if d.key == key), None)
    if found is None:
        return f"not calibrated: {key} was not measured"
    for value, low, high in zip(
        parsed.condition, found.condition_low, found.condition_high, strict=True
    ):
        if not low * (1 - _BEYOND_CONDITION) <= value <= high * (1 + _BEYOND_CONDITION):
            return (
                f"outside the calibration: {parsed.quantity} was measured at {low:g} to {high:g}, "
                f"not at {value:g}"
            )
    known = calibration.parameters
    for parameter in parameters_of([ball]):
        same = (parameter.material, parameter.number, parameter.nominal)
        if depends(ball, name, parameter) and not any(
            same == (p.material, p.number, p.nominal) for p in known
        ):
            return (
                f"outside the calibration: {parameter.number} {parameter.nominal:g} of "
                f"{parameter.material} was not measured"
            )
    inner = 0.0
    for layer in ball.layer[: parsed.stage or len(ball.layer)]:
        why = _beyond(calibration, key, layer.material.name, layer.outer_diameter_mm, inner)
        if why:
            return f"outside the calibration: {why}"
        inner = layer.outer_diameter_mm
    return ""


def _beyond(
    calibration: Calibration, key: str, material: str, diameter: float, inner: float
) -> str:
    domain = [d for d in calibration.domain if d.key == key and d.material == material]
    if not domain:
        return f"{key} was not measured of a body with {material}"
    [d] = domain
    sizes = [("diameter", diameter, d.diameter_low, d.diameter_high, _BEYOND_DIAMETER)]
    if inner:  # a core's thickness is half its diameter
        wall = (diameter - inner) / 2.0
        sizes.append(("thickness", wall, d.thickness_low, d.thickness_high, _BEYOND_THICKNESS))
    for what, value, low, high, more in sizes:
        if not low - more <= value <= high + more:
            return (
                f"{material} was measured in a {what} of {low:.2f} to {high:.2f} mm, not "
                f"{value:.2f} mm"
            )
    return ""
