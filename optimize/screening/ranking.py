"""Ranks of screened builds by a scenario's goals, and which of them are indistinguishable."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.numerics.near_rows import near_rows

_NOTHING = 1e-300  # no figure's resolution is less


@dataclass(frozen=True)
class Ranks:
    """A place for each of n builds.

    Attributes
    ----------
    rank : (n,) int array
        1 for the best; 0 for a build that is not ranked.
    front : (n,) int array
        Number of its Pareto front among the builds that meet all constraints, 1 for builds that no
        other dominates; 0 for all other builds.
    """

    rank: IntArray
    front: IntArray


def ranks(losses: FloatArray, distance: FloatArray) -> Ranks:
    """Rank builds: those that meet all constraints front by front, then those closest to it.

    Within a front the order is by the sum of the losses, each over its range among the builds that
    meet all constraints.

    Parameters
    ----------
    losses : (n, m) array
        Loss in each goal, the smaller the better; NaN where a goal has no number.
    distance : (n,) array
        Sum of the violations of constraints, each as a fraction of its bound; 0 where all are met,
        NaN for a build that cannot be ranked.
    """
    known = np.isfinite(losses).all(axis=1) & np.isfinite(distance)
    feasible = np.flatnonzero(known & (distance == 0.0))
    front = np.zeros(len(losses), dtype=np.int64)
    front[feasible] = fronts(losses[feasible])
    total = np.zeros(len(losses))
    if len(feasible):
        span = np.ptp(losses[feasible], axis=0)
        low = losses[feasible].min(axis=0)
        total[feasible] = np.sum((losses[feasible] - low) / np.where(span > 0, span, 1.0), axis=1)
    infeasible = np.flatnonzero(known & (distance > 0.0))
    order = [
        *feasible[np.lexsort((total[feasible], front[feasible]))],
        *infeasible[np.argsort(distance[infeasible], kind="stable")],
    ]
    rank = np.zeros(len(losses), dtype=np.int64)
    rank[order] = np.arange(1, len(order) + 1)
    return Ranks(rank, front)


def fronts(losses: FloatArray) -> IntArray:
    """Return the number of each build's Pareto front: 1 where no other dominates it.

    Builds that only those of front 1 dominate are on front 2, and so on.

    Parameters
    ----------
    losses : (n, m) array
        The smaller the better, in every column.

    References
    ----------
    Zhang, Tian, Cheng, Jin 2015, IEEE Trans. Evol. Comput. 19, 201: sequential sort with binary
    search (from memory).
    """
    found = np.zeros(len(losses), dtype=np.int64)
    members: list[list[int]] = []
    # Sorted by the first column, then the next ones, no later build dominates an earlier one; and
    # what a front dominates, every front before it dominates too, so that halving finds the place.
    for i in np.lexsort(losses.T[::-1]):
        low, high = 0, len(members)
        while low < high:
            middle = (low + high) // 2
            ahead = losses[members[middle]]
            beaten = np.all(ahead <= losses[i], axis=1) & np.any(ahead < losses[i], axis=1)
            low, high = (middle + 1, high) if beaten.any() else (low, middle)
        if low == len(members):
            members.append([])
        members[low].append(int(i))
        found[i] = low + 1
    return found


@dataclass(frozen=True)
class Same:
    """Builds that the model cannot tell from each other.

    Attributes
    ----------
    first : (n,) int array
        Index of the first build of the order given from which this one is indistinguishable; its
        own where there is none before it, -1 where it has not all figures.
    count : (n,) int array
        How many other builds are indistinguishable from it.
    """

    first: IntArray
    count: IntArray


def indistinguishable(values: FloatArray, errors: FloatArray, order: Sequence[int]) -> Same:
    """Find for each build those whose every figure differs by less than the model resolves.

    Parameters
    ----------
    values, errors : (n, k) array
        Figures, and the error of their differences between builds; NaN where one has no number.
    order : sequence of int
        The builds, the best first.
    """
    n = len(values)
    first = np.full(n, -1, dtype=np.int64)
    count = np.zeros(n, dtype=np.int64)
    places = np.array([i for i in order if np.isfinite(values[i]).all()], dtype=np.int64)
    if not len(places):
        return Same(first, count)
    # Sorted by the figure that tells most apart: only neighbours in it can be alike.
    resolved = np.ptp(values[places], axis=0)
    resolved /= np.maximum(np.median(errors[places], axis=0), _NOTHING)
    columns = np.argsort(-resolved, kind="stable")
    rank = np.argsort(values[places, columns[0]], kind="stable")
    rows = places[rank][:, None], columns
    reach = float(errors[places, columns[0]].max())
    least, near = np.empty_like(places), np.empty_like(places)
    near_rows(values[rows], errors[rows], rank, reach, least, near)
    count[places[rank]], first[places[rank]] = near - 1, places[least]
    return Same(first, count)
