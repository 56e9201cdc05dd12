"""One build computed; its numerical failures are its own."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from layers.arrays import Level
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate
from layers.estimation import estimate, estimate_patterns

Request = tuple[Ball, tuple[str, ...]]


Compute = Callable[[Sequence[Request]], Iterator[tuple[int, Estimate]]]


def compute_one(
    ball: Ball,
    names: tuple[str, ...],
    conditions: Conditions | None = None,
    level: Level = "default",
) -> Estimate:
    """Estimate one build; numerical failures are reported in its `failed`.

    Parameters
    ----------
    ball : Ball
        The build.
    names : tuple of str
        Figures wanted.
    conditions : Conditions, optional
        Swings, aerodynamics and air; the shipped ones otherwise.
    level : {"default", "fine"}
        Mesh.

    Raises
    ------
    InputError
        If there is no such figure.
    """
    try:
        found = _under_every_pattern(ball, names, conditions, level)
    except InputError:  # not the build's fault: there is no such figure
        raise
    except (ArithmeticError, ValueError) as error:
        why = f"{type(error).__name__}: {error}"
        return Estimate(ball, {}, dict.fromkeys(names, why), (conditions or Conditions()).precision)
    return replace(_finite(found), others=tuple(map(_finite, found.others)))


def _under_every_pattern(
    ball: Ball, names: tuple[str, ...], conditions: Conditions | None, level: Level
) -> Estimate:
    """Estimate a ball; with it, as `others`, its layers under every other dimple pattern."""
    if conditions is None or ball.dimple_pattern not in conditions.patterns:
        return estimate(ball, names, conditions, level)
    first, *others = estimate_patterns(ball, names, conditions, level)
    return replace(first, others=tuple(others))


def _finite(found: Estimate) -> Estimate:
    """Count a figure that is no finite number as failed."""
    failed = dict(found.failed)
    for name, figure in found.figures.items():
        if not math.isfinite(figure.value):
            failed[name] = "the computation gave no finite number"
    kept = {name: figure for name, figure in found.figures.items() if name not in failed}
    return replace(found, figures=kept, failed=failed)
