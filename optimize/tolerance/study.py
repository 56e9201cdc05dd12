"""Tolerance: what the scatter of a process does to every figure of a build.

Masses, inertias, diameters, walls and balance of every drawn piece are exact. A figure that takes
finite elements is drawn from a quadratic in every diameter, density and modulus, fitted to pieces
at two distances either way along each; fresh pieces, computed in full, tell how far it is off.
"""

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from pydantic import ValidationError

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError, SolverError, explain
from layers.estimation import estimate
from layers.figures import BALL_FIGURES, QUANTITIES, Estimate, Figure, FigureName, parse_figure
from layers.mass import pieces as many
from layers.mass.pieces import Pieces
from optimize.lab.scatter import Scatter

Kind = Literal["diameter", "density", "modulus"]
Mapper = Callable[..., Iterable[Any]]

# Figures of a piece whose core is off centre: name to unit.
BALANCE = {
    "imbalance_g_mm": "g mm",
    "least_moment_g_cm2": "g cm2",
    "greatest_moment_g_cm2": "g cm2",
    "moments_apart_percent": "%",
}
_WALL = re.compile(r"stage([0-9]+)\.wall_(thinnest|thickest)_mm")

# Fitted pieces lie at these many steps. With steps of this many deviations the fitted slope of a
# cubic, b + 3.4 c step^2, is the one that fits it best over the normal distribution,
# b + 3 c deviation^2. A step is at least the length below, so that the solvers' ripple does not
# pass for a slope where a process hardly scatters.
_STEPS = (-2.0, -1.0, 1.0, 2.0)
_STEP_DEVIATIONS = math.sqrt(3.0 / 3.4)
_LEAST_STEP: dict[Kind, float] = {"diameter": 0.05, "density": 0.006, "modulus": 0.04}

# A wall that is not this many deviations of its scatter thick would be cut through by some piece.
_WALL_DEVIATIONS = 6.0

CHECKS = 20


@dataclass(frozen=True)
class Source:
    """One number that scatters: diameter (mm), density (share) or modulus (of its logarithm).

    `deviation` is in that measure, `layer` is an index, 0 innermost.
    """

    layer: int
    kind: Kind
    deviation: float

    @property
    def step(self) -> float:
        """Distance between fitted pieces."""
        return max(_STEP_DEVIATIONS * self.deviation, _LEAST_STEP[self.kind])


@dataclass(frozen=True)
class Draws:
    """Drawn pieces: `move` (s, sources) in each source's measure, `off` (s, n - 1, 3) in m.

    `off` is the centre of each body inside from the centre of the layer around it.
    """

    move: FloatArray
    off: FloatArray


@dataclass(frozen=True)
class Surrogate:
    """Quadratics of figures about a build, without products of two sources.

    `constant` (f,), `linear` and `square` (sources, f) belong to moves over steps; `names` (f).
    """

    names: tuple[str, ...]
    step: FloatArray
    constant: FloatArray
    linear: FloatArray
    square: FloatArray

    def __call__(self, move: FloatArray) -> FloatArray:
        """Figures of pieces, (s, f), from their moves, (s, sources)."""
        u = move / self.step
        return np.asarray(self.constant + u @ self.linear + u**2 @ self.square)

    def only(self, names: Sequence[str]) -> "Surrogate":
        """Return the surrogate of some of the figures."""
        place = [self.names.index(name) for name in names]
        return Surrogate(
            tuple(names),
            self.step,
            self.constant[place],
            self.linear[:, place],
            self.square[:, place],
        )


@dataclass(frozen=True)
class Study:
    """A build, its scatter, and what was learnt of its figures by computing pieces.

    Attributes
    ----------
    ball, scatter : Ball, Scatter
        The build and the process.
    sources : tuple of Source
        What scatters, besides concentricity.
    concentricity : (n - 1,) array
        Deviation along each axis of each body inside, m.
    nominal : dict of str to Figure
        The build's own figures.
    surrogate : Surrogate
        Of all figures that are computed, the closed forms too: these only for shares of variance.
    check_error : dict of str to float
        Root mean square of surrogate less finite elements over fresh pieces, in the unit.
    failed : dict of str to str
        Figures that could not be computed at some piece, and why.
    """

    ball: Ball
    scatter: Scatter
    sources: tuple[Source, ...]
    concentricity: FloatArray
    nominal: Mapping[str, Figure]
    surrogate: Surrogate
    check_error: Mapping[str, float]
    failed: Mapping[str, str]


def sources_of(ball: Ball, scatter: Scatter) -> tuple[Source, ...]:
    """List what scatters in a build: diameters, densities, moduli, each centre outward."""
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
    """Build one piece: the build with every source moved.

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
            "moved within the process's scatter",
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
    """Draw pieces from the scatter; the same generator gives the same pieces."""
    deviation = np.array([s.deviation for s in sources])
    move = rng.standard_normal((samples, len(sources))) * deviation
    off = rng.standard_normal((samples, len(concentricity), 3)) * concentricity[:, None]
    return Draws(move, off)


def study(
    ball: Ball,
    figures: Sequence[str] = BALL_FIGURES,
    scatter: Scatter | None = None,
    seed: int = 0,
    mapper: Mapper = map,
) -> Study:
    """Compute the pieces that tell how figures answer to the scatter.

    Parameters
    ----------
    ball : Ball
        The build.
    figures : sequence of str
        Names of figures, also of stages and swings; those of balance need no naming.
    scatter : Scatter, optional
        Common practice otherwise.
    seed : int
        Of the fresh pieces that check the surrogate.
    mapper : callable
        ``map`` or an executor's ``map``; results do not depend on it.

    Raises
    ------
    InputError
        If a figure is unknown or the scatter is too wide for a layer.
    """
    scatter = scatter or Scatter()
    names = tuple(dict.fromkeys(n for n in figures if not is_balance(n)))
    for name in names:
        parse_figure(name)
    sources, concentricity = sources_of(ball, scatter), _concentricity(ball, scatter)
    _check_walls(ball, sources, concentricity)
    step = np.array([s.step for s in sources])
    design = np.vstack([np.zeros(len(sources)), *(k * np.diag(step) for k in _STEPS)])
    fresh = draw(sources, concentricity, CHECKS, np.random.default_rng([seed, 1])).move
    found = compute(ball, sources, np.vstack([design, fresh]), names, mapper)
    failed = {name: why for e in found for name, why in e.failed.items()}
    kept = tuple(name for name in names if name not in failed)
    values = np.array([[e.figures[name].value for name in kept] for e in found])
    surrogate = fit(kept, step, design, values[: len(design)])
    off = surrogate(fresh) - values[len(design) :]
    error = {
        name: 0.0 if is_exact(name) else float(np.sqrt(np.mean(off[:, i] ** 2)))
        for i, name in enumerate(kept)
    }
    nominal = {name: found[0].figures[name] for name in kept}
    return Study(ball, scatter, sources, concentricity, nominal, surrogate, error, failed)


def compute(
    ball: Ball,
    sources: Sequence[Source],
    moves: FloatArray,
    names: Sequence[str],
    mapper: Mapper = map,
) -> list[Estimate]:
    """Estimate pieces in full, in order."""
    balls = [piece(ball, sources, move) for move in moves]
    return list(mapper(estimate, balls, [tuple(names)] * len(balls)))


def fit(
    names: Sequence[str], step: FloatArray, design: FloatArray, values: FloatArray
) -> Surrogate:
    """Fit quadratics by least squares; `design` (s, sources) moves, `values` (s, f)."""
    u = design / step
    matrix = np.hstack([np.ones((len(u), 1)), u, u**2])
    coefficients: FloatArray = np.linalg.pinv(matrix) @ values
    count = len(step)
    return Surrogate(
        tuple(names), step, coefficients[0], coefficients[1 : count + 1], coefficients[count + 1 :]
    )


def _concentricity(ball: Ball, scatter: Scatter) -> FloatArray:
    return np.array([scatter.of(layer.role).concentricity_mm for layer in ball.layer[1:]]) * 1e-3


def _check_walls(ball: Ball, sources: Sequence[Source], concentricity: FloatArray) -> None:
    """Refuse a scatter that would cut through a wall."""
    diameter = np.array([layer.outer_diameter_mm for layer in ball.layer])
    deviation = np.array([s.deviation for s in sources if s.kind == "diameter"])
    for number, (wall, inner, outer, off) in enumerate(
        zip(
            np.diff(diameter) / 2.0, deviation[:-1], deviation[1:], concentricity * 1e3, strict=True
        ),
        2,
    ):
        of_wall = float(np.sqrt((inner**2 + outer**2) / 4.0 + off**2))
        if _WALL_DEVIATIONS * of_wall > wall:
            raise InputError(
                f"layer {number} ({ball.layer[number - 1].role}) is {wall:.3f} mm thick, but "
                f"diameters and concentricity let its wall scatter by {of_wall:.3f} mm, which must be "
                f"at most {wall / _WALL_DEVIATIONS:.3f} mm."
            )


def deviation_of(values: FloatArray) -> float:
    """Return the standard deviation; 0 where values differ by rounding only."""
    least = 1e-12 * float(np.abs(values).max())
    deviation = float(values.std(ddof=1))
    return deviation if deviation > least else 0.0


def is_balance(name: str) -> bool:
    """Whether a name is one of an off-centre piece: balance, moments or a wall."""
    return name in BALANCE or _WALL.fullmatch(name) is not None


def is_exact(name: str) -> bool:
    """Whether a figure of every drawn piece is a closed form."""
    return is_balance(name) or QUANTITIES[parse_figure(name).quantity].basis == "closed form"


def unit_of(name: str) -> str:
    """Return a figure's unit, also of those of balance."""
    if is_balance(name):
        return BALANCE.get(name, "mm")
    return QUANTITIES[parse_figure(name).quantity].unit


def balance_names(ball: Ball) -> tuple[str, ...]:
    """Names of the figures of off-centre pieces; none for a ball of one layer."""
    count = len(ball.layer)
    walls = [f"stage{n}.wall_thinnest_mm" for n in range(2, count + 1)]
    return (*BALANCE, *walls) if count > 1 else ()


def values_of(found: Study, draws: Draws, names: Sequence[str]) -> dict[str, FloatArray]:
    """Figures of drawn pieces, (s,) each, in their units.

    Raises
    ------
    SolverError
        If a figure could not be computed.
    InputError
        If a wall is of a layer that there is not.
    """
    for name in names:
        if name in found.failed:
            raise SolverError(f"{name} of {found.ball.name} failed: {found.failed[name]}")
    modelled = [name for name in names if not is_exact(name)]
    columns = found.surrogate.only(modelled)(draws.move).T if modelled else ()
    fitted = dict(zip(modelled, columns, strict=True))
    balance: dict[str, FloatArray] = {}
    if any(name in BALANCE for name in names):
        balance = _balance(found, draws)
    values = {}
    for name in names:
        if name in BALANCE:
            values[name] = balance[name]
        elif _WALL.fullmatch(name):
            values[name] = _wall(found, draws, name)
        elif is_exact(name):
            parsed = parse_figure(name)
            count = parsed.stage or len(found.ball.layer)
            values[name] = _closed(_pieces(found, draws.move, count), parsed)
        else:
            values[name] = fitted[name]
    return values


def _pieces(found: Study, move: FloatArray, count: int) -> Pieces:
    """Return the innermost `count` layers of pieces; only whole balls have dimples."""
    body = found.ball.body()
    by = {kind: move[:, [s.kind == kind for s in found.sources]] for kind in get_args(Kind)}
    whole = count == len(found.ball.layer)
    return Pieces(
        outer_radius=(body.outer_radius + 0.5e-3 * by["diameter"])[:, :count],
        density=(body.density * (1.0 + by["density"]))[:, :count],
        dimple_volume_fraction=body.dimple_volume_fraction if whole else 0.0,
        dimple_depth=body.dimple_depth,
    )


def _closed(pieces: Pieces, name: FigureName) -> FloatArray:
    """Closed-form figures of pieces; `layers.estimation` has the same of one ball."""
    outer = pieces.outer_radius[:, -1]
    if name.quantity == "diameter_mm":
        return 2e3 * outer
    mass = many.mass(pieces)
    if name.quantity == "mass_g":
        return 1e3 * mass
    if name.quantity == "mean_density_g_cm3":
        return np.asarray(1e-3 * mass / (4.0 / 3.0 * np.pi * outer**3))
    inertia = many.moment_of_inertia(pieces)
    return 1e7 * inertia if name.quantity == "moi_g_cm2" else inertia / (mass * outer**2)


def _balance(found: Study, draws: Draws) -> dict[str, FloatArray]:
    # An interface moves with every body it lies in.
    offset = draws.off[:, ::-1].cumsum(axis=1)[:, ::-1]
    result = many.balance(_pieces(found, draws.move, len(found.ball.layer)), offset)
    low, high = result.principal_moments[:, 0], result.principal_moments[:, 2]
    return {
        "imbalance_g_mm": 1e6 * result.imbalance,
        "least_moment_g_cm2": 1e7 * low,
        "greatest_moment_g_cm2": 1e7 * high,
        "moments_apart_percent": 100.0 * (high - low) / result.principal_moments.mean(axis=1),
    }


def _wall(found: Study, draws: Draws, name: str) -> FloatArray:
    match = _WALL.fullmatch(name)
    assert match is not None  # by the caller
    number, count = int(match[1]), len(found.ball.layer)
    if not 2 <= number <= count:
        raise InputError(f"{name}: only stages 2 to {count} have a wall around a body inside.")
    radius = 1e3 * _pieces(found, draws.move, count).outer_radius
    off = 1e3 * np.linalg.norm(draws.off[:, number - 2], axis=1)
    wall = radius[:, number - 1] - radius[:, number - 2]
    return np.asarray(wall - off if match[2] == "thinnest" else wall + off)
