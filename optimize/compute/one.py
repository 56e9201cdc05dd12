"""One build computed; its numerical failures are its own."""

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Protocol

from layers.arrays import Level
from layers.ball import Ball
from layers.bench.bench import Impacts
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate
from layers.estimation import estimate, estimate_patterns

Request = tuple[Ball, tuple[str, ...]]


Compute = Callable[[Sequence[Request]], Iterator[tuple[int, Estimate]]]


class Elsewhere(Protocol):
    """What computes batches other than by processes here: a cluster, graphics cards."""

    def label(self, conditions: Conditions | None) -> str:
        """Name what figures depend on; empty if on nothing."""

    def computing(
        self, conditions: Conditions | None, level: Level
    ) -> AbstractContextManager[Compute]:
        """Provide a function that computes a batch."""


def compute_one(
    ball: Ball,
    names: tuple[str, ...],
    conditions: Conditions | None = None,
    level: Level = "default",
    given: Impacts | None = None,
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
    given : Impacts, optional
        Impacts that were computed elsewhere.

    Raises
    ------
    InputError
        If there is no such figure.
    """
    try:
        found = _under_every_pattern(ball, names, conditions, level, given)
    except InputError:  # not the build's fault: there is no such figure
        raise
    except (ArithmeticError, ValueError) as error:
        why = f"{type(error).__name__}: {error}"
        return Estimate(ball, {}, dict.fromkeys(names, why), (conditions or Conditions()).precision)
    return replace(_finite(found), others=tuple(map(_finite, found.others)))


def _under_every_pattern(
    ball: Ball,
    names: tuple[str, ...],
    conditions: Conditions | None,
    level: Level,
    given: Impacts | None,
) -> Estimate:
    """Estimate a ball; with it, as `others`, its layers under every other dimple pattern."""
    if conditions is None or ball.dimple_pattern not in conditions.patterns:
        return estimate(ball, names, conditions, level, given)
    first, *others = estimate_patterns(ball, names, conditions, level, given)
    return replace(first, others=tuple(others))


def _finite(found: Estimate) -> Estimate:
    """Count a figure that is no finite number as failed."""
    failed = dict(found.failed)
    for name, figure in found.figures.items():
        if not math.isfinite(figure.value):
            failed[name] = "the computation gave no finite number"
    kept = {name: figure for name, figure in found.figures.items() if name not in failed}
    return replace(found, figures=kept, failed=failed)
