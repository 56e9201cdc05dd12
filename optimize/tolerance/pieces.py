"""What scatters in a build, and pieces drawn from that scatter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from pydantic import ValidationError

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.files.explain import explain
from optimize.lab.scatter import Scatter

Kind = Literal["diameter", "density", "modulus"]


# With fitted pieces at +-1 and +-2 steps the slope of a cubic b u + c u^3 is b + 3.4 c step^2; best
# over the normal distribution is b + 3 c deviation^2. Steps are at least the length below, so that
# discretisation noise does not pass for a slope where a process scatters little.
_STEP_DEVIATIONS = math.sqrt(3.0 / 3.4)
_LEAST_STEP: dict[Kind, float] = {"diameter": 0.05, "density": 0.006, "modulus": 0.04}


# A layer must be this many standard deviations of its thickness thick.
_THICKNESS_DEVIATIONS = 6.0


@dataclass(frozen=True)
class Source:
    """One number that scatters.

    Attributes
    ----------
    layer : int
        Index, 0 innermost.
    kind : {"diameter", "density", "modulus"}
        Which number.
    deviation : float
        Standard deviation: of the diameter in mm, of the density relative, of the logarithm of the
        modulus.
    """

    layer: int
    kind: Kind
    deviation: float

    @property
    def step(self) -> float:
        """Distance between fitted pieces, in the measure of `deviation`."""
        return max(_STEP_DEVIATIONS * self.deviation, _LEAST_STEP[self.kind])


@dataclass(frozen=True)
class Draws:
    """Drawn pieces.

    Attributes
    ----------
    move : (s, sources) array
        Deviation from the build, in each source's measure.
    offset : (s, n - 1, 3) array
        Centre of each body inside from the centre of the layer around it, m.
    """

    move: FloatArray
    offset: FloatArray


def sources_of(ball: Ball, scatter: Scatter) -> tuple[Source, ...]:
    """List what scatters in a build: diameters, densities, moduli, each from the centre outward."""
    own = [scatter.of(layer.role) for layer in ball.layer]
    deviations: dict[Kind, list[float]] = {
        "diameter": [s.diameter_mm for s in own],
        "density": [s.density_percent / 100.0 for s in own],
        "modulus": [s.modulus_percent / 100.0 for s in own],
    }
    return tuple(
        Source(layer, kind, deviations[kind][layer])
        for kind in get_args(Kind)
        for layer in range(len(own))
    )


def piece(ball: Ball, sources: Sequence[Source], move: FloatArray) -> Ball:
    """Return one piece: the build with every source moved.

    Parameters
    ----------
    ball : Ball
        The build.
    sources : sequence of Source
        What scatters.
    move : (sources,) array
        By how much, in each source's measure.

    Raises
    ------
    InputError
        If a number leaves its range, or a layer becomes too thin.
    """
    layers = [dict(part) for part in ball.layer]
    for layer, part in enumerate(layers):
        by = {s.kind: float(m) for s, m in zip(sources, move, strict=True) if s.layer == layer}
        card = part["material"]
        part["outer_diameter_mm"] += by["diameter"]
        part["material"] = card.with_values(
            "drawn from the process's scatter",
            density_g_cm3=card.density_g_cm3.value * (1.0 + by["density"]),
            youngs_modulus_mpa=card.youngs_modulus_mpa.value * float(np.exp(by["modulus"])),
        )
    try:
        return Ball.model_validate({**dict(ball), "layer": layers})
    except ValidationError as error:
        raise explain(error, f"a piece of {ball.name} within its scatter") from error


def draw(
    sources: Sequence[Source], concentricity: FloatArray, samples: int, rng: np.random.Generator
) -> Draws:
    """Draw pieces from the scatter.

    Parameters
    ----------
    sources : sequence of Source
        What scatters.
    concentricity : (n - 1,) array
        Standard deviation of each body's eccentricity along each axis, m.
    samples : int
        Number of pieces.
    rng : numpy.random.Generator
        The same generator gives the same pieces.
    """
    deviation = np.array([s.deviation for s in sources])
    move = rng.standard_normal((samples, len(sources))) * deviation
    offset = rng.standard_normal((samples, len(concentricity), 3)) * concentricity[:, None]
    return Draws(move, offset)


def eccentricity_of(ball: Ball, scatter: Scatter) -> FloatArray:
    """Return the standard deviation of each body's eccentricity along each axis, (n - 1,) m."""
    return np.array([scatter.of(layer.role).concentricity_mm for layer in ball.layer[1:]]) * 1e-3


def check_walls(ball: Ball, sources: Sequence[Source], concentricity: FloatArray) -> None:
    """Refuse a scatter so wide that some layer would be cut through.

    Parameters
    ----------
    ball : Ball
        The build.
    sources : sequence of Source
        What scatters.
    concentricity : (n - 1,) array
        Standard deviation of each body's eccentricity along each axis, m.

    Raises
    ------
    InputError
        Naming the layer.
    """
    diameter = np.array([layer.outer_diameter_mm for layer in ball.layer])
    deviation = np.array([s.deviation for s in sources if s.kind == "diameter"])
    for number, (thickness, inner, outer, eccentricity) in enumerate(
        zip(
            np.diff(diameter) / 2.0, deviation[:-1], deviation[1:], concentricity * 1e3, strict=True
        ),
        2,
    ):
        scatter = float(np.sqrt((inner**2 + outer**2) / 4.0 + eccentricity**2))
        if _THICKNESS_DEVIATIONS * scatter > thickness:
            raise InputError(
                f"layer {number} ({ball.layer[number - 1].role}) is {thickness:.3f} mm thick, but "
                f"its thickness scatters by {scatter:.3f} mm (diameters and concentricity), which "
                f"must be at most {thickness / _THICKNESS_DEVIATIONS:.3f} mm."
            )
