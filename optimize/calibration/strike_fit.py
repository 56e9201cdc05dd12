"""A club's unknown numbers, fitted to a robot's launches of known builds.

Friction depends on cover and state of the face, the spring on the head; loft, attack and impact
height are known only as far as a robot's set-up is. Least squares over ball speed, launch angle,
spin and time on the face, each unknown with a prior; what the launches do not identify stays.
"""

import math
from collections.abc import Callable, Sequence
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
# Derivatives by this step, in prior standard deviations: above the solver's noise.
_STEP = 0.1
# Frictions to start from, in prior standard deviations.
_FRICTIONS = (-2.0, -1.0, 1.0)
# An unknown is identified when its standard deviation is below this share of the prior's.
_IDENTIFIED = 0.6
# Misfit, in standard deviations of scatter and numerical error: warned of, refused.
WARN, REFUSE = 2.0, 10.0


@dataclass(frozen=True)
class Unknown:
    """A number of a swing that may be fitted.

    Attributes
    ----------
    field : str
        Of `Swing`.
    spread : float
        Prior standard deviation: of the logarithm where `ratio`, else in the field's unit.
    low, high : float
        What the fit may reach.
    ratio : bool
        Whether the number is a matter of proportion.
    """

    field: str
    spread: float
    low: float
    high: float
    ratio: bool

    def moved(self, start: float, x: float) -> float:
        """Return the number x prior standard deviations from where it starts."""
        value = start * math.exp(self.spread * x) if self.ratio else start + self.spread * x
        return min(max(value, self.low), self.high)

    def error(self, value: float, sd: float) -> float:
        """Return `sd` prior standard deviations in the field's unit."""
        return (value if self.ratio else 1.0) * self.spread * sd


# Priors: common practice in setting up a robot, and the ranges of friction and faces published.
FRICTION = Unknown("friction", 0.5, 0.02, 1.5, True)
FACE = Unknown("face_stiffness_kn_mm", 0.4, 0.5, 1000.0, True)
SETTINGS = {
    "loft": Unknown("dynamic_loft_deg", 1.0, 0.0, 80.0, False),
    "attack": Unknown("attack_angle_deg", 1.0, -20.0, 20.0, False),
    "height": Unknown("impact_height_mm", 3.0, -30.0, 30.0, False),
}


@dataclass(frozen=True)
class Fitted:
    """A number of the swing that is written, its standard error, and whether it is identified."""

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
    model_error: float


@dataclass(frozen=True)
class StrikeFit:
    """A swing fitted to launches.

    Attributes
    ----------
    swing : Swing
        With the numbers that the launches identify, their source said.
    fitted : tuple of Fitted
    launch : tuple of LaunchFit
        `after` is computed with `swing` as it is.
    chi_square, degrees_of_freedom : float, int
        Weighted sum of squared misfits and its degrees of freedom; standard errors are multiplied
        by the Birge ratio, the root of their quotient, where that is above 1.
    interval_percent : dict of str to float
        By quantity: half width of a 95 % interval for another ball's launch off this club, percent.
    """

    swing: Swing
    fitted: tuple[Fitted, ...]
    launch: tuple[LaunchFit, ...]
    chi_square: float
    degrees_of_freedom: int
    interval_percent: dict[str, float]

    @property
    def misfit(self) -> float:
        """Root mean square misfit, in standard deviations of what scatter and mesh explain."""
        return math.sqrt(self.chi_square / max(self.degrees_of_freedom, 1))


@dataclass(frozen=True)
class _Case:
    """Launches to be met: swing as it is set, groups, their means and standard errors."""

    swing: Swing
    groups: tuple[Group, ...]
    balls: dict[str, Ball]
    values: FloatArray
    sigma: FloatArray

    def launches(self, swing: Swing) -> FloatArray:
        return _launches(swing, self.groups, self.balls)


def fit_strike(
    name: str,
    balls: Sequence[Ball],
    measured: Measurements,
    table: SwingTable,
    free: Sequence[str] = (),
) -> StrikeFit:
    """Fit friction, the face's spring where the swing has one, and settings that are set free.

    Parameters
    ----------
    name : str
        The swing; its other numbers are taken as the robot's settings.
    balls : sequence of Ball
        The builds that were hit.
    measured : Measurements
        Readings; launch figures of that swing are used.
    table : SwingTable
        Where the swing stands.
    free : sequence of str
        Of `SETTINGS`.

    Returns
    -------
    StrikeFit

    Raises
    ------
    InputError
        If the readings hold fewer launch figures of the swing than there are unknowns, or cannot be
        met: the misfit is above `REFUSE`.
    """
    swing = table.find(name)
    unknowns = _unknowns(swing, free)
    case = _case(swing, balls, measured)
    if len(case.groups) < len(unknowns):
        raise InputError(
            f"readings hold {len(case.groups)} launch figures of swing {name!r}, but fitting "
            f"{', '.join(u.field for u in unknowns)} needs at least {len(unknowns)}: "
            f"{', '.join(USED)}."
        )
    kept, x, covariance = _identified(case, unknowns)
    final = _changed(case, kept, x)
    if kept:
        names = " and ".join(u.field for u in kept)
        final = Swing.model_validate(
            final.model_dump()
            | {
                "source": f"{names} fitted to {', '.join(measured.source)}; else {swing.source}",
                "grade": "measured",
            }
        )
    found = _report(case, unknowns, kept, covariance, final)
    if found.misfit > REFUSE:
        raise InputError(_advice(found, free))
    return found


def _unknowns(swing: Swing, free: Sequence[str]) -> tuple[Unknown, ...]:
    for name in free:
        if name not in SETTINGS:
            raise InputError(f"free is {name!r}, but must be one of: {', '.join(SETTINGS)}.")
        if name == "height" and swing.moi_g_cm2 is None:
            raise InputError(
                f"free is 'height', but the head of swing {swing.name!r} cannot turn: give it "
                "moi_g_cm2 and depth_mm first."
            )
    face = () if swing.face_stiffness_kn_mm is None else (FACE,)
    return (FRICTION, *face, *(SETTINGS[name] for name in dict.fromkeys(free)))


def _case(swing: Swing, balls: Sequence[Ball], measured: Measurements) -> _Case:
    groups = tuple(g for g in measured.groups() if _is_launch(g, swing.name))
    values = np.array([float(np.mean(g.values)) for g in groups])
    by_name = {ball.name: ball for ball in balls}
    return _Case(swing, groups, by_name, values, _sigmas(groups, values))


def _start(case: _Case, unknown: Unknown) -> float:
    """Where a number starts: the swing's, or the first cover's friction."""
    own = getattr(case.swing, unknown.field)
    if own is not None:
        return float(own)
    return next(iter(case.balls.values())).layer[-1].material.friction.value


def _changed(case: _Case, unknowns: Sequence[Unknown], x: FloatArray) -> Swing:
    update: dict[str, object] = {
        u.field: u.moved(_start(case, u), float(k)) for u, k in zip(unknowns, x, strict=True)
    }
    if "friction" in update:  # one number for this face, dry or wet
        update["surface"] = "dry"
    return case.swing.model_copy(update=update)


def _identified(
    case: _Case, unknowns: Sequence[Unknown]
) -> tuple[tuple[Unknown, ...], FloatArray, FloatArray]:
    """Fit, leave out the least identified unknown, and fit again until all are identified."""
    kept = tuple(unknowns)
    while kept:
        x, covariance = _fit(case, kept)
        sd = np.sqrt(np.diag(covariance))
        if sd.max() <= _IDENTIFIED:
            return kept, x, covariance
        worst = int(sd.argmax())
        kept = kept[:worst] + kept[worst + 1 :]
    return (), np.zeros(0), np.zeros((0, 0))


def _fit(case: _Case, unknowns: tuple[Unknown, ...]) -> tuple[FloatArray, FloatArray]:
    """Most probable x, in prior standard deviations, and its covariance."""
    from scipy.optimize import least_squares

    def misfit(x: FloatArray) -> FloatArray:
        off = (case.launches(_changed(case, unknowns, x)) - case.values) / case.sigma
        return np.concatenate([off, x])

    def slopes(x: FloatArray) -> FloatArray:
        return _slopes(misfit, x)

    starts = [np.zeros(len(unknowns))]
    if FRICTION in unknowns:
        # Spin rises with friction while the ball slips and falls a little once it sticks: two
        # valleys, so start from the better of several.
        column = np.eye(len(unknowns))[unknowns.index(FRICTION)]
        starts += [k * column for k in _FRICTIONS]
    start = min(starts, key=lambda x: float((misfit(x) ** 2).sum()))
    found = least_squares(misfit, start, jac=slopes, xtol=1e-4, ftol=1e-5)
    jacobian: FloatArray = np.asarray(found.jac, dtype=float)
    covariance: FloatArray = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=float)
    return np.asarray(found.x), covariance


def _slopes(function: Callable[[FloatArray], FloatArray], x: FloatArray) -> FloatArray:
    here = function(x)
    columns = [(function(x + _STEP * unit) - here) / _STEP for unit in np.eye(len(x))]
    return np.stack(columns, axis=1)


def _report(
    case: _Case,
    unknowns: Sequence[Unknown],
    kept: tuple[Unknown, ...],
    covariance: FloatArray,
    final: Swing,
) -> StrikeFit:
    """Put together what the swing, as it is written, does."""
    before, after = case.launches(case.swing), case.launches(final)
    off = (after - case.values) / case.sigma
    chi_square, degrees_of_freedom = float(off @ off), len(off) - len(kept)
    wide = math.sqrt(max(1.0, chi_square / degrees_of_freedom)) if degrees_of_freedom else 1.0
    sd = dict(zip((u.field for u in kept), wide * np.sqrt(np.diag(covariance)), strict=True))
    fitted = []
    for u in unknowns:
        identified = u.field in sd
        value = getattr(final, u.field) if identified else _start(case, u)
        error = u.error(value, sd[u.field]) if identified else math.inf
        fitted.append(Fitted(u.field, float(value), float(error), identified))
    rows = zip(case.groups, case.values, before, after, case.sigma, strict=True)
    launch = tuple(LaunchFit(g.build, g.figure, *(float(v) for v in row)) for g, *row in rows)
    return StrikeFit(
        final, tuple(fitted), launch, chi_square, degrees_of_freedom, _intervals(launch, len(kept))
    )


def _intervals(launch: Sequence[LaunchFit], unknowns: int) -> dict[str, float]:
    """Half width, percent, of a 95 % interval for a ball that was not hit, by quantity.

    What the head fitted leaves of a quantity over the balls that were hit, it will leave of others;
    numerical error is the least.
    """
    from scipy.stats import t as student

    off: dict[str, list[float]] = {}
    for row in launch:
        quantity = parse_figure(row.figure).quantity
        off.setdefault(quantity, []).append(row.after / row.measured - 1.0)
    found = {}
    for quantity, parts in off.items():
        # The quantities share the unknowns: each has lost its part of the degrees of freedom.
        degrees_of_freedom = max(1.0, len(parts) - unknowns / len(off))
        scatter = math.sqrt(sum(part**2 for part in parts) / degrees_of_freedom)
        least = QUANTITIES[quantity].difference_percent / 200.0
        factor = float(student.ppf(0.975, degrees_of_freedom)) * math.sqrt(1.0 + 1.0 / len(parts))
        found[quantity] = 100.0 * factor * math.hypot(scatter, least)
    return found


def _advice(found: StrikeFit, free: Sequence[str]) -> str:
    worst = max(found.launch, key=lambda row: abs(row.after - row.measured) / row.model_error)
    still = [name for name in SETTINGS if name not in free]
    more = f"set {', '.join(still)} free, " if still else ""
    return (
        f"swing {found.swing.name!r} cannot be fitted: launches are {found.misfit:.0f} standard "
        f"deviations off on average, most {worst.figure} of {worst.build}, "
        f"{worst.after:.5g} for {worst.measured:.5g} measured; {more}correct the head's mass, "
        "inertia and depth, or check the builds' cards and the readings' units."
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
    # Slopes are differences of launches.
    conditions = Conditions(swings=SwingTable(swing=(swing,))).in_double()
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
