"""From many evaluated builds to a short list with reasons, prices, and limits worth relaxing."""

import itertools
import math
import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray
from layers.estimates import Estimate
from layers.resolution.difference import difference, half_widths
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.measures import is_clearance, words_of
from optimize.scenario.variables import FILL_DENSITY
from optimize.search.result import Infeasible, Member, Price, Relaxation

MOST_MEMBERS = 8
LABELS = string.ascii_uppercase
MOST_INFEASIBLE = 5
_MOST_KNEES = 2
_LEAST_KNEE = 1.2  # a straight front has 1 everywhere
_KNEE_DISTANCE = 0.15  # of the front's range: two knees nearer than this are one


@dataclass(frozen=True)
class Pick:
    """A build chosen for the short list, by its index, and the reason."""

    index: int
    reason: str


def non_dominated(losses: FloatArray) -> BoolArray:
    """Find the builds that no other build dominates.

    Parameters
    ----------
    losses : (n, m) array
        The smaller the better, in every column.

    Returns
    -------
    (n,) bool array
        False where another is at least as good in every column and better in one.
    """
    keep = np.zeros(len(losses), dtype=np.bool_)
    front: list[int] = []
    # Sorted by the first column, then the next ones, no later build can beat an earlier one.
    for i in np.lexsort(losses.T[::-1]):
        ahead = losses[front]
        beaten = np.any(np.all(ahead <= losses[i], axis=1) & np.any(ahead < losses[i], axis=1))
        if not beaten:
            front.append(int(i))
            keep[i] = True
    return keep


def trade_off(losses: FloatArray, resolution: FloatArray) -> FloatArray:
    """Return the least ratio of loss to gain of moving away from each member of a front.

    T_i = min over j of (sum of the losses of j against i) / (sum of the gains), each goal divided
    by its range on the front. A straight front has T = 1 everywhere; a maximum above 1 is a knee
    point: any move away from it loses more than it gains.

    Parameters
    ----------
    losses : (n, m) array
        A front, the smaller the better.
    resolution : (n, n, m) array
        Error of the difference of every two in each goal: smaller gains count as none, and such a j
        is ignored.

    Returns
    -------
    (n,) array
        T; 0 where no other member gains anything.
    """
    span = _span(losses)
    rise = (losses[None, :, :] - losses[:, None, :]) / span  # [i, j]: the loss of j over i
    gain = np.sum(np.where(-rise > resolution / span, -rise, 0.0), axis=2)
    loss = np.sum(np.maximum(rise, 0.0), axis=2)
    ratio = np.divide(loss, gain, out=np.full_like(loss, np.inf), where=gain > 0.0)
    least = np.min(ratio, axis=1)
    return np.where(np.isfinite(least), least, 0.0)


def _span(losses: FloatArray) -> FloatArray:
    span = np.ptp(losses, axis=0)
    return np.where(span > 0.0, span, 1.0)


def choose(
    goals: Sequence[Goal], losses: FloatArray, builds: Sequence[Estimate], points: FloatArray
) -> list[Pick]:
    """Choose the short list among feasible builds.

    Parameters
    ----------
    goals : sequence of Goal
        m goals.
    losses : (n, m) array
        Loss in each goal.
    builds : sequence of Estimate
        The n builds with the goals' figures.
    points : (n, d) array
        The builds as points of the search space, to compare constructions.

    Returns
    -------
    list of Pick
        At most `MOST_MEMBERS`, in the order of the first goal.
    """
    if len(goals) == 1:
        return _choose_best(goals[0], losses[:, 0], builds, points)
    front = np.flatnonzero(non_dominated(losses))
    on_front, span = losses[front], _span(losses[front])
    ahead = [builds[int(i)] for i in front]
    scaled = (on_front - on_front.min(axis=0)) / span
    picks: dict[int, str] = {}
    for k, goal in enumerate(goals):
        place = int(np.lexsort((*np.delete(on_front, k, axis=1).T[::-1], on_front[:, k]))[0])
        best = _best(goal, len(_ties(goal, on_front[:, k], ahead, place)) - 1)
        picks[place] = f"{picks[place]}; {best}" if place in picks else best
    resolution = [half_widths(ahead, goal.figure) for goal in goals]
    measure = trade_off(on_front, np.stack(resolution, axis=2))
    for place in _knees(measure, scaled, tuple(picks)):
        picks[place] = (
            f"knee point: each 1 % gained in one goal costs at least {measure[place]:.1f} % in "
            f"{'the other' if len(goals) == 2 else 'the others'}, of their ranges on the front"
        )
    for place in _spread(scaled, list(picks), MOST_MEMBERS):
        picks[place] = ""
    order = sorted(picks, key=lambda place: (*on_front[place], place))
    return [
        Pick(int(front[place]), picks[place] or _gap(scaled[order], i))
        for i, place in enumerate(order)
    ]


def _gap(members: FloatArray, i: int) -> str:
    """Name the members on both sides of a gap's filler: its neighbours, or the two nearest."""
    if members.shape[1] == 2:
        sides = [i - 1, i + 1]
    else:
        distance = np.linalg.norm(members - members[i], axis=1)
        sides = sorted(np.argsort(distance, kind="stable")[1:3].tolist())
    one, other = (LABELS[side] for side in sides)
    return f"fills the gap between {one} and {other}"


def _choose_best(
    goal: Goal, losses: FloatArray, builds: Sequence[Estimate], points: FloatArray
) -> list[Pick]:
    """Return the best build of one goal, then others equal within the resolution but different."""
    order = np.argsort(losses, kind="stable")
    best = int(order[0])
    ties = _ties(goal, losses, builds, best)
    ties.sort(key=lambda i: losses[i])
    if len(ties) > 1:
        others = _spread(points[ties], [0], MOST_MEMBERS)
        same = "equal to the best within the model's resolution, a different construction"
        chosen = [Pick(int(ties[place]), same) for place in others]
    else:
        chosen = [Pick(int(i), "next best") for i in order[1:MOST_MEMBERS]]
    chosen.sort(key=lambda pick: (losses[pick.index], pick.index))
    return [Pick(best, _best(goal, len(ties) - 1)), *chosen]


def _ties(goal: Goal, losses: FloatArray, builds: Sequence[Estimate], best: int) -> list[int]:
    """Return the builds that the model does not tell from the best, itself among them."""
    return [
        i
        for i, loss in enumerate(losses)
        if i == best
        or loss - losses[best] <= difference(builds[best], builds[i], goal.figure).error
    ]


def _best(goal: Goal, ties: int) -> str:
    """Say that a build is best, or how many others are as good within the resolution."""
    if goal.aim == "target":
        said = f"nearest to the target of {goal.figure}"
    else:
        said = f"{'highest' if goal.aim == 'maximize' else 'lowest'} {goal.figure}"
    return said if not ties else f"among the {said}: {ties} more within the model's resolution"


def _knees(measure: FloatArray, scaled: FloatArray, taken: tuple[int, ...]) -> list[int]:
    knees: list[int] = []
    for place in np.argsort(-measure, kind="stable"):
        if measure[place] < _LEAST_KNEE or len(knees) == _MOST_KNEES:
            break
        near = [p for p in (*taken, *knees) if _distance(scaled, p, place) < _KNEE_DISTANCE]
        if not near:
            knees.append(int(place))
    return knees


def _distance(points: FloatArray, i: int, j: int) -> float:
    return float(np.linalg.norm(points[i] - points[j]))


def _spread(points: FloatArray, taken: list[int], count: int) -> list[int]:
    """Add the point farthest from all that are taken until there are `count`, or no new ones."""
    taken, added = list(taken), []
    nearest = np.min([np.linalg.norm(points - points[p], axis=1) for p in taken], axis=0)
    while len(taken) < count and nearest.max() > 0.0:
        place = int(np.argmax(nearest))
        taken.append(place)
        added.append(place)
        nearest = np.minimum(nearest, np.linalg.norm(points - points[place], axis=1))
    return added


def indistinguishable(goals: Sequence[Goal], a: Estimate, b: Estimate) -> bool:
    """Whether two builds are the same within the model's resolution in every goal.

    Parameters
    ----------
    goals : sequence of Goal
        The goals.
    a, b : Estimate
        The builds with the goals' figures.
    """
    return not any(difference(a, b, goal.figure).beyond_error for goal in goals)


def alike(
    goals: Sequence[Goal], labels: Sequence[str], builds: Sequence[Estimate]
) -> list[tuple[str, ...]]:
    """List for each build the labels of those indistinguishable from it.

    Parameters
    ----------
    goals : sequence of Goal
        The goals.
    labels : sequence of str
        Names of the builds.
    builds : sequence of Estimate
        With the goals' figures.
    """
    return [
        tuple(
            label
            for label, b in zip(labels, builds, strict=True)
            if b is not a and indistinguishable(goals, a, b)
        )
        for a in builds
    ]


def named(bound: Bound) -> str:
    """Return a bound in words: its figure, side and value; of a fence the way out of it."""
    if is_clearance(bound.figure):
        return f"{bound.figure} at least {bound.margin:g} %"
    return f"{bound.figure} {bound.side} {bound.value:g}"


def violated(excess: Mapping[Bound, float]) -> str:
    """Put violations in words."""
    return "; ".join(_violation(bound, over) for bound, over in excess.items())


def _violation(bound: Bound, over: float) -> str:
    if is_clearance(bound.figure):
        return f"{named(bound)} by {plain(over, 3)} %"
    unit = _unit(_unit_of(bound.figure))
    return f"{named(bound)}{unit} by {plain(over, 3)}{unit}"


def prices(goals: Sequence[Goal], members: Sequence[Member]) -> tuple[Price, ...]:
    """Compute the price of each goal in each other between neighbours on the short list.

    A gain within the model's resolution has no price: its slope would be noise.
    """
    found = []
    for goal, other in itertools.permutations(goals, 2):
        ordered = sorted(members, key=lambda m: goal.loss(m.estimate[goal.figure].value))
        for better, worse in itertools.pairwise(ordered):
            price = _price(goal, other, better, worse)
            if price is not None:
                found.append(price)
    return tuple(found)


def _price(goal: Goal, other: Goal, better: Member, worse: Member) -> Price | None:
    a, b = better.estimate[goal.figure], worse.estimate[goal.figure]
    p, q = better.estimate[other.figure], worse.estimate[other.figure]
    gain = goal.loss(b.value) - goal.loss(a.value)
    cost = other.loss(p.value) - other.loss(q.value)
    if gain <= difference(worse.estimate, better.estimate, goal.figure).error or cost <= 0.0:
        return None
    step = f"{goal.figure} better by {plain(gain, 3)}{_unit(a.unit)}"
    price = f" costs {plain(cost, 3)}{_unit(p.unit)} of {other.figure}"
    resolution = difference(worse.estimate, better.estimate, other.figure).error
    if cost <= resolution:
        price = (
            f"; the loss in {other.figure}, {plain(cost, 1)}{_unit(p.unit)}, is below the model's "
            f"resolution of {plain(resolution, 1)}{_unit(p.unit)}"
        )
    sentence = f"From {worse.label} to {better.label}: {step}{price}."
    return Price(goal.figure, other.figure, better.label, worse.label, cost / gain, sentence)


def plain(value: float, digits: int) -> str:
    """Round to so many significant digits, without an exponent: 200, not 2e+02."""
    return np.format_float_positional(
        value, precision=digits, unique=False, fractional=False, trim="-"
    )


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


@dataclass(frozen=True)
class Change:
    """A bound that a build violates by `excess`; `alone` if it is the only one."""

    bound: Bound
    excess: float
    index: int
    alone: bool


def changes(infeasible: Sequence[Infeasible]) -> tuple[Change, ...]:
    """Find the smallest changes of limits that would make a computed build feasible.

    Parameters
    ----------
    infeasible : sequence of Infeasible
        Builds of which every constraint was checked.

    Returns
    -------
    tuple of Change
        For each bound that is the only one some build violates, the smallest change; then, where
        some build needs less change (relative to the bounds) in several bounds at once, or no
        single one is enough, the changes for the closest such build, marked not alone.
    """
    found = []
    for bound in dict.fromkeys(bound for build in infeasible for bound in build.excess):
        only = [(b.excess[bound], i) for i, b in enumerate(infeasible) if [*b.excess] == [bound]]
        if only:
            found.append(Change(bound, *min(only), alone=True))
    least = min((c.bound.relative(c.excess) for c in found), default=math.inf)
    several = [(build.distance, i) for i, build in enumerate(infeasible) if len(build.excess) > 1]
    distance, nearest = min(several, default=(math.inf, 0))
    if distance < least:
        found += [Change(b, e, nearest, alone=False) for b, e in infeasible[nearest].excess.items()]
    return tuple(found)


def closest_infeasible(infeasible: Sequence[Infeasible], proposed: Sequence[Change]) -> list[int]:
    """Choose the builds that the changes make feasible, and the next closest, closest first."""
    by_distance = sorted(range(len(infeasible)), key=lambda i: (infeasible[i].distance, i))
    named = list(dict.fromkeys(change.index for change in proposed))
    others = [i for i in by_distance if i not in named]
    chosen = {*named, *others[: max(0, MOST_INFEASIBLE - len(named))]}
    return [i for i in by_distance if i in chosen]


def relaxation(change: Change, label: str) -> Relaxation:
    """Put a change of a limit in a sentence; its number is rounded so that it is enough."""
    bound, up = change.bound, change.bound.side == "at most"
    needed = bound.value + change.excess if up else bound.value - change.excess
    digits = max(0, 1 - math.floor(math.log10(change.excess)))
    rounded = (math.ceil if up else math.floor)(needed * 10**digits) / 10**digits
    unit = _unit(_unit_of(bound.figure))
    sentence = (
        f"{plain(change.excess, 2)} % are missing to the {bound.figure} ({bound.source})"
        if is_clearance(bound.figure)
        else f"{'Raise' if up else 'Lower'} {bound.figure} {bound.side} {bound.value:g}{unit} to "
        f"{rounded:.{digits}f}{unit} ({bound.source})"
    )
    if not label:
        sentence += ": a build can then be made; its other violations are not known."
    elif change.alone:
        sentence += f": {label} is then feasible."
    else:
        sentence += f", together with the other changes for {label}."
    return Relaxation(bound.figure, bound.side, bound.value, needed, label, change.alone, sentence)


def _unit_of(figure: str) -> str:
    return "g/cm3" if figure == FILL_DENSITY else words_of(figure)[1]
