"""Why a candidate was chosen, in a sentence."""

import math
from itertools import pairwise

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from optimize.calibration.linearised import (
    Linearised,
    widths_of,
)
from optimize.calibration.result import WIDTH

_WORDS = {
    "youngs_modulus_mpa": "modulus",
    "density_g_cm3": "density",
    "dynamic_modulus_ratio": "dynamic/static modulus ratio",
    "relaxation_strength": "relaxation",
}


def reason_for(state: Linearised, i: int, before: FloatArray, after: FloatArray) -> str:
    """Name the numbers that a build narrows most, the effect on a goal, and what only it has.

    Parameters
    ----------
    state : Linearised
        The candidates.
    i : int
        Index of the build.
    before, after : (n, n) array
        Covariances of parameters and biases before and after it is measured.
    """
    widths = widths_of(state, before, after)
    goal = min(widths, key=lambda name: widths[name][1] / max(widths[name][0], 1e-300))
    wide, narrow = widths[goal]
    p = len(state.parameters)
    # Reduction of the goal's variance by each number alone, mean over the candidates.
    square = np.mean(state.goal_rows[:, state.goals.index(goal), :p] ** 2, axis=0)
    taken = square * (np.diag(before) - np.diag(after))[:p]
    most = [j for j in np.argsort(-taken, kind="stable")[:2] if taken[j] > 0.1 * taken.max()]
    narrowed = [_narrowed(state, int(j), before, after) for j in most]
    words = f"narrows {goal} over the candidates from +-{wide:.1f} to +-{narrow:.1f} %"
    if narrowed:
        words += f", because it narrows {' and '.join(narrowed)}"
    trait = _trait(state, i)
    return f"{words}{'; ' + trait if trait else ''}."


def _narrowed(state: Linearised, j: int, before: FloatArray, after: FloatArray) -> str:
    parameter = state.parameters[j]
    factor = 100.0 * WIDTH
    if parameter.number == "dynamic_modulus_ratio":
        value = parameter.value(float(state.theta[j]))
        factor *= (value - 1.0) / value
    wide, narrow = (factor * math.sqrt(c[j, j]) for c in (before, after))
    return (
        f"the {_WORDS[parameter.number]} of {parameter.material} from +-{wide:.1f} to "
        f"+-{narrow:.1f} %"
    )


def _trait(state: Linearised, i: int) -> str:
    """Name what only this build has: a material, or the thickest layer of one."""
    thick = [_thickness(ball) for ball in state.balls]
    for material, own in thick[i].items():
        others = [t[material] for n, t in enumerate(thick) if n != i and material in t]
        if not others:
            return f"no other candidate has {material}"
        if own > max(others) + 1e-6:
            return f"its {material} is the thickest, {own:.2f} mm"
    return ""


def _thickness(ball: Ball) -> dict[str, float]:
    """Thickness by material, last layer first, without the core."""
    bounds = [0.0, *(layer.outer_diameter_mm / 2.0 for layer in ball.layer)]
    walls = [outer - inner for inner, outer in pairwise(bounds)]
    last_first = list(zip(ball.layer, walls, strict=True))[:0:-1]
    return {layer.material.name: wall for layer, wall in last_first}
