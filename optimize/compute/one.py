"""One build computed; whatever it meets is said of it alone."""

import math
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import Estimate

if TYPE_CHECKING:
    pass


Request = tuple[Ball, tuple[str, ...]]


Compute = Callable[[Sequence[Request]], Iterator[tuple[int, Estimate]]]


def compute_one(
    ball: Ball, names: tuple[str, ...], conditions: Conditions | None = None
) -> Estimate:
    """Estimate one build; whatever number trouble it meets stands in `failed`, for it alone."""
    try:
        found = estimate(ball, names, conditions)
    except InputError:  # not this build's fault: a figure was asked for that there is not
        raise
    except (ArithmeticError, ValueError) as error:
        return Estimate(ball, {}, dict.fromkeys(names, f"{type(error).__name__}: {error}"))
    failed = dict(found.failed)
    for name, figure in found.figures.items():
        if not math.isfinite(figure.value):
            failed[name] = "the computation gave no finite number"
    kept = {name: figure for name, figure in found.figures.items() if name not in failed}
    return Estimate(ball, kept, failed)
