"""The cut cores that would tell most of a wanted profile."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from layers.cure.fit import CutCore, covariance_of
from layers.cure.hardening import COARSE, slopes
from layers.cure.history import cure_core
from layers.errors import InputError
from optimize.cure.candidates import Candidate, Task, judged, settled
from optimize.lab.cure_sheet import places_to_read

# Trials drawn over the ranges, as a power of two, and those that are weighed;
# standard deviations in a 95 % interval.
_DRAWN, _WEIGHED, _WIDTH = 8, 40, 1.96


@dataclass(frozen=True)
class Trial:
    """A core to make and cut.

    Attributes
    ----------
    candidate : Candidate
        Its recipe and cycle, with the profile that is expected.
    settings : dict of str to float
        As `optimize.cure.wanted.RANGES` names them.
    position_mm : (k,) array
        Places to read, from the centre.
    before, after : float
        Half width of the wanted core's profile that the map leaves, Shore C, mean over its places,
        95 %: before this trial and after it.
    """

    candidate: Candidate
    settings: dict[str, float]
    position_mm: FloatArray
    before: float
    after: float


def next_trials(task: Task, aim: Candidate, count: int, seed: int = 0) -> tuple[Trial, ...]:
    """Choose cores one by one by the largest fall of the posterior variance of the aimed profile.

    The map is linear about its mean: a core with readings of slopes J and covariance R turns the
    parameters' covariance C into (C^-1 + J' R^-1 J)^-1 whatever it reads (Bayesian experimental
    design; Chaloner and Verdinelli 1995, Stat. Sci. 10, 273).

    Parameters
    ----------
    task : Task
        With the ranges of the trials.
    aim : Candidate
        The recipe and cycle whose profile shall be known.
    count : int
        Cores to choose.
    seed : int
        Of the draw of trials over the ranges.

    Raises
    ------
    InputError
        If no sound cure is within the ranges.
    """
    theta, noise = task.hardening.mean, task.hardening.noise
    at = places_to_read(task.diameter_mm)
    pool = []
    for settings in _drawn(task, seed):
        recipe, stock, cycle = settled(task, task.recipe, settings)
        if cure_core(stock, cycle, task.diameter_mm, task.hardening.law, *COARSE).flags():
            continue  # no lab makes a core that scorches or blows
        jacobian = slopes(theta, stock, cycle, task.diameter_mm, at)
        core = CutCore("", stock, cycle, task.diameter_mm, at, np.zeros(len(at)))
        told = jacobian.T @ np.linalg.solve(covariance_of(core, noise), jacobian)
        pool.append((settings, recipe, stock, cycle, told))
        if len(pool) == _WEIGHED:
            break
    if not pool:
        raise InputError(
            "no sound cure was found within the ranges to try next: widen them, to longer times "
            "or less co-agent."
        )
    goal = slopes(theta, aim.stock, aim.cycle, task.diameter_mm, task.wanted.position_mm)
    known: FloatArray = np.asarray(np.linalg.inv(task.hardening.covariance), float)
    chosen = []
    before = _half(goal, known)
    for _ in range(min(count, len(pool))):
        widths = [_half(goal, known + told) for *_, told in pool]
        best = int(np.argmin(widths))
        settings, recipe, stock, cycle, told = pool.pop(best)
        known = known + told
        trial = judged(task, recipe, stock, cycle)
        chosen.append(Trial(trial, settings, at, before, widths[best]))
        before = widths[best]
    return tuple(chosen)


def _half(goal: FloatArray, known: FloatArray) -> float:
    """Mean half width of the aimed profile by the parameters' inverse covariance."""
    variance = np.einsum("ij,jk,ik->i", goal, np.linalg.inv(known), goal)
    return float(_WIDTH * np.sqrt(np.mean(variance)))


def _drawn(task: Task, seed: int) -> list[dict[str, float]]:
    """Return settings spread over the ranges, rounded to what a lab sets."""
    ranges = list(task.ranges.values())
    # Sobol's points are drawn in powers of two.
    points = qmc.Sobol(len(ranges), seed=seed).random_base2(_DRAWN)
    low = np.array([column.low for column in ranges])
    high = np.array([column.high for column in ranges])
    steps = {"platen_celsius": 1.0, "minutes": 0.5, "coagent_phr": 0.5, "peroxide_phr": 0.05}
    grid = np.array([steps[name] for name in task.ranges])
    rows = np.clip(np.round((low + (high - low) * points) / grid) * grid, low, high)
    return [dict(zip(task.ranges, row.tolist(), strict=True)) for row in rows]
