"""Which two builds to make, and what they would settle."""

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np

from layers.estimates import Estimate
from optimize.scenario.space import Space
from optimize.search.result import Member, Run
from optimize.verdicts.rivals import resolution
from optimize.verdicts.words import amount_with_error, listed

_MOST_DIFFERENCES = 3


@dataclass(frozen=True)
class PrototypePair:
    """Two builds worth making side by side.

    Attributes
    ----------
    one, other : str
        Labels.
    kind : str
        ``"contrast"``: the two that differ most in the goals, which tests the model's order;
        ``"tie"``: the two of the most different construction that the model does not tell apart.
    sentence : str
        The same as text, with what the pair settles.
    """

    one: str
    other: str
    kind: Literal["contrast", "tie"]
    sentence: str


def prototype_pairs(run: Run) -> tuple[PrototypePair, ...]:
    """Choose the pairs to make, the more telling first."""
    if not run.feasible or len(run.short_list) < 2:
        return ()
    pairs = list(itertools.combinations(run.short_list, 2))
    contrast, tie = _contrast(run, pairs), _tie(run, pairs)
    return tuple(pair for pair in (contrast, tie) if pair is not None)


def _ratios(run: Run, one: Estimate, other: Estimate) -> list[float]:
    """Return the difference in each goal over what the model resolves."""
    found = []
    for goal in run.scenario.goal:
        step = abs(goal.loss(one[goal.figure].value) - goal.loss(other[goal.figure].value))
        error = resolution(one, other, goal.figure)
        found.append(step / error if error > 0.0 else np.inf if step > 0.0 else 0.0)
    return found


def _contrast(run: Run, pairs: list[tuple[Member, Member]]) -> PrototypePair | None:
    """Take the pair resolved in most goals, then that whose least resolved one is clearest."""

    def clarity(pair: tuple[Member, Member]) -> tuple[float, ...]:
        ratios = sorted(_ratios(run, pair[0].estimate, pair[1].estimate))
        return (sum(ratio > 1.0 for ratio in ratios), *ratios)

    one, other = max(pairs, key=clarity)
    goals = [
        g.figure
        for g, r in zip(run.scenario.goal, _ratios(run, one.estimate, other.estimate), strict=True)
        if r > 1.0
    ]
    if not goals:
        return None
    steps = []
    for figure in goals:
        first, second = one.estimate[figure], other.estimate[figure]
        error = resolution(one.estimate, other.estimate, figure)
        step = amount_with_error(abs(first.value - second.value), error, first.unit)
        steps.append(f"{step} of {figure}")
    said = (
        f"First make {one.label} and {other.label}: by the model {listed(steps)} apart. If the lab "
        "measures the same order and about the same step, trust the order of the short list; if "
        "not, calibrate before choosing."
    )
    return PrototypePair(one.label, other.label, "contrast", said)


def _tie(run: Run, pairs: list[tuple[Member, Member]]) -> PrototypePair | None:
    """Take the two members of the most different construction that no goal tells apart."""
    tied = [(a, b) for a, b in pairs if b.label in a.indistinguishable_from]
    if not tied:
        return None
    space = Space(run.scenario)
    point = {build.key: space.point_of(build.row) for build in run.builds}
    one, other = max(tied, key=lambda p: float(np.linalg.norm(point[p[0].key] - point[p[1].key])))
    said = (
        f"Make {one.label} and {other.label} to settle what the model cannot: the same to it in "
        f"every goal, built differently ({_built(one, other)})."
    )
    return PrototypePair(one.label, other.label, "tie", said)


def _built(one: Member, other: Member) -> str:
    """Name the layers that differ most, by thickness, modulus or profile."""
    roles = [layer.role for layer in one.ball.layer]
    if roles != [layer.role for layer in other.ball.layer]:
        return f"{len(roles)} layers against {len(other.ball.layer)}"
    found = []
    inner = [0.0, 0.0]
    for a, b in zip(one.ball.layer, other.ball.layer, strict=True):
        thick = [(x.outer_diameter_mm - d) / 2.0 for x, d in zip((a, b), inner, strict=True)]
        inner = [a.outer_diameter_mm, b.outer_diameter_mm]
        moduli = [x.material.youngs_modulus_mpa.value for x in (a, b)]
        change = abs(np.log(thick[0] / thick[1])), abs(np.log(moduli[0] / moduli[1]))
        found.append((change[0], f"{a.role} {thick[0]:g} mm against {thick[1]:g} mm"))
        found.append((change[1], f"{a.role} {moduli[0]:g} MPa against {moduli[1]:g} MPa"))
        steep = [x.profile.contrast if x.profile else 1.0 for x in (a, b)]
        said = f"{a.role} graded 1 : {steep[0]:.3g} against 1 : {steep[1]:.3g}"
        found.append((abs(np.log(steep[0] / steep[1])), said))
    found.sort(key=lambda item: -item[0])
    return "; ".join(words for change, words in found[:_MOST_DIFFERENCES] if change > 0.0)
