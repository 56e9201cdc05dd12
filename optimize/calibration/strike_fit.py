"""A club's friction and face spring, fitted to a robot's launches of known builds.

Neither is known from first principles: friction depends on cover and state of the face, the spring
on the head. Weighted least squares over ball speed, launch angle, spin and time on the face.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from layers.files.toml import toml_value
from layers.strike.swings import Swing, SwingTable
from optimize.lab.readings import Group, Measurements, pooled_noise

USED = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "smash_factor", "strike_time_us")
FRICTION_RANGE, STIFFNESS_RANGE = (0.02, 1.5), (0.5, 1000.0)
# Relative step of the derivatives: above the solver's noise, below its curvature.
_STEP = 0.04
# A number with a relative standard error above this is not identifiable from the launches.
WORST_ERROR = 0.5


@dataclass(frozen=True)
class Fitted:
    """A fitted number of the swing, its standard error, and whether the launches identify it."""

    field: str
    value: float
    error: float
    identified: bool


@dataclass(frozen=True)
class LaunchFit:
    """The mean of one build's readings, and the model before and after; in the figure's unit."""

    build: str
    figure: str
    measured: float
    before: float
    after: float
    trusted_to: float


@dataclass(frozen=True)
class StrikeFit:
    """A swing fitted to launches.

    Attributes
    ----------
    swing : Swing
        With the numbers that the launches identify, and their source.
    fitted : tuple of Fitted
    launch : tuple of LaunchFit
    chi_square, degrees_of_freedom : float, int
        Weighted sum of squared residuals and its degrees of freedom; errors are inflated when the
        first is above the second.
    """

    swing: Swing
    fitted: tuple[Fitted, ...]
    launch: tuple[LaunchFit, ...]
    chi_square: float
    degrees_of_freedom: int


def fit_strike(
    name: str, balls: Sequence[Ball], measured: Measurements, table: SwingTable
) -> "StrikeFit":
    """Fit friction, and the face's spring where the swing has one, of one swing.

    Parameters
    ----------
    name : str
        The swing; its other numbers are taken as the robot's settings.
    balls : sequence of Ball
        The builds that were hit.
    measured : Measurements
        Readings; launch figures of that swing are used.
    table : SwingTable
        The table that has the swing.

    Returns
    -------
    StrikeFit

    Raises
    ------
    InputError
        If there are fewer launch figures of the swing than unknowns.
    """
    from scipy.optimize import least_squares

    swing = table.find(name)
    groups = [g for g in measured.groups() if _is_launch(g, name)]
    by_name = {ball.name: ball for ball in balls}
    friction = swing.friction
    if friction is None:
        friction = balls[0].layer[-1].material.friction.value
    start = [math.log(friction)]
    bounds = [FRICTION_RANGE]
    fields = ["friction"]
    if swing.face_stiffness_kn_mm is not None:
        start.append(math.log(swing.face_stiffness_kn_mm))
        bounds.append(STIFFNESS_RANGE)
        fields.append("face_stiffness_kn_mm")
    if len(groups) < len(fields):
        raise InputError(
            f"there are {len(groups)} launch figures of swing {name!r}, but fitting "
            f"{' and '.join(fields)} needs at least {len(fields)}: {', '.join(USED)}."
        )
    values = np.array([float(np.mean(g.values)) for g in groups])
    sigma = _sigmas(groups, values)

    def model(logs: FloatArray) -> FloatArray:
        changed = swing.model_copy(
            update=dict(zip(fields, (float(math.exp(x)) for x in logs), strict=True))
        )
        return _launches(changed, groups, by_name)

    def misfit(logs: FloatArray) -> FloatArray:
        return np.asarray((model(logs) - values) / sigma)

    low, high = np.log(np.array(bounds)).T
    first = np.clip(np.array(start), low + 1e-6, high - 1e-6)
    found = least_squares(
        misfit,
        first,
        bounds=(low, high),
        diff_step=_STEP / np.maximum(np.abs(first), 0.1),
        xtol=1e-4,
        ftol=1e-5,
        x_scale=0.3,
    )
    degrees = len(values) - len(fields)
    chi_square = float((found.fun**2).sum())
    wide = max(1.0, chi_square / degrees) if degrees else 1.0
    slopes: FloatArray = np.asarray(found.jac, dtype=float)
    errors = np.sqrt(np.diag(np.linalg.pinv(slopes.T @ slopes, rcond=1e-10)) * wide)
    blind = (slopes**2).sum(axis=0) < 1.0 / WORST_ERROR**2
    fitted = tuple(
        Fitted(
            field,
            float(math.exp(x)),
            float(math.exp(x) * e) if not b else math.inf,
            bool(not b and e <= WORST_ERROR),
        )
        for field, x, e, b in zip(fields, found.x, errors, blind, strict=True)
    )
    update: dict[str, object] = {f.field: f.value for f in fitted if f.identified}
    if update:
        names = " and ".join(update)
        update["source"] = f"{names} fitted to {', '.join(measured.source)}; else {swing.source}"
        update["grade"] = "measured"
    before, after = _launches(swing, groups, by_name), values + found.fun * sigma
    launch = tuple(
        LaunchFit(g.build, g.figure, *(float(x) for x in row))
        for g, *row in zip(groups, values, before, after, sigma, strict=True)
    )
    return StrikeFit(
        Swing.model_validate(swing.model_dump() | update), fitted, launch, chi_square, degrees
    )


def _is_launch(group: Group, name: str) -> bool:
    figure = parse_figure(group.figure)
    return figure.swing == name and figure.quantity in USED


def _sigmas(groups: Sequence[Group], values: FloatArray) -> FloatArray:
    """Return standard errors of the means: the lab's scatter and the model's numerical error."""
    noise = pooled_noise(groups)
    found = []
    for g, value in zip(groups, values, strict=True):
        quantity = parse_figure(g.figure).quantity
        of_mean = noise[quantity] / math.sqrt(len(g.reading))
        # The stated error is a half width, some two standard deviations.
        numerical = QUANTITIES[quantity].difference_percent / 200.0
        found.append(abs(value) * math.hypot(of_mean, numerical))
    return np.array(found)


def _launches(swing: Swing, groups: Sequence[Group], balls: dict[str, Ball]) -> FloatArray:
    conditions = Conditions(swings=SwingTable(swing=(swing,)))
    names: dict[str, list[str]] = {}
    for g in groups:
        names.setdefault(g.build, []).append(g.figure)
    made = {build: estimate(balls[build], wanted, conditions) for build, wanted in names.items()}
    return np.array([made[g.build][g.figure].value for g in groups])


def swings_toml(table: SwingTable) -> str:
    """Write a table of swings as TOML; `layers.strike.swings.read_swings` reads it back."""
    lines = []
    for swing in table.swing:
        fields = swing.model_dump(exclude_none=True)
        lines += ["[[swing]]", *(f"{key} = {toml_value(v)}" for key, v in fields.items()), ""]
    return "\n".join(lines)


def with_swing(table: SwingTable, swing: Swing) -> SwingTable:
    """Return the table with the swing of that name replaced."""
    return SwingTable(swing=tuple(swing if s.name == swing.name else s for s in table.swing))
