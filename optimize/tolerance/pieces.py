"""What scatters in a build, and pieces drawn from that scatter."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import ValidationError

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.figures import QUANTITIES, parse_figure
from layers.files.explain import explain
from layers.materials import Material
from optimize.lab.scatter import Scatter

Kind = Literal["diameter", "density", "modulus", "loss", "dynamic ratio", "friction", "contrast"]


# With fitted pieces at +-1 and +-2 steps the slope of a cubic b u + c u^3 is b + 3.4 c step^2; best
# over the normal distribution is b + 3 c deviation^2. Steps are at least the length below, so that
# discretisation noise does not pass for a slope where a process scatters little.
_STEP_DEVIATIONS = math.sqrt(3.0 / 3.4)
_LEAST_STEP: dict[Kind, float] = {
    "diameter": 0.05,
    "density": 0.006,
    "modulus": 0.04,
    "loss": 0.05,
    "dynamic ratio": 0.03,
    "friction": 0.08,
    "contrast": 0.06,
}
# Every figure depends on these; on the others only impacts do, and on friction only strikes.
_ALWAYS: tuple[Kind, ...] = ("diameter", "density", "modulus")


# A layer must be this many standard deviations of its thickness thick.
_THICKNESS_DEVIATIONS = 6.0


@dataclass(frozen=True)
class Source:
    """One number that scatters.

    Attributes
    ----------
    layer : int
        Index, 0 innermost.
    kind : str
        Which number, one of `Kind`.
    deviation, lot : float
        Standard deviations from piece to piece and of the lot's mean: of the diameter in mm, of the
        density relative, of the logarithms of the others.
    """

    layer: int
    kind: Kind
    deviation: float
    lot: float = 0.0

    @property
    def step(self) -> float:
        """Distance between fitted pieces, in the measure of `deviation`."""
        whole = math.hypot(self.deviation, self.lot)
        return max(_STEP_DEVIATIONS * whole, _LEAST_STEP[self.kind])

    @property
    def fitted(self) -> tuple[float, ...]:
        """Fitted pieces along it, in steps; two are enough for a number that acts nearly evenly."""
        by_four = (*_ALWAYS, "contrast")
        return (-2.0, -1.0, 1.0, 2.0) if self.kind in by_four else (-1.0, 1.0)


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


def sources_of(ball: Ball, scatter: Scatter, kinds: Sequence[Kind] = _ALWAYS) -> tuple[Source, ...]:
    """List what scatters in a build: each kind in turn, from the centre outward.

    Parameters
    ----------
    ball : Ball
        The build.
    scatter : Scatter
        The process; a role's friction counts for the outermost layer only.
    kinds : sequence of str
        Which kinds, see `kinds_for`.
    """
    own = [scatter.of(layer.role) for layer in ball.layer]
    found: list[Source] = []
    for kind in kinds:
        field = kind.replace(" ", "_")
        for layer, s in enumerate(own):
            if kind == "diameter":
                found.append(Source(layer, kind, s.diameter_mm))
            elif _scatters(ball, layer, kind):
                deviation = getattr(s, f"{field}_percent") / 100.0
                found.append(
                    Source(layer, kind, deviation, getattr(s, f"lot_{field}_percent") / 100)
                )
    return tuple(found)


def _scatters(ball: Ball, layer: int, kind: Kind) -> bool:
    """Whether a layer has this number: friction the outermost, contrast a graded one."""
    if kind == "contrast":
        return ball.layer[layer].profile is not None
    return kind != "friction" or layer == len(ball.layer) - 1


def kinds_for(names: Sequence[str]) -> tuple[Kind, ...]:
    """Return the kinds of number that figures can depend on.

    Parameters
    ----------
    names : sequence of str
        The figures.
    """
    parsed = [parse_figure(name) for name in names]
    struck = any(QUANTITIES[one.quantity].of != "body" for one in parsed)
    slow = {"deflection_mm"} | {n for n, q in QUANTITIES.items() if q.basis == "closed form"}
    if all(one.quantity in slow for one in parsed):
        return (*_ALWAYS, "contrast")
    return (*_ALWAYS, "loss", "dynamic ratio", *(("friction",) if struck else ()), "contrast")


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
        part["material"] = _scaled(part["material"], by)
        if by.get("contrast"):
            part["profile"] = part["profile"].steepened(by["contrast"])
    try:
        return Ball.model_validate({**dict(ball), "layer": layers})
    except ValidationError as error:
        raise explain(error, f"a piece of {ball.name} within its scatter") from error


def _scaled(card: Material, by: Mapping[Kind, float]) -> Material:
    """Scale loss, dynamic modulus ratio and friction, dry and wet, of a card."""
    values: dict[str, float] = {}
    if by.get("dynamic ratio"):
        ratio = card.dynamic_modulus_ratio.value * math.exp(by["dynamic ratio"])
        values["dynamic_modulus_ratio"] = max(1.0, ratio)
    if by.get("friction"):
        for field in ("friction", "friction_wet"):
            values[field] = getattr(card, field).value * math.exp(by["friction"])
    if values:
        card = card.with_values("drawn from the process's scatter", **values)
    if not by.get("loss"):
        return card
    pairs = [
        pair.model_copy(update={"strength": pair.strength * math.exp(by["loss"])})
        for pair in card.relaxation
    ]
    return card.model_copy(update={"relaxation": tuple(pairs)})


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
    always = sum(s.kind in _ALWAYS for s in sources)
    move = rng.standard_normal((samples, always))
    offset = rng.standard_normal((samples, len(concentricity), 3)) * concentricity[:, None]
    # Drawn last: pieces keep their sizes whatever else scatters.
    more = rng.standard_normal((samples, len(sources) - always))
    return Draws(np.hstack([move, more]) * deviation, offset)


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
