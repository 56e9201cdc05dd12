"""Closed forms of drawn pieces: mass, inertia, balance and layer thickness, cores eccentric."""

import re
from collections.abc import Callable, Sequence

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.figures import QUANTITIES, FigureName, parse_figure
from layers.mass import inertia
from layers.mass.concentricity import balance
from layers.mass.inertia import Pieces
from optimize.tolerance.pieces import (
    Draws,
    Kind,
    Source,
)

# Figures of a piece with an eccentric core: name to unit.
BALANCE = {
    "imbalance_g_mm": "g mm",
    "minimum_moi_g_cm2": "g cm2",
    "maximum_moi_g_cm2": "g cm2",
    "moi_asymmetry_percent": "%",
}


THICKNESS = re.compile(r"stage([0-9]+)\.(minimum|maximum)_thickness_mm")


def is_balance(name: str) -> bool:
    """Whether a name is of an eccentric piece: balance, principal moments or a thickness."""
    return name in BALANCE or THICKNESS.fullmatch(name) is not None


def is_exact(name: str) -> bool:
    """Whether a figure of every drawn piece is a closed form."""
    return is_balance(name) or parse_figure(name).quantity in ("diameter_mm", *_CLOSED_FORMS)


def unit_of(name: str) -> str:
    """Return a figure's unit, also of those of balance."""
    if is_balance(name):
        return BALANCE.get(name, "mm")
    return QUANTITIES[parse_figure(name).quantity].unit


def balance_names(ball: Ball) -> tuple[str, ...]:
    """Names of the figures of eccentric pieces; none for a ball of one layer."""
    count = len(ball.layer)
    thickness = [f"stage{n}.minimum_thickness_mm" for n in range(2, count + 1)]
    return (*BALANCE, *thickness) if count > 1 else ()


def pieces_of(ball: Ball, sources: Sequence[Source], move: FloatArray, count: int) -> Pieces:
    """Return the innermost layers of pieces; only whole balls have dimples.

    Parameters
    ----------
    ball : Ball
        The build.
    sources : sequence of Source
        What scatters.
    move : (s, sources) array
        Deviation of each piece from the build, in each source's measure.
    count : int
        How many layers.
    """
    body = ball.body()
    kinds: tuple[Kind, ...] = ("diameter", "density")
    by = {kind: move[:, [s.kind == kind for s in sources]] for kind in kinds}
    whole = count == len(ball.layer)
    return Pieces(
        outer_radius=(body.outer_radius + 0.5e-3 * by["diameter"])[:, :count],
        density=(body.density * (1.0 + by["density"]))[:, :count],
        dimple_volume_fraction=body.dimple_volume_fraction if whole else 0.0,
        dimple_depth=body.dimple_depth,
    )


# Closed forms of pieces, SI, and the factor to the figure's unit.
_CLOSED_FORMS: dict[str, tuple[Callable[[Pieces], FloatArray], float]] = {
    "mass_g": (inertia.mass, 1e3),
    "mean_density_g_cm3": (inertia.mean_density, 1e-3),
    "moi_g_cm2": (inertia.moment_of_inertia, 1e7),
    "moi_ratio": (inertia.moi_ratio, 1.0),
}


def closed_form(pieces: Pieces, name: FigureName) -> FloatArray:
    """Closed-form figure of pieces, (s,); `layers.estimation` has the same of one ball."""
    if name.quantity == "diameter_mm":
        return 2e3 * pieces.outer_radius[:, -1]
    function, scale = _CLOSED_FORMS[name.quantity]
    return scale * function(pieces)


def balance_of(ball: Ball, sources: Sequence[Source], draws: Draws) -> dict[str, FloatArray]:
    """Imbalance, principal moments and their asymmetry of pieces, (s,) each.

    Parameters
    ----------
    ball : Ball
        The build.
    sources : sequence of Source
        What scatters.
    draws : Draws
        The pieces.
    """
    # An interface moves with every body that contains it.
    offset = draws.offset[:, ::-1].cumsum(axis=1)[:, ::-1]
    result = balance(pieces_of(ball, sources, draws.move, len(ball.layer)), offset)
    moments = result.principal_moments
    low, high = moments[:, 0], moments[:, 2]
    return {
        "imbalance_g_mm": 1e6 * result.imbalance,
        "minimum_moi_g_cm2": 1e7 * low,
        "maximum_moi_g_cm2": 1e7 * high,
        "moi_asymmetry_percent": 100.0 * (high - low) / moments.mean(axis=1),
    }


def thickness_of(ball: Ball, sources: Sequence[Source], draws: Draws, name: str) -> FloatArray:
    """Minimum or maximum thickness of a layer of pieces, (s,) mm.

    Concentric, it is the difference of the radii; the eccentricity of the body inside takes its
    length off on one side and adds it on the other.

    Parameters
    ----------
    ball : Ball
        The build.
    sources : sequence of Source
        What scatters.
    draws : Draws
        The pieces.
    name : str
        ``stage2.minimum_thickness_mm`` is of layer 2.

    Raises
    ------
    InputError
        If there is no such layer around another.
    """
    match = THICKNESS.fullmatch(name)
    assert match is not None  # by the caller
    number, count = int(match[1]), len(ball.layer)
    if not 2 <= number <= count:
        raise InputError(f"{name}: the stage must be from 2 to {count}, a layer around another.")
    radius = 1e3 * pieces_of(ball, sources, draws.move, count).outer_radius
    eccentricity = 1e3 * np.linalg.norm(draws.offset[:, number - 2], axis=1)
    even = radius[:, number - 1] - radius[:, number - 2]
    return np.asarray(even + (-eccentricity if match[2] == "minimum" else eccentricity))
