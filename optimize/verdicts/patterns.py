"""Which dimple pattern suits which construction, goal by goal, on the same layers."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from layers.figures import FigureName, parse_figure
from layers.flight.aerodynamics import Law
from layers.flight.influence import FIGURES, Influence, influence
from layers.flight.uncertainty import Errors, sum_spread
from layers.rules.overall_distance import LAUNCH
from optimize.scenario.goals import Goal
from optimize.scenario.space import Gene, Space
from optimize.search.result import Build, Run
from optimize.verdicts.words import amount, counted, in_unit

# Goals whose error follows from the measured rows: the flight's figure and its scale from SI.
_FLOWN = {
    "carry_m": ("carry", 1.0),
    "total_m": ("total", 1.0),
    "apex_m": ("apex", 1.0),
    "descent_angle_deg": ("descent_angle", math.degrees(1.0)),
    "flight_time_s": ("time", 1.0),
    "carry_range_m": ("carry", 1.0),  # of the longest flight less the shortest
}
_WORDS = {
    "thickness_mm": ("thickness", " mm"),
    "youngs_modulus_mpa": ("modulus", " MPa"),
    "surface_over_centre": ("surface over centre modulus", ""),
    "shape": ("profile's shape", ""),
    "density_g_cm3": ("density", " g/cm3"),
}
# A design variable is named as what decides where it parts at least this share of constructions.
_DECIDING = 0.9


@dataclass(frozen=True)
class PatternVerdict:
    """Two dimple patterns compared on every construction that was computed under both.

    Attributes
    ----------
    figure : str
        Figure of the goal.
    pattern, other : str
        The pattern that is better on more constructions, and the other.
    wins, of : int
        On how many constructions it is better, of how many.
    least, most : float
        Smallest and largest advantage over them, negative where the other is better; in the
        figure's unit.
    error : float
        95 % half width of the difference of the two, from what the measured rows leave open; 0
        where the patterns' tables state no errors, or none follows from them for the figure.
    decided : bool
        Whether every advantage is larger than the error and of one sign.
    where : str
        What the constructions on which it is better have in common, as ``"mantle thickness at
        least 1.2 mm"``; empty where one pattern is better on all, or nothing parts them.
    sentence : str
        The same as text.
    """

    figure: str
    pattern: str
    other: str
    wins: int
    of: int
    least: float
    most: float
    error: float
    decided: bool
    where: str
    sentence: str


def pattern_verdicts(run: Run) -> tuple[PatternVerdict, ...]:
    """Compare every two dimple patterns in every goal; empty where builds have one pattern."""
    patterns = run.scenario.patterns
    if len(patterns) < 2:
        return ()
    by_layers = _by_layers(run)
    found = []
    for goal in run.scenario.goal:
        for pair in combinations(patterns, 2):
            both = [b for b in by_layers if pair[0] in b and pair[1] in b]
            verdict = _verdict(run, goal, pair, both) if both else None
            if verdict is not None:
                found.append(verdict)
    return tuple(found)


def _by_layers(run: Run) -> list[dict[str, Build]]:
    """Return the builds of each construction by pattern."""
    place = _place(Space(run.scenario).genes)
    joined: dict[tuple[int, ...], dict[str, Build]] = {}
    for build in run.builds:
        layers = (*build.row[:place], *build.row[place + 1 :])
        joined.setdefault(layers, {})[build.ball.dimple_pattern] = build
    return list(joined.values())


def _place(genes: tuple[Gene, ...]) -> int:
    return next(i for i, gene in enumerate(genes) if gene.what == "dimple_pattern")


def _verdict(
    run: Run, goal: Goal, pair: tuple[str, str], both: list[dict[str, Build]]
) -> PatternVerdict | None:
    """Compare two patterns in one goal; None where it does not depend on the flight."""
    figures = [[by[name].figures[goal.figure] for name in pair] for by in both]
    gain = np.array([goal.loss(b.value) - goal.loss(a.value) for a, b in figures])
    if not gain.any():
        return None
    pattern, other = pair if np.sum(gain > 0.0) * 2 >= len(gain) else (pair[1], pair[0])
    gain = gain if pattern == pair[0] else -gain
    wins, of = int(np.sum(gain > 0.0)), len(gain)
    error = _error(run, goal, pair, both[int(np.argmin(np.abs(gain)))])
    stating = _stating(run.scenario.pattern_laws(), pair)
    scale = error, figures[0][0].unit, stating
    where = "" if wins == of else _where(run, [by[pattern].row for by in both], gain > 0.0)
    decided = wins == of and float(gain.min()) > error
    return PatternVerdict(
        figure=goal.figure,
        pattern=pattern,
        other=other,
        wins=wins,
        of=of,
        least=float(gain.min()),
        most=float(gain.max()),
        error=error,
        decided=decided,
        where=where,
        sentence=_sentence(goal, (pattern, other), (wins, of), gain, scale, where),
    )


def _sentence(
    goal: Goal,
    patterns: tuple[str, str],
    counts: tuple[int, int],
    gain: "np.typing.NDArray[np.float64]",
    scale: tuple[float, str, bool],
    where: str,
) -> str:
    (pattern, other), (wins, of), (error, unit, stating) = patterns, counts, scale
    fine = error or 0.02 * float(np.abs(gain).max())
    low, high = (f"{amount(float(v), fine, '1')}" for v in (gain.min(), gain.max()))
    on = f"all {counted(of)}" if wins == of else f"{wins} of {of}"
    parts = f", those with {where}" if where else ""
    said = (
        f"{goal.figure}: pattern {pattern} is better than {other} on {on} constructions{parts}, "
        f"by {low} to {high}{in_unit(unit)}"
    )
    if not error and stating:
        return f"{said}; no error of it is known to hold this against."
    if not error:
        return f"{said}; the tables state no errors to hold this against."
    within = int(np.sum(np.abs(gain) <= error))
    known = amount(error, error, unit)
    if not within:
        return f"{said}, each time more than the range's rows leave open, {known}."
    if within == of:
        return f"{said}; the range's rows leave {known} open: no pattern is decided."
    return f"{said}; {within} of them are below what the range's rows leave open, {known}."


def _where(run: Run, rows: list[tuple[int, ...]], better: "np.typing.NDArray[np.bool_]") -> str:
    """Name the one design variable that best parts the constructions, if one does."""
    genes, table = Space(run.scenario).genes, np.array(rows)
    best, words = 0.0, ""
    for place, gene in enumerate(genes):
        role = run.scenario.layer[gene.layer].role
        for k in range(len(gene.values)):
            if gene.ordered and k:
                name, unit = _WORDS[gene.what]
                value, high = f"{gene.values[k]:g}{unit}", table[:, place] >= k
                cuts = [(high, f"{role} {name} at least {value}")]
                cuts += [(~high, f"{role} {name} below {value}")]
            elif gene.what == "material":
                cuts = [(table[:, place] == k, f"{role} of {gene.values[k]}")]
            else:
                continue
            for cut, said in cuts:
                share = float(np.mean(cut == better))
                if share > best:
                    best, words = share, said
    trivial = max(float(np.mean(better)), 1.0 - float(np.mean(better)))
    return words if best >= _DECIDING and best > trivial else ""


def _error(run: Run, goal: Goal, pair: tuple[str, str], both: dict[str, Build]) -> float:
    """Return the half width of the difference of two patterns, from the launches computed.

    0 where the tables state no errors, or none follows from them for this figure.
    """
    parsed, laws = parse_figure(goal.figure), run.scenario.pattern_laws()
    if parsed.quantity not in _FLOWN or not _stating(laws, pair):
        return 0.0
    figure, scale = _FLOWN[parsed.quantity]
    flights: list[tuple[float, Influence, Errors | None]] = []
    for name, sign in zip(pair, (1.0, -1.0), strict=True):
        law = laws[name]
        errors = law if isinstance(law, Errors) else None
        flown = _flights(run, parsed, both[name], law)
        flights.append((sign, flown[-1], errors))
        flights += [(-sign, flown[0], errors)] * (len(flown) > 1)
    spread = sum_spread(flights)
    return float(scale * spread.half_width[FIGURES.index(figure)])


def _stating(laws: Mapping[str, Law], pair: tuple[str, str]) -> bool:
    """Whether either pattern's table states errors."""
    return any(isinstance(laws[name], Errors) for name in pair)


def _flights(run: Run, figure: FigureName, build: Build, law: Law) -> list[Influence]:
    """Fly a build's launches off the swings that a figure is of, the shortest carry first."""
    conditions, found = run.scenario.estimate_conditions(), build.figures
    assert conditions is not None  # they name the patterns
    flown = []
    for swing in conditions.swings.of_figure(figure):
        speed, angle, spin = (found[f"{swing}.{launch}"].value for launch in LAUNCH)
        weather = conditions.weather(swing)
        flown.append(
            influence(
                speed,
                math.radians(angle),
                max(spin, 0.0) * math.pi / 30.0,
                mass=found["mass_g"].value * 1e-3,
                diameter=found["diameter_mm"].value * 1e-3,
                law=law,
                air=weather.air,
                wind=weather.wind,
            )
        )
    return sorted(flown, key=lambda one: float(one.values[FIGURES.index("carry")]))
